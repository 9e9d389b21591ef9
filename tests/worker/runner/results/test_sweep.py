"""What is cleared away and, more important, what is not."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from nearfar.errors import NotFound
from nearfar.jobs import Claim, JobState, Rules, Store, Transfers
from nearfar.jobs.engine import Database
from nearfar.jobs.transfers.transfers import Kind
from nearfar.places import Places
from nearfar.runner.results import sweep
from nearfar.runner.results.remove import GOING
from nearfar.runner.results.sweep import DAY, Sweeper
from nearfar.server_settings import KeepTable
from tests.worker.jobs.making import Clock, must_claim, submission, submit, work_off


@pytest.fixture
def clock() -> Clock:
    made = Clock()
    made.now = 1_800_000_000.0
    return made


@pytest.fixture
def timed(store: Store, clock: Clock) -> Store:
    return Store(Database(store.database.engine, rules=Rules(retry_after=0.0), clock=clock))


@pytest.fixture
def sweeper(timed: Store, places: Places, clock: Clock) -> Callable[..., Sweeper]:
    def make(**keep: float) -> Sweeper:
        return Sweeper(store=timed, places=places, keep=KeepTable.model_validate(keep), now=clock)

    return make


def fill(folder: Path, *names: str, age: float = 0.0, now: float = 1_800_000_000.0) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name in names or ("a.rows",):
        (folder / name).write_text(name)
        os.utime(folder / name, (now - age, now - age))
    os.utime(folder, (now - age, now - age))
    return folder


def end(store: Store, state: JobState) -> int:
    job = submit(store)
    if state is JobState.DONE:
        work_off(store)
    elif state is JobState.FAILED:
        store.fail(must_claim(store), cause="input", reason="cannot be read", retry=False)
    else:
        store.cancel(job, who="tester")
    assert store.job(job).state is state
    return job


def go_round(keeper: Sweeper) -> None:
    keeper.soon()
    keeper.later()


ENDS = [JobState.DONE, JobState.FAILED, JobState.CANCELLED]


@pytest.mark.parametrize("state", ENDS)
def test_decoded_frames_go_after_every_end(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], state: JobState
) -> None:
    rows = fill(places.scratch / str(end(timed, state)))
    sweeper().soon()
    assert not rows.exists()


@pytest.mark.parametrize("state", ENDS)
def test_nothing_goes_while_a_worker_still_has_a_unit(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], state: JobState
) -> None:
    job = submit(timed)
    held = [must_claim(timed, "w1")]
    if state is JobState.FAILED:
        timed.fail(must_claim(timed, "w2"), cause="input", reason="cannot be read", retry=False)
    elif state is JobState.CANCELLED:
        timed.cancel(job, who="tester")
    folders = [fill(places.scratch / str(job)), fill(places.work / str(job))]
    go_round(sweeper())
    assert all(folder.exists() for folder in folders)
    if state is not JobState.DONE:
        timed.hand_back(held[0])
        go_round(sweeper())
        assert not any(folder.exists() for folder in folders)


def test_what_was_made_on_the_way_stays_for_its_time_after_success_only(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], clock: Clock
) -> None:
    done, failed, cancelled = (fill(places.work / str(end(timed, state))) for state in ENDS)
    keeper = sweeper(work=7)
    go_round(keeper)
    assert [folder.exists() for folder in (done, failed, cancelled)] == [True, False, False]
    clock.forward(6.9 * DAY)
    go_round(keeper)
    assert done.exists()
    clock.forward(0.2 * DAY)
    go_round(keeper)
    assert not done.exists()


def test_nought_days_keep_for_ever(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], clock: Clock
) -> None:
    job = end(timed, JobState.DONE)
    kept = [fill(places.work / str(job)), fill(places.uploads / str(job), "F0001.tif")]
    clock.forward(10_000 * DAY)
    go_round(sweeper(work=0, uploads=0, jobs=0, results=0, trail=0))
    assert all(folder.exists() for folder in kept)
    assert timed.job(job).state is JobState.DONE


def test_a_folder_is_kept_while_a_job_made_from_its_first_one_needs_it(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], clock: Clock
) -> None:
    first = end(timed, JobState.DONE)
    second = timed.submit_again(first, submission(recipe="fine"), who="tester").job
    work_off(timed)
    clock.forward(8 * DAY)
    third = timed.submit_again(second, submission(recipe="finer"), who="tester").job
    folders = [
        fill(places.work / str(first)),
        fill(places.scratch / str(first)),
        fill(places.uploads / str(first)),
    ]
    keeper = sweeper(work=7, uploads=7)
    go_round(keeper)
    assert all(folder.exists() for folder in folders)
    work_off(timed)
    assert timed.job(third).state is JobState.DONE
    keeper.soon()
    assert [folder.exists() for folder in folders] == [True, False, True]
    clock.forward(8 * DAY)
    go_round(keeper)
    assert not any(folder.exists() for folder in folders)


def test_uploads_stay_until_their_time_is_over_and_those_of_failed_jobs_as_long_as_the_record(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], clock: Clock
) -> None:
    done, failed = end(timed, JobState.DONE), end(timed, JobState.FAILED)
    uploads = [fill(places.uploads / str(job), "F0001.tif") for job in (done, failed)]
    keeper = sweeper(uploads=2, jobs=30)
    go_round(keeper)
    clock.forward(3 * DAY)
    go_round(keeper)
    assert [folder.exists() for folder in uploads] == [False, True]
    clock.forward(28 * DAY)
    go_round(keeper)
    assert not uploads[1].exists()
    with pytest.raises(NotFound):
        timed.job(failed)


def test_uploads_that_the_store_does_not_know_stay_where_records_are_kept_for_ever(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], clock: Clock
) -> None:
    """A store that was put in place of another one knows nothing of frames that may be the only copies."""
    stray = fill(places.uploads / "3", "F0001.tif")
    for _ in range(5):
        end(timed, JobState.DONE)
    (places.uploads / "900").mkdir()
    clock.forward(5000 * DAY)
    timed.run_again(end(timed, JobState.FAILED), who="tester")
    for keep in ({"jobs": 0.0}, {"jobs": 6000.0}):
        go_round(sweeper(uploads=0, **keep))
        assert stray.exists()
    assert (places.uploads / "900").exists()


@pytest.mark.parametrize("held", [True, False])
def test_a_result_half_made_stays_only_while_its_token_is_held(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], held: bool
) -> None:
    claim: Claim = (submit(timed), must_claim(timed))[1]
    making = places.results / ".making"
    mine = fill(making / f"{claim.job}-{claim.token}", "moss.tif")
    older = fill(making / f"{claim.job}-{claim.token + 4}")
    gone = fill(making / "4711-1")
    odd = fill(making / "somebody's")
    if not held:
        timed.hand_back(claim)
    sweeper().soon()
    assert mine.exists() == held
    assert not older.exists()
    assert not gone.exists()
    assert odd.exists()


def test_half_written_files_of_dead_workers_go_and_those_of_living_ones_stay(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], monkeypatch: pytest.MonkeyPatch
) -> None:
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    job = submit(timed)
    must_claim(timed)
    host = socket.gethostname().replace("-", "_").replace(".", "_")
    names = {
        "dead": f"k.survey.{host}-{dead.pid}-u3t1-a1b2c3.part",
        "alive": f"k.survey.{host}-{os.getpid()}-u3t1-a1b2c3.part",
        "elsewhere": f"k.survey.other_host-{dead.pid}-u3t1-a1b2c3.part",
        "output": "k.survey",
        "odd": "k.part",
    }
    for base in (places.work, places.scratch):
        fill(base / str(job), *names.values(), now=1_000_000_000.0)
    monkeypatch.setattr(time, "time", lambda: 1_000_000_000.0 + 2 * sweep.QUIET)
    go_round(sweeper())
    for base in (places.work, places.scratch):
        left = {path.name for path in (base / str(job)).iterdir()}
        assert left == {names["alive"], names["elsewhere"], names["output"], names["odd"]}


def test_what_the_holder_of_a_unit_writes_stays_however_old_it_looks(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The clock of a share was 400 days behind: all files in the making went, and each unit failed until it was given up."""
    job = submit(timed)
    claim = must_claim(timed)
    mine = f"k.map.other_host-77-u{claim.unit}t{claim.token}-a1b2c3.part"
    lost = f"k.map.other_host-77-u{claim.unit}t{claim.token + 7}-a1b2c3.part"
    for base in (places.work, places.scratch):
        fill(base / str(job), mine, lost, now=1_000_000_000.0)
    monkeypatch.setattr(time, "time", lambda: 1_000_000_000.0 + 400 * DAY)
    go_round(sweeper())
    folders = (places.work / str(job), places.scratch / str(job))
    assert [[path.name for path in folder.iterdir()] for folder in folders] == [[mine], [mine]]
    timed.hand_back(claim)
    go_round(sweeper())
    assert not any(path for folder in folders if folder.exists() for path in folder.iterdir())


