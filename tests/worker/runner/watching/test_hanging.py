"""A watched folder whose share hangs holds up no other, and goes on by itself when the share is back."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from nearfar.intake import inbox, scanning
from nearfar.intake.answering import Answers, answered
from nearfar.intake.state import read_state
from nearfar.jobs import Store
from nearfar.runner.watching import folders
from tests.worker.runner.watching.stepped import QUIET, Stepped, jobs, lay_frames, short

SOON = 0.2


@pytest.fixture
def back() -> Iterator[threading.Event]:
    """To be set when the share is back; no thread is left hanging."""
    found = threading.Event()
    yield found
    found.set()


def hanging(share: Path, back: threading.Event, real: Callable[..., Any]) -> Callable[..., Any]:
    """A call to the system that hangs on a share, and that nobody may make who has other things to do."""

    def call(path: Any, *given: Any, **named: Any) -> Any:
        if str(path) == str(share):
            assert threading.current_thread() is not threading.main_thread(), f"{path} was asked directly"
            back.wait(60)
        return real(path, *given, **named)

    return call


def test_a_share_that_hangs_holds_up_no_other_folder(
    tmp_path: Path, store: Store, back: threading.Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    share = tmp_path / "share"
    lay_frames(share / "far", "1.tif", "2.tif", first=7)
    stepped = Stepped(short(tmp_path / "data", folders=[{"path": share}]), store)
    stepped.watch.inbox._scans = Answers(SOON)
    lay_frames(stepped.places.inbox / "near", "1.tif", "2.tif")
    monkeypatch.setattr(inbox, "scan", hanging(share, back, scanning.scan))
    stepped.settle()
    assert [stack for _, stack, _ in jobs(store)] == ["near"]
    (problem,) = [f.problem for f in read_state(stepped.places).folders if f.path == str(share)]
    assert problem is not None
    assert problem.startswith("its file system does not answer (no answer for ")
    began = threading.active_count()
    stepped.look(QUIET)
    assert threading.active_count() == began, "nobody asks again what hangs already"

    back.set()
    end = time.monotonic() + 60
    while len(jobs(store)) < 2 and time.monotonic() < end:
        stepped.settle()
    assert [stack for _, stack, _ in jobs(store)] == ["near", "far"]


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
