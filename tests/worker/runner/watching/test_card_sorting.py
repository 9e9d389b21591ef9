"""Cards in the watched folder: sorted in a process of its own, acted on where it is clear, asked about where it is not."""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import simplejpeg

from nearfar.intake.card.folders import card_id
from nearfar.intake.card.following import GIVEN_UP
from nearfar.intake.card.kept_card import Decided, card_files
from nearfar.intake.state import Entry, read_state
from nearfar.jobs import Store
from nearfar.places import Places, places_of, small_name
from nearfar.runner.processes import child
from nearfar.runner.watching.card_sorting import CardSorter
from nearfar.runner.watching.process import Watch
from nearfar.server_settings import ServerSettings
from tests.scenes import card_events as events
from tests.scenes.card import Body, Truth, write_events
from tests.scenes.card_views import make_place
from tests.worker.runner.serving import settings_for

SIZE = (300, 200)
QUIET = 0.8
PATIENCE = 120.0


@pytest.fixture
def settings(tmp_path: Path) -> ServerSettings:
    times = {"scan": 0.1, "quiet": QUIET, "quiet_unseen": QUIET, "patience": 2.0}
    return settings_for(tmp_path / "data", inbox=times)


@pytest.fixture
def watched(settings: ServerSettings, store: Store) -> Iterator[Callable[[], Watched]]:
    made: list[Watched] = []

    def start() -> Watched:
        made.append(Watched(settings, store))
        return made[-1]

    yield start
    for each in made:
        each.watch.close()


class Watched:
    """A watch that looks as often as a test needs, its sorting process a real one."""

    def __init__(self, settings: ServerSettings, store: Store) -> None:
        self.places = places_of(settings)
        self.now = 0.0
        self.watch = Watch(settings, self.places, store, clock=lambda: self.now)

    def until(self, done: Callable[[list[Entry]], bool]) -> list[Entry]:
        end = time.monotonic() + PATIENCE
        while time.monotonic() < end:
            self.now += QUIET
            self.watch.look()
            entries = list(read_state(self.places).entries)
            if done(entries):
                return entries
            time.sleep(0.05)
        raise AssertionError(f"it never came to that: {entries}")


def card_entry(entries: list[Entry], folder: Path) -> Entry | None:
    return next((entry for entry in entries if entry.path == str(folder)), None)


def is_sorted(folder: Path) -> Callable[[list[Entry]], bool]:
    def told(entries: list[Entry]) -> bool:
        entry = card_entry(entries, folder)
        return entry is not None and "sorted into" in entry.why and "0 about to be" in entry.why

    return told


def write_day(
    folder: Path, *, first: int = 1, stacks: int = 2, seed: int = 7, passer_by: int | None = None
) -> Truth:
    """Stacks of seven frames, each with a single frame after it; ``passer_by``: the frame that somebody walks through."""
    random = np.random.default_rng(seed)
    truth = Truth()
    day = []
    for _ in range(stacks):
        place = make_place(random, "macro", SIZE)
        stack = events.stack(random, place, "flash", frames=7)
        if passer_by is not None:
            stack = _with_passer_by(stack, passer_by)
        day += [stack, events.singles(random, SIZE, 1)]
    write_events(folder, Body(size=SIZE, first=first), day, truth)
    return truth


def _with_passer_by(stack: events.Event, place: int) -> events.Event:
    frames = list(stack.frames)
    frames[place] = replace(frames[place], shot=replace(frames[place].shot, cover="passer-by"))
    return replace(stack, frames=tuple(frames))


def jobs_of(store: Store) -> list[list[Path]]:
    return [[Path(f.path) for f in store.frames(job.id)] for job in reversed(store.jobs().jobs)]


def test_clear_stacks_of_a_card_become_jobs_once_whatever_is_started_again(
    watched: Callable[[], Watched], places: Places, store: Store
) -> None:
    folder = places.inbox / "ridge"
    truth = write_day(folder)
    before = {path: path.read_bytes() for path in truth.kinds}
    entries = watched().until(is_sorted(folder))
    assert sorted(jobs_of(store)) == sorted(truth.stacks)
    assert {entry.state for entry in entries if entry.job} == {"queued"}
    assert all(job.stack.startswith("ridge-2031-06-09-") for job in store.jobs().jobs)
    card = card_entry(entries, folder)
    assert card is not None
    assert len(card.ignored) == len(truth.kinds) - sum(map(len, truth.stacks))
    assert all(why for _, why in card.ignored)
    again = watched()
    assert is_sorted(folder)(again.until(is_sorted(folder)))
    more = write_day(folder, first=40, stacks=1, seed=9)
    again.until(lambda entries: len(store.jobs().jobs) == 3 and is_sorted(folder)(entries))
    assert sorted(jobs_of(store)) == sorted([*truth.stacks, *more.stacks])
    assert {path: path.read_bytes() for path in before} == before