# Results


def result(places: Places, name: str, job: int, *, age: float, now: float) -> Path:
    folder = fill(places.results / name, f"{name}.tif", f"{name}.preview.jpg", age=age, now=now)
    report = {"format": "nearfar-report/1", "job": {"id": job, "run": 1, "key": "k"}}
    (folder / f"{name}.report.json").write_text(json.dumps(report))
    for path in (folder / f"{name}.report.json", folder):
        os.utime(path, (now - age, now - age))
    return folder


def test_results_go_after_their_time_and_nothing_else_in_that_folder(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], clock: Clock
) -> None:
    job = end(timed, JobState.DONE)
    clock.forward(31 * DAY)
    old = result(places, "moss", job, age=31 * DAY, now=clock.now)
    fresh = result(places, "fern", job, age=DAY, now=clock.now)
    unknown = result(places, "bark", 900, age=31 * DAY, now=clock.now)
    mixed = result(places, "leaf", job, age=31 * DAY, now=clock.now)
    fill(mixed, "leaf.tif", "my own notes.txt", age=DAY, now=clock.now)
    os.utime(mixed, (clock.now - 31 * DAY,) * 2)
    strange = fill(places.results / "holiday", "beach.tif", age=99 * DAY, now=clock.now)
    go_round(sweeper(results=0))
    assert all(folder.exists() for folder in (old, fresh, unknown, mixed, strange))
    go_round(sweeper(results=30))
    assert [folder.exists() for folder in (old, fresh, unknown, mixed, strange)] == [
        False,
        True,
        False,
        True,
        True,
    ]
    assert sorted(path.name for path in mixed.iterdir()) == ["leaf.tif", "my own notes.txt"]
    assert (strange / "beach.tif").exists()


