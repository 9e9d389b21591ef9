"""Events of the file system wake the scan early, and nothing depends on them."""

from __future__ import annotations

import errno
import time
from pathlib import Path
from typing import Any

import pytest

from nearfar.intake.events import Events


def test_events_are_tested_and_wake(tmp_path: Path) -> None:
    woken: list[float] = []
    events = Events(str(tmp_path), lambda: woken.append(time.monotonic()))
    events.start(within=60.0)
    try:
        assert events.working, events.problem
        (tmp_path / "a").mkdir()
        deadline = time.monotonic() + 60
        while not woken and time.monotonic() < deadline:
            time.sleep(0.02)
        assert woken
    finally:
        events.stop()


def test_the_limit_of_the_system_on_watches_is_told_by_the_name_of_its_setting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from watchdog.observers.inotify import InotifyObserver

    def full(*_: Any, **__: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(InotifyObserver, "start", full)
    events = Events(str(tmp_path), lambda: None)
    events.start()
    assert "fs.inotify.max_user_watches" in (events.problem or "")
    assert not events.working
