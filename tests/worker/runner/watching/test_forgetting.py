"""What the watch remembers goes when both the files and the record of the job are gone, and not before."""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path

import pytest

from nearfar.intake.card.folders import card_id
from nearfar.intake.card.kept_card import Decided, Kept, card_files
from nearfar.intake.card.sorted_card import SortedCard
from nearfar.intake.memory import Memory
from nearfar.jobs import Store
from nearfar.places import Places
from nearfar.runner.watching.forgetting import DAY, EVERY
from nearfar.runner.watching.process import memory_file
from tests.worker.runner.watching.stepped import Stepped, lay_frames


def remembered(places: Places) -> list[str]:
    """Names of stacks, as they stand on the disk."""
    return sorted(k.stack for k in Memory.open(memory_file(places), reading=True).known.values())


def without_records(store: Store) -> None:
    for job in store.jobs().jobs:
        store.cancel(job.id, who="lena")
    while store.forget(before=time.time() + DAY, who="lena"):
        pass


def test_a_stack_is_forgotten_when_its_files_and_its_job_are_gone(stepped: Stepped, store: Store) -> None:
    inbox = stepped.places.inbox
    for number, name in enumerate(("gone", "here", "away")):
        lay_frames(inbox / name, "1.tif", "2.tif", first=10 * number)
    stepped.settle()
    shutil.rmtree(inbox / "gone")
    stepped.look(EVERY + 1)
    assert remembered(stepped.places) == ["away", "gone", "here"], "their jobs are on record"
    without_records(store)
    stepped.look(EVERY + 1)
    assert remembered(stepped.places) == ["away", "here"]
    inbox.rename(inbox.with_name("elsewhere"))
    stepped.look(EVERY + 1)
    assert remembered(stepped.places) == ["away", "here"], "a folder that is away says nothing"
    inbox.with_name("elsewhere").rename(inbox)
    stepped.settle()
    assert store.jobs().jobs == (), "nothing was taken twice"


@pytest.mark.parametrize(("days", "stays"), [(6.0, True), (8.0, False)])
def test_a_card_that_is_gone_is_kept_as_long_as_what_can_be_made_again(
    stepped: Stepped, days: float, stays: bool
) -> None:
    cards = card_files(stepped.places)
    stepped.look()  # the inbox is a card, and is there
    path = str(stepped.places.inbox / "card")
    card = card_id(path)
    cards.write(card, Kept(path=path, files={}, card=empty_card(), small={}))
    small = cards.small_file(card, "1")
    small.parent.mkdir()
    small.write_bytes(b"small")
    cards.decide(card, path, Decided())
    then = time.time() - days * DAY
    os.utime(cards.sorted_file(card), (then, then))
    os.utime(cards.decisions_file(card), (then, then))
    stepped.look(EVERY + 1)
    assert cards.sorted_file(card).exists() is stays
    assert small.exists() is stays
    assert cards.decisions_file(card).exists(), "what a person said stays as long as records of jobs"


def test_a_card_that_is_there_stays(stepped: Stepped) -> None:
    cards = card_files(stepped.places)
    folder = Path(stepped.places.inbox, "card")
    folder.mkdir(parents=True)
    card = card_id(str(folder))
    cards.write(card, Kept(path=str(folder), files={}, card=empty_card(), small={}))
    os.utime(cards.sorted_file(card), (1, 1))
    stepped.look(EVERY + 1)
    assert cards.sorted_file(card).exists()


def empty_card() -> SortedCard:
    return SortedCard(stacks=(), left_out=(), order=())
