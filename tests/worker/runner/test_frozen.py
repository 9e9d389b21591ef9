"""A process that was stopped in the middle of a write: who it is, and what becomes of it."""

from __future__ import annotations

import json
import logging
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from nearfar.jobs import Store
from nearfar.places import Places
from nearfar.runner.frozen import FrozenWriters, writer
from nearfar.runner.processes import here
from tests.worker.runner.serving import wait_for

WRITES = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN IMMEDIATE")
print("writes", flush=True)
sys.stdin.readline()
connection.execute("COMMIT")
print("wrote", flush=True)
sys.stdin.readline()
"""


@pytest.fixture
def file(places: Places, store: Store) -> Path:
    assert store.now() > 0
    return Path(str(sa.make_url(places.store_url).database))


@pytest.fixture
def writing(file: Path) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-c", WRITES, str(file)]
    process = subprocess.Popen(command, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stdout.readline() == "writes\n"
    yield process
    process.kill()
    process.communicate()


def stop(process: subprocess.Popen[str]) -> None:
    process.send_signal(signal.SIGSTOP)
    wait_for(lambda: here.stopped(process.pid))


def go_on(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("\n")
    process.stdin.flush()
    assert process.stdout is not None
    assert process.stdout.readline() == "wrote\n"


def test_who_writes_is_seen_as_long_as_it_does(file: Path, writing: subprocess.Popen[str]) -> None:
    assert writer(file) == writing.pid
    go_on(writing)
    assert writer(file) is None


def test_only_the_lock_of_writers_at_this_file_counts(file: Path, tmp_path: Path) -> None:
    inode = Path(f"{file}-shm").stat().st_ino
    lines = [
        f"1: POSIX  ADVISORY  READ 11 fe:00:{inode} 120 120",
        f"2: POSIX  ADVISORY  WRITE 12 fe:00:{inode} 121 127",
        f"3: POSIX  ADVISORY  WRITE 13 fe:00:{inode + 1} 120 120",
        f"4: OFDLCK ADVISORY  WRITE -1 fe:00:{inode} 120 120",
        f"4: -> POSIX  ADVISORY  WRITE 14 fe:00:{inode} 120 120",
        f"5: POSIX  ADVISORY  WRITE 0 fe:00:{inode} 120 120",
    ]
    locks = tmp_path / "locks"
    locks.write_text("\n".join(lines))
    assert writer(file, locks) is None
    locks.write_text("\n".join([*lines, f"6: POSIX  ADVISORY  WRITE 15 fe:00:{inode} 0 EOF"]))
    assert writer(file, locks) == 15
    assert writer(file, tmp_path / "none") is None


def test_one_of_ours_is_ended_once_it_was_stopped_for_long(
    places: Places, store: Store, file: Path, writing: subprocess.Popen[str]
) -> None:
    places.state.mkdir(parents=True, exist_ok=True)
    (places.state / "processes.json").write_text(
        json.dumps({"api": {"pid": writing.pid}, "keep": {"pid": None}})
    )
    looks = FrozenWriters(places, store, patience=10.0)
    for now in (0.0, 100.0):  # it is at work
        looks.look(file, now)
    stop(writing)
    looks.look(file, 200.0)
    looks.look(file, 209.0)
    writing.send_signal(signal.SIGCONT)
    wait_for(lambda: not here.stopped(writing.pid))
    looks.look(file, 212.0)
    stop(writing)
    looks.look(file, 213.0)
    assert writing.poll() is None
    looks.look(file, 223.0)
    assert writing.wait(60) == -signal.SIGKILL
    assert writer(file) is None


def test_a_process_of_somebody_else_is_told_once_and_left_alone(
    places: Places,
    store: Store,
    file: Path,
    writing: subprocess.Popen[str],
    caplog: pytest.LogCaptureFixture,
) -> None:
    looks = FrozenWriters(places, store, patience=10.0)
    stop(writing)
    with caplog.at_level(logging.ERROR):
        for now in (0.0, 11.0, 22.0):
            looks.look(file, now)
    said = [record.getMessage() for record in caplog.records]
    assert len(said) == 1
    assert f"kill -CONT {writing.pid}" in said[0]
    assert str(file) in said[0]
    writing.send_signal(signal.SIGCONT)
    go_on(writing)
