"""Side files that another process makes: what it began is waited for, but never longer than it takes to make it here."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from nearfar.errors import Interrupted
from nearfar.merge.deliver.beside import ENDINGS, Beside
from nearfar.merge.scratch import Scratch


@pytest.fixture
def beside(tmp_path: Path) -> Beside:
    return Beside(Scratch(tmp_path), "key")


def nothing() -> None:
    pass


def another(part: Path) -> None:
    part.write_bytes(b"another")


def helper(beside: Beside, ending: str, write: Callable[[Path], None]) -> threading.Thread:
    """Another process that makes one side file; returns once that is begun."""
    begun = threading.Event()

    def writer(part: Path) -> None:
        begun.set()
        write(part)

    writers = {
        each: writer if each == ending else lambda part: part.write_bytes(b"another") for each in ENDINGS
    }
    thread = threading.Thread(target=lambda: beside.make(writers, nothing))
    thread.start()
    assert begun.wait(60)
    return thread


def test_what_another_has_begun_is_waited_for_and_taken(beside: Beside, tmp_path: Path) -> None:
    go_on = threading.Event()

    def write(part: Path) -> None:
        go_on.wait(60)
        part.write_bytes(b"made by a helper")

    thread = helper(beside, "preview.jpg", write)
    assert not beside.take("preview.jpg", tmp_path / "target")
    asked: list[int] = []

    def check() -> None:
        asked.append(1)
        go_on.set()

    beside.wait("preview.jpg", time.monotonic() + 60, check)
    assert asked
    assert beside.take("preview.jpg", tmp_path / "target")
    assert (tmp_path / "target").read_bytes() == b"made by a helper"
    thread.join(60)
    assert all(path.is_file() for path in beside.paths())


def test_for_what_nobody_began_nobody_waits(beside: Beside) -> None:
    waited: list[float] = []
    for ending in ENDINGS:
        beside.wait(ending, time.monotonic() + 60, lambda: waited.append(time.monotonic()))
    assert waited == []


def test_a_helper_that_is_gone_is_not_waited_for_longer_than_asked(beside: Beside, tmp_path: Path) -> None:
    def ends(part: Path) -> None:
        part.write_bytes(b"half")
        raise Interrupted

    with pytest.raises(Interrupted):
        beside.make(dict.fromkeys(ENDINGS, ends), nothing)
    began = time.monotonic()
    beside.wait("preview.jpg", began + 0.05, nothing)
    assert time.monotonic() >= began + 0.05
    assert not beside.take("preview.jpg", tmp_path / "target")
    beside.make(dict.fromkeys(ENDINGS, another), nothing)
    assert beside.take("preview.jpg", tmp_path / "target")


def test_whoever_waits_can_be_stopped(beside: Beside) -> None:
    go_on = threading.Event()

    def write(part: Path) -> None:
        go_on.wait(60)
        part.write_bytes(b"map")

    thread = helper(beside, "focus.tif", write)

    def stop() -> None:
        raise Interrupted

    with pytest.raises(Interrupted):
        beside.wait("focus.tif", time.monotonic() + 60, stop)
    go_on.set()
    thread.join(60)
