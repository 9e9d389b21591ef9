"""The process that watches: it takes stacks, leaves when asked, and loses nothing when killed."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import threading

import pytest

from nearfar.intake.state import read_state
from nearfar.jobs import Store
from nearfar.places import Places
from nearfar.runner.processes.turn import alone
from nearfar.runner.watching.process import lock_file, watch_runs
from nearfar.server_settings import ServerSettings, to_environment
from tests.worker.runner.watching.stepped import (
    jobs,
    lay_frames,
    wait_for,
)


def test_a_second_watch_waits_until_the_first_is_gone(places: Places) -> None:
    stop = threading.Event()
    assert not watch_runs(places)
    with alone(lock_file(places), "watch", stop) as first:
        assert first
        assert watch_runs(places)
        stop.set()
        with alone(lock_file(places), "watch", stop) as second:
            assert not second
    assert not watch_runs(places)


def test_where_no_file_can_be_locked_a_watch_works_all_the_same_and_says_so(
    places: Places, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def none(*_: object) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr("nearfar.runner.processes.turn.fcntl.flock", none)
    with alone(places.state / "mending.lock", "mend", threading.Event()) as only:
        assert only
    assert [record.action for record in caplog.records] == ["mend.no-locks"]  # type: ignore[attr-defined]


def test_the_process_takes_a_stack_tells_of_it_and_leaves_when_asked(
    settings: ServerSettings, places: Places, store: Store
) -> None:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("NEARFAR_")}
    process = subprocess.Popen(
        [sys.executable, "-m", "nearfar.runner.watching.process"], env=environment | to_environment(settings)
    )
    try:
        wait_for(lambda: read_state(places).folders)
        assert watch_runs(places)
        lay_frames(places.inbox / "a", "1.tif", "2.tif")
        wait_for(lambda: [entry.job for entry in read_state(places).entries] == [1])
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0
    finally:
        process.kill()
        process.wait()
    assert jobs(store) == [(1, "a", "waiting")]
    assert json.loads((places.state / "inbox.json").read_text())["entries"][0]["stack"] == "a"


def _wait_for_more(store: Store, before: int) -> None:
    wait_for(lambda: len(store.jobs().jobs) > before)


def test_a_watch_killed_in_the_middle_and_started_again_takes_every_stack_once(
    settings: ServerSettings, places: Places, store: Store
) -> None:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("NEARFAR_")} | to_environment(
        settings
    )
    for number in range(12):
        lay_frames(places.inbox / f"{number}", "1.tif", "2.tif", first=10 * number)
    command = [sys.executable, "-m", "nearfar.runner.watching.process"]
    process = subprocess.Popen(command, env=environment)
    _wait_for_more(store, 0)
    process.kill()
    process.wait()
    lay_frames(places.inbox / "late", "1.tif", first=500)
    process = subprocess.Popen(command, env=environment)
    try:
        wait_for(lambda: len(store.jobs().jobs) >= 13)
        wait_for(lambda: len([e for e in read_state(places).entries if e.state == "queued"]) == 13)
    finally:
        process.terminate()
        process.wait()
    found = jobs(store)
    assert len({stack for _, stack, _ in found}) == len(found) == 13