def test_a_job_of_a_card_names_what_was_set_aside_within_its_stack(
    watched: Callable[[], Watched], places: Places, store: Store
) -> None:
    """Only the card's page named it: who looked at the picture alone never learned of the frame."""
    folder = places.inbox / "ridge"
    frames = write_day(folder, stacks=1).stacks[0]
    frames[3].write_bytes(frames[3].read_bytes()[:2000])
    first = watched()
    first.until(is_sorted(folder))
    right = Decided(decisions=({"do": "confirm", "frames": [str(frames[0])]},), gone=1)
    card_files(places).decide(
        card_id(str(folder)), str(folder), right
    )  # it is asked about, for what is missing
    entries = first.until(lambda entries: bool(store.jobs().jobs) and is_sorted(folder)(entries))
    found = store.frames(1)
    assert [Path(f.path) for f in found] == frames
    assert [str(f.state) for f in found] == [*["present"] * 3, "left out", *["present"] * 3]
    assert "cannot be used" in (found[3].reason or "")
    job = store.job(1)
    assert job.settings == {"leave_out": [frames[3].name], "set_aside": {frames[3].name: found[3].reason}}
    (entry,) = [entry for entry in entries if entry.job == 1]
    assert entry.ignored == [(frames[3].name, found[3].reason)]
    assert entry.frames == 6, "what was set aside is no frame of it"
    assert entry.why == "job 1 waits for its turn", "nor is any file gone"
    again = watched()
    again.until(is_sorted(folder))
    assert len(store.jobs().jobs) == 1


def test_a_frame_that_was_set_aside_has_a_small_picture_for_the_page_of_its_job(
    watched: Callable[[], Watched], places: Places, store: Store
) -> None:
    """No survey reads it; beside the button that takes it in there was nothing to look at."""
    folder = places.inbox / "ridge"
    frames = write_day(folder, stacks=1, passer_by=3).stacks[0]
    watch = watched()
    watch.until(is_sorted(folder))
    confirm = {"do": "confirm", "frames": [str(frames[0])]}  # if it is asked about
    card_files(places).decide(card_id(str(folder)), str(folder), Decided(decisions=(confirm,), gone=1))
    watch.until(lambda entries: bool(store.jobs().jobs) and is_sorted(folder)(entries))
    found = store.frames(1)
    assert [number for number, frame in enumerate(found) if str(frame.state) == "left out"] == [3]
    (made,) = (places.small / "1").iterdir()
    assert made.name == small_name(4)
    assert simplejpeg.decode_jpeg(made.read_bytes()).std() > 5, "a picture, and no plain field"


def test_what_a_person_decided_waits_for_go(
    watched: Callable[[], Watched], places: Places, store: Store
) -> None:
    folder = places.inbox / "ridge"
    write_day(folder, stacks=1)
    watch = watched()
    watch.until(is_sorted(folder))
    files = card_files(places)
    card = card_id(str(folder))
    kept = files.read(card)
    assert kept is not None
    frames = [str(path) for path in kept.card.stacks[0].frames]
    left = [str(entry.path) for entry in kept.card.left_out]
    assert len(store.jobs().jobs) == 1
    take = {"do": "take", "frames": left[:1], "with": frames[0]}
    files.decide(card, str(folder), Decided(decisions=(take,)))
    entries = watch.until(lambda es: any(e.state == "waiting" and "go" in e.why for e in es))
    assert len(store.jobs().jobs) == 1
    assert all(entry.card == card for entry in entries)
    files.decide(card, str(folder), Decided(decisions=(take,), gone=1))
    watch.until(lambda _: len(store.jobs().jobs) == 2)
    assert set(map(str, jobs_of(store)[1])) == {*frames, left[0]}