# Disk space


def test_where_space_is_short_the_oldest_go_first_and_only_what_can_be_made_again(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], clock: Clock
) -> None:
    folders = []
    for _ in range(4):
        job = end(timed, JobState.DONE)
        folders.append(fill(places.work / str(job)))
        fill(places.uploads / str(job))
        clock.forward(60)
    running = submit(timed)
    must_claim(timed)
    busy = fill(places.work / str(running))
    kept = result(places, "moss", 1, age=0, now=clock.now)
    assert sweeper().make_room(lambda: sum(folder.exists() for folder in folders) > 2) == 2
    assert [folder.exists() for folder in folders] == [False, False, True, True]
    assert sweeper().make_room(lambda: True) == 2
    assert busy.exists()
    assert kept.exists()
    assert len(list(places.uploads.iterdir())) == 4


# Never anything else


def test_links_are_never_followed(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], tmp_path: Path, clock: Clock
) -> None:
    precious = fill(tmp_path / "precious", "F0001.tif")
    jobs = [end(timed, JobState.CANCELLED) for _ in range(2)]
    (places.work / str(jobs[0])).symlink_to(precious)
    (places.scratch / str(jobs[0])).symlink_to(precious)
    inside = fill(places.work / str(jobs[1]))
    (inside / "link").symlink_to(precious)
    (inside / "file").symlink_to(precious / "F0001.tif")
    clock.forward(9 * DAY)
    keeper = sweeper(work=1, results=1)
    (places.results / "moss").symlink_to(precious)
    go_round(keeper)
    keeper.make_room(lambda: True)
    assert not inside.exists()
    assert (places.work / str(jobs[0])).is_symlink()
    assert (precious / "F0001.tif").read_text() == "F0001.tif"


