"""The process that keeps the server running: each of its duties, whatever becomes of the others."""

from __future__ import annotations

import json
import logging
import os
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from nearfar.errors import StoreUnreachable
from nearfar.jobs import JobState, Store
from nearfar.places import Places
from nearfar.runner import keep, opening
from nearfar.runner.disk import read_disk
from nearfar.runner.processes import child, here, logs
from nearfar.runner.results.sweep import Sweeper
from nearfar.server_settings import ServerSettings
from tests.worker.jobs.making import submit, surveys, work_off
from tests.worker.runner.serving import PATH, store_of, wait_for


@pytest.fixture
def keeping(settings: ServerSettings, places: Places, store: Store) -> Iterator[None]:
    stop = threading.Event()
    thread = threading.Thread(target=keep.run, args=(settings, places, store, stop))
    thread.start()
    yield
    stop.set()
    thread.join(60)
    assert not thread.is_alive()


@pytest.mark.usefixtures("keeping")
def test_what_waits_without_a_hint_gets_one(places: Places, store: Store) -> None:
    store.register(
        "elsewhere/1-1", host="elsewhere", pid=1, version="1", slots=2, memory=1 << 30, disk=1 << 30
    )
    job = submit(store, units=surveys(3))
    wait_for(lambda: len(list(places.hints.glob("*.msg"))) == 2)
    for message in places.hints.glob("*.msg"):
        message.unlink()
    wait_for(lambda: len(list(places.hints.glob("*.msg"))) == 2)
    assert len(store.units(job)) == 3


@pytest.mark.usefixtures("keeping")
def test_a_worker_that_died_is_noticed_and_its_scratch_goes_with_the_job(
    places: Places, store: Store
) -> None:
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    name = f"{here.host()}/{dead.pid}-1"
    store.register(name, host=here.host(), pid=dead.pid, version="1", slots=1, memory=1, disk=1)
    job = submit(store)
    assert store.claim(name) is not None
    (places.scratch / str(job)).mkdir()
    wait_for(lambda: not store.workers(alive=True))
    store.cancel(job, who="tester")
    wait_for(lambda: not (places.scratch / str(job)).exists())


@pytest.mark.usefixtures("keeping")
def test_a_full_disk_is_told_of_and_what_can_be_made_again_goes(
    places: Places, store: Store, settings: ServerSettings
) -> None:
    job = submit(store)
    work_off(store)
    assert store.job(job).state is JobState.DONE
    (places.work / str(job)).mkdir()
    worker = settings.worker.model_copy(update={"spare_disk": 1 << 60})
    full = settings.model_copy(update={"worker": worker})
    stop = threading.Event()
    second = threading.Thread(target=keep.run, args=(full, places, store, stop))
    second.start()
    wait_for(lambda: not (places.work / str(job)).exists())
    stop.set()
    second.join()


def test_one_duty_that_fails_keeps_no_other_from_being_done(
    settings: ServerSettings,
    places: Places,
    store: Store,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    done = threading.Event()

    def away(self: Sweeper) -> None:
        raise StoreUnreachable("the job store does not answer")

    def mistake(self: Sweeper) -> None:
        done.set()
        raise ZeroDivisionError

    expected = {"the job store does not answer", "a mistake in Nearfar"}
    monkeypatch.setattr(Sweeper, "soon", away)
    monkeypatch.setattr(Sweeper, "later", mistake)
    stop = threading.Event()
    thread = threading.Thread(target=keep.run, args=(settings, places, store, stop))
    with caplog.at_level(logging.WARNING):
        thread.start()
        wait_for(done.is_set)
        wait_for(lambda: (places.state / "disk.json").exists())
        wait_for(lambda: expected <= {record.getMessage() for record in caplog.records})
        stop.set()
        thread.join(60)
    assert not read_disk(places).low


@pytest.mark.usefixtures("places")
def test_a_store_that_does_not_answer_yet_is_asked_again(
    settings: ServerSettings,
    places: Places,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    answers: list[Store | None] = [None, None, store_of(settings)]
    waited: list[bool] = []

    def ask(*_: object) -> Store:
        answer = answers.pop(0)
        if answer is None:
            raise StoreUnreachable("the job store does not answer")
        return answer

    monkeypatch.setattr(opening, "open_by", ask)
    monkeypatch.setattr(opening, "RETRY", 0.01)
    found = opening.open_when_there(
        settings, places, leaving=lambda: False, waiting=lambda: waited.append(True)
    )
    assert found is not None
    found.close()
    assert len(waited) == 2
    told = [record for record in caplog.records if record.name == opening.log.name]
    assert len(told) == 1, "it is told of once"


def test_whoever_is_to_leave_waits_for_no_store(settings: ServerSettings, places: Places) -> None:
    assert opening.open_when_there(settings, places, leaving=lambda: True, waiting=lambda: None) is None


# Children and logs


def test_a_child_ends_with_the_process_that_started_it(tmp_path: Path) -> None:
    (tmp_path / "sleeper.py").write_text(
        "import os, time\ndef main():\n    print(os.getpid(), flush=True)\n    time.sleep(600)\n"
    )
    program = (
        "import subprocess, time; from nearfar.runner.processes import child; "
        "subprocess.Popen(child.command('sleeper')); time.sleep(600)"
    )
    environment = {**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{PATH}"}
    parent = subprocess.Popen([sys.executable, "-c", program], env=environment, stdout=subprocess.PIPE)
    assert parent.stdout is not None
    pid = int(parent.stdout.readline())
    assert here.started(pid)
    parent.kill()
    parent.wait()
    wait_for(lambda: here.started(pid) is None)
    parent.stdout.close()


def test_a_child_whose_parent_is_gone_already_does_not_begin() -> None:
    line = [*child.command("this")[:-1], "1"]  # process 1 is not its parent
    done = subprocess.run(line, env={**os.environ, "PYTHONPATH": PATH}, capture_output=True, timeout=60)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


@pytest.fixture
def record() -> logging.LogRecord:
    made = logging.LogRecord("nearfar.x", logging.WARNING, __file__, 1, "line %d\nand more", (1,), None)
    made.__dict__.update(job=7, unit=3, worker="bench/1-2")
    return made


def test_a_line_of_the_log_says_when_who_what_and_about_what(record: logging.LogRecord) -> None:
    line = logs.Plain("work").format(record)
    assert re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d work: warning: line 1", line)
    assert line.endswith("[job=7 unit=3 worker=bench/1-2]")


def test_as_json_it_is_one_object_on_one_line(record: logging.LogRecord) -> None:
    try:
        raise ValueError("why")
    except ValueError:
        record.exc_info = sys.exc_info()
    line = logs.Json("work").format(record)
    assert "\n" not in line
    told = json.loads(line)
    assert (told["process"], told["level"], told["job"], told["worker"]) == (
        "work",
        "warning",
        7,
        "bench/1-2",
    )
    assert "ValueError: why" in told["trace"]