def test_frames_that_come_after_their_stack_was_taken_are_asked_about(
    watched: Callable[[], Watched], places: Places, store: Store, tmp_path: Path
) -> None:
    truth = write_day(tmp_path / "camera", stacks=1)
    late = list(truth.stacks[0][-2:])
    folder = places.inbox / "ridge"
    for path in truth.kinds:
        if path not in late:
            target = folder / path.relative_to(tmp_path / "camera")
            target.parent.mkdir(parents=True, exist_ok=True)
            os.link(path, target)
    watch = watched()
    watch.until(is_sorted(folder))
    for path in late:
        os.link(path, folder / path.relative_to(tmp_path / "camera"))
    entries = watch.until(lambda es: any("2 frames more came" in e.why for e in es))
    assert len(store.jobs().jobs) == 1
    assert [e.state for e in entries if "2 frames more came" in e.why] == ["waiting"]


def test_small_pictures_are_made_beside_and_can_be_looked_at(
    watched: Callable[[], Watched], places: Places
) -> None:
    folder = places.inbox / "ridge"
    truth = write_day(folder, stacks=1)
    watched().until(is_sorted(folder))
    files = card_files(places)
    card = card_id(str(folder))
    kept = files.read(card)
    assert kept is not None
    assert set(kept.small) == set(map(str, truth.kinds))
    made = files.small_file(card, kept.small[str(truth.stacks[0][0])]).read_bytes()
    height, width = simplejpeg.decode_jpeg_header(made)[:2]
    assert abs(width / height - SIZE[0] / SIZE[1]) < 0.02


def test_a_card_that_is_given_up_is_told_apart_from_one_that_waits(
    settings: ServerSettings, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = f"{GIVEN_UP}: no memory"
    monkeypatch.setattr(CardSorter, "ask", lambda *_: said)
    watched = Watched(settings, store)
    folder = watched.places.inbox / "wetland"
    inner = folder / "DCIM" / "100NRFAR"
    inner.mkdir(parents=True)
    for name in ("1.jpg", "2.jpg"):
        picture = np.random.default_rng(len(name)).integers(0, 255, (64, 96, 3), np.uint8)
        (inner / name).write_bytes(simplejpeg.encode_jpeg(picture))
    try:
        entries = watched.until(lambda entries: any(e.why == said for e in entries))
    finally:
        watched.watch.close()
    assert [e.state for e in entries if e.why == said] == ["refused"]


def test_a_process_that_dies_costs_some_tries_and_is_told_of(tmp_path: Path, places: Places) -> None:
    now = [0.0]
    sorter = CardSorter(card_files(places), memory=1, clock=lambda: now[0])
    sorter._memory = 1 << 20  # in which no program can run
    try:
        for attempt in range(3):
            assert "being sorted" in sorter.ask("0" * 16, str(tmp_path), {"a.jpg": (1, 2, 3)})
            end = time.monotonic() + PATIENCE
            while sorter.busy() and time.monotonic() < end:
                time.sleep(0.05)
            said = sorter.ask("0" * 16, str(tmp_path), {"a.jpg": (1, 2, 3)})
            assert ("cannot be sorted" if attempt == 2 else "could not be sorted") in said
            now[0] += 1000
    finally:
        sorter.close()


TIED = """
import sys, time
from pathlib import Path
from nearfar.runner.processes import here
here.die_with_parent()
Path(sys.argv[1]).touch()
time.sleep(0.5)
"""


def test_sorting_goes_on_when_the_thread_that_asked_for_it_has_ended(
    tmp_path: Path, places: Places, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Folders are judged in threads that end at once, and the kernel ends a tied process with the thread that began it."""
    tied = tmp_path / "tied"
    monkeypatch.setattr(child, "command", lambda _: [sys.executable, "-c", TIED, str(tied)])
    sorter = CardSorter(card_files(places), memory=1)

    def ask() -> None:
        sorter.ask("one", str(tmp_path), {})
        while not tied.exists():
            time.sleep(0.01)

    asking = threading.Thread(target=ask)
    asking.start()
    asking.join(PATIENCE)
    while sorter.busy():
        time.sleep(0.01)
    assert sorter.ask("one", str(tmp_path), {}).startswith("being sorted"), "and not: could not be sorted"
    sorter.close()


def test_what_is_kept_can_be_read_as_decisions_and_as_json(places: Places) -> None:
    files = card_files(places)
    files.decide("0" * 16, "/card", Decided(decisions=({"do": "confirm", "frames": ["a"]},)))
    from nearfar.intake.card.decisions import read_decisions

    assert read_decisions(files.decisions_file("0" * 16)) == [{"do": "confirm", "frames": ["a"]}]
    assert json.loads(files.decisions_file("0" * 16).read_text())["gone"] == 0