def test_names_that_are_no_numbers_of_jobs_are_left_alone(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], clock: Clock
) -> None:
    names = ["notes", "1.old", "-1", "٣", "9" * 40, ".hidden", "1 "]
    kept = [fill(base / name) for base in (places.work, places.scratch, places.uploads) for name in names]
    loose = places.work / "12"
    loose.write_text("a file")
    clock.forward(999 * DAY)
    keeper = sweeper(work=1, uploads=1, jobs=1, results=1)
    go_round(keeper)
    keeper.make_room(lambda: True)
    assert all(folder.exists() for folder in kept)
    assert loose.exists()


def test_a_result_stays_until_it_is_in_its_bucket(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], clock: Clock
) -> None:
    job = end(timed, JobState.DONE)
    with timed.database.engine.begin() as conn:
        conn.exec_driver_sql(f"UPDATE jobs SET result = '/results/moss/moss.tif' WHERE id = {job}")
    transfers = Transfers(timed)
    transfers.deliver_again(job, "s3://shoots/merged/", who="lena")
    clock.forward(31 * DAY)
    kept = result(places, "moss", job, age=31 * DAY, now=clock.now)
    go_round(sweeper(results=30))
    assert kept.exists()
    taken = transfers.take(Kind.DELIVER)
    assert taken is not None
    transfers.done(taken)
    go_round(sweeper(results=30))
    assert not kept.exists()


def test_inbox_and_results_are_never_touched_by_default(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], clock: Clock
) -> None:
    job = end(timed, JobState.DONE)
    kept = [fill(places.inbox / "moss", "F0001.tif"), result(places, "moss", job, age=0, now=clock.now)]
    before = {path: path.lstat() for folder in kept for path in folder.iterdir()}
    clock.forward(99_999 * DAY)
    keeper = sweeper()
    go_round(keeper)
    keeper.make_room(lambda: True)
    assert {path: path.lstat() for path in before} == before


def test_a_removal_that_was_cut_short_is_finished(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper]
) -> None:
    left = [fill(base / f"{GOING}abc") for base in (places.work, places.scratch)]
    left.append(fill(places.results / ".making" / f"{GOING}abc"))
    go_round(sweeper())
    assert not any(folder.exists() for folder in left)


def test_the_trail_and_notes_about_processes_have_an_end(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], clock: Clock
) -> None:
    end(timed, JobState.DONE)
    note = fill(places.state / "ended", "vm_1-2.json", now=1_000_000_000.0)
    clock.forward(366 * DAY)
    go_round(sweeper())
    assert timed.events() == ()
    assert list(note.iterdir()) == []


def test_many_jobs_cost_no_question_each_round(
    timed: Store, places: Places, sweeper: Callable[..., Sweeper], monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(5):
        fill(places.work / str(end(timed, JobState.DONE)))
    keeper = sweeper()
    go_round(keeper)
    asked: list[Any] = []
    monkeypatch.setattr(timed, "job", asked.append)
    go_round(keeper)
    assert asked == []
