"""A watched folder whose share hangs holds up no other, and goes on by itself when the share is back."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from nearfar.intake import digests, inbox, scanning
from nearfar.intake.answering import SIGNS, Answers, answered, sign
from nearfar.intake.state import read_state
from nearfar.jobs import Store
from nearfar.runner.watching import folders
from tests.worker.runner.watching.stepped import QUIET, Stepped, jobs, lay_frames, short

SOON = 3.0
"""Seconds after which a share counts as hanging; each is waited for once, and a busy machine has to read within that."""


@pytest.fixture
def back() -> Iterator[threading.Event]:
    """To be set when the share is back; no thread is left hanging."""
    found = threading.Event()
    yield found
    found.set()


def hanging(
    share: Path, back: threading.Event, real: Callable[..., Any], asked: list[Any] | None = None
) -> Callable[..., Any]:
    """A call to the system that hangs on a share, and that nobody may make who has other things to do; notes each."""
    noted = [] if asked is None else asked

    def call(path: Any, *given: Any, **named: Any) -> Any:
        if str(path) == str(share):
            noted.append(path)
            assert threading.current_thread() is not threading.main_thread(), f"{path} was asked directly"
            back.wait(60)
        return real(path, *given, **named)

    return call


def settle_until(stepped: Stepped, store: Store, count: int) -> None:
    """Look on until there are so many jobs."""
    end = time.monotonic() + 60
    while len(jobs(store)) < count and time.monotonic() < end:
        stepped.settle()


def test_a_share_that_hangs_holds_up_no_other_folder(
    tmp_path: Path, store: Store, back: threading.Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    share = tmp_path / "share"
    lay_frames(share / "far", "1.tif", "2.tif", first=7)
    stepped = Stepped(short(tmp_path / "data", folders=[{"path": share}]), store)
    stepped.watch.inbox._scans = Answers(SOON)
    lay_frames(stepped.places.inbox / "near", "1.tif", "2.tif")
    asked: list[Any] = []
    monkeypatch.setattr(inbox, "scan", hanging(share, back, scanning.scan, asked))
    stepped.settle()
    assert [stack for _, stack, _ in jobs(store)] == ["near"]
    (problem,) = [f.problem for f in read_state(stepped.places).folders if f.path == str(share)]
    assert problem is not None
    assert problem.startswith("its file system does not answer (no answer for ")
    stepped.look(QUIET)
    assert len(asked) == 1, "nobody asks again what hangs already"

    back.set()
    settle_until(stepped, store, 2)
    assert [stack for _, stack, _ in jobs(store)] == ["near", "far"]


def test_a_frame_that_cannot_be_read_to_its_end_holds_up_no_other_folder(
    tmp_path: Path, store: Store, back: threading.Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    share = tmp_path / "share"
    far = lay_frames(share / "far", "1.tif", "2.tif", first=7)[1]
    stepped = Stepped(short(tmp_path / "data", folders=[{"path": share}]), store)
    stepped.watch.inbox._judged = Answers(SOON, fresh=True)
    lay_frames(stepped.places.inbox / "near", "1.tif", "2.tif")
    monkeypatch.setattr(digests, "content_digest", hanging(far, back, digests.content_digest))
    settle_until(stepped, store, 1)
    assert [stack for _, stack, _ in jobs(store)] == ["near"]
    (problem,) = [f.problem for f in read_state(stepped.places).folders if f.path == str(share)]
    assert "its file system does not answer" in str(problem)

    far.write_bytes(far.read_bytes() + b"\0" * 8)  # meanwhile it became another file
    back.set()
    settle_until(stepped, store, 2)
    assert [stack for _, stack, _ in jobs(store)] == ["near", "far"]
    assert stepped.look()["../../share/far"].state == "queued", "it was taken as it is now"


def test_what_gives_signs_is_waited_for_longer_but_not_for_ever(back: threading.Event) -> None:
    answers: Answers[int] = Answers(60.0)
    ready, signed = threading.Event(), threading.Event()

    def slow() -> int:
        ready.wait(60)
        sign()
        signed.set()
        back.wait(60)
        return 7

    answers.ask("slow", slow)
    asked = answers._asked["slow"]
    asked.heard -= 61
    assert answers._left(asked) <= 0
    ready.set()
    assert signed.wait(60)
    assert answers._left(asked) > 0
    asked.began -= SIGNS * 60
    with pytest.raises(TimeoutError, match="no answer for 24"):
        answers.take("slow")
    with pytest.raises(TimeoutError):
        answers.take("slow")


def test_a_watch_begins_though_a_share_hangs(
    tmp_path: Path, store: Store, back: threading.Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    share = tmp_path / "share"
    monkeypatch.setattr(os.path, "realpath", hanging(share, back, os.path.realpath))
    monkeypatch.setattr(folders, "answered", lambda call, otherwise: answered(call, otherwise, within=SOON))
    monkeypatch.setattr(inbox, "ANSWER", SOON)
    stepped = Stepped(short(tmp_path / "data", folders=[{"path": share}]), store)
    assert [Path(each.path) for each in stepped.watch.inbox.watched] == [stepped.places.inbox, share]


def test_an_answer_raises_what_the_question_raised() -> None:
    def refused() -> int:
        raise PermissionError(13, "no")

    with pytest.raises(PermissionError):
        answered(refused, 7)
    assert answered(lambda: 8, 7) == 8
