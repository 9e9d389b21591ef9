"""Copies of a store in use, and stores made from copies."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import pytest

from nearfar.errors import LostClaim, StoreError
from nearfar.jobs import JobState, People, ServerState, Store, UnitState, open_store, restore
from nearfar.jobs.folder import folder_of, tie
from tests.worker.jobs.making import Clock, must_claim, submit, work_off


@pytest.fixture
def store(sqlite_url: str, clock: Clock) -> Store:
    return open_store(sqlite_url, clock=clock, host="bench")


def restored(copy: Path, folder: Path, clock: Clock) -> Store:
    target = folder / "restored.sqlite"
    restore(copy, target)
    return open_store(f"sqlite:///{target}", clock=clock, host="attic")


def test_a_copy_holds_the_store_in_one_sound_file(store: Store, tmp_path: Path) -> None:
    job = submit(store)
    copy = tmp_path / "copy.sqlite"
    store.copy(copy)
    assert sorted(path.name for path in tmp_path.glob("*copy*")) == ["copy.sqlite"]
    with sqlite3.connect(copy) as conn:
        assert conn.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert conn.execute("SELECT id, stack FROM jobs").fetchall() == [(job, "moss")]
    conn.close()


def test_a_copy_made_while_others_write_is_one_moment(store: Store, tmp_path: Path) -> None:
    stop = threading.Event()
    errors: list[BaseException] = []

    def busy() -> None:
        try:
            while not stop.is_set():
                submit(store)
        except BaseException as error:
            errors.append(error)

    thread = threading.Thread(target=busy)
    thread.start()
    try:
        for k in range(3):
            store.copy(tmp_path / f"copy{k}.sqlite")
    finally:
        stop.set()
        thread.join()
    assert errors == []
    for k in range(3):
        with sqlite3.connect(tmp_path / f"copy{k}.sqlite") as conn:
            jobs, units, frames = (
                conn.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
                for table in ("jobs", "units", "frames")
            )
        conn.close()
        assert (units, frames) == (3 * jobs, 8 * jobs)


def test_a_restored_store_goes_on_where_the_copy_was_made(store: Store, tmp_path: Path, clock: Clock) -> None:
    finished = submit(store)
    work_off(store)
    running, held, cancelled = submit(store), submit(store, stack="fern"), submit(store, stack="beetle")
    old = must_claim(store)
    for job in (held, cancelled):
        store.set_priority(job, 9, who="lena")
        must_claim(store)
    store.hold(held, who="lena")
    store.cancel(cancelled, who="lena")
    store.copy(tmp_path / "copy.sqlite")
    again = restored(tmp_path / "copy.sqlite", tmp_path, clock)
    states = {job.id: job.state for job in again.jobs().jobs}
    assert states == {
        finished: JobState.DONE,
        running: JobState.RUNNING,
        held: JobState.HELD,
        cancelled: JobState.CANCELLED,
    }
    unit = next(unit for unit in again.units(running) if unit.id == old.unit)
    assert (unit.state, unit.attempts, unit.worker) == (UnitState.READY, 0, None)
    assert UnitState.HELD not in {unit.state for job in states for unit in again.units(job)}
    assert again.at_rest(cancelled)
    work_off(again)
    assert again.job(running).state is JobState.DONE
    assert "store.restored" in {event.action for event in again.events()}


def test_nothing_given_out_after_the_copy_is_given_out_again(
    store: Store, tmp_path: Path, clock: Clock
) -> None:
    submit(store)
    store.copy(tmp_path / "copy.sqlite")
    tokens = set()
    for _ in range(3):
        claim = must_claim(store)
        tokens.add((claim.unit, claim.token))
        store.hand_back(claim)
    later = submit(store, stack="after the copy")
    again = restored(tmp_path / "copy.sqlite", tmp_path, clock)
    claim = must_claim(again)
    assert claim.token > max(token for _, token in tokens)
    assert submit(again) > later
    restoring = next(event for event in again.events() if event.action == "store.restored")
    assert restoring.id > store.last_event()
    with pytest.raises(LostClaim):
        again.finish(must_claim(store))


def test_a_restored_store_belongs_to_no_folder_yet_and_its_old_links_stay_ended(
    store: Store, sqlite_url: str, tmp_path: Path, clock: Clock
) -> None:
    people = People(store)
    old = {name: people.secret(name) for name in ("links", "cookies")}
    tie(store, "the mark of the old folder")
    store.set_server_state(ServerState.PAUSED, who="lena")
    store.copy(tmp_path / "copy.sqlite")
    again = restored(tmp_path / "copy.sqlite", tmp_path, clock)
    assert folder_of(again) is None
    assert tie(again, "the mark of the new folder") == "the mark of the new folder"
    assert folder_of(store) == "the mark of the old folder"
    assert {name: people.secret(name) for name in old} == old
    fresh = People(again)
    assert all(fresh.secret(name) != value for name, value in old.items())
    assert again.server_state() is ServerState.PAUSED, "nothing else that is known of the server is lost"


def test_what_exists_is_never_written_over(store: Store, tmp_path: Path) -> None:
    target = tmp_path / "precious"
    target.write_text("mine")
    with pytest.raises(StoreError, match="precious exists; name a file that does not"):
        store.copy(target)
    store.copy(tmp_path / "copy.sqlite")
    with pytest.raises(StoreError, match="precious exists; move the old store away"):
        restore(tmp_path / "copy.sqlite", target)
    log = tmp_path / "other.sqlite-wal"
    log.write_text("left over")
    with pytest.raises(StoreError, match="other.sqlite-wal exists"):
        restore(tmp_path / "copy.sqlite", tmp_path / "other.sqlite")
    assert (target.read_text(), log.read_text()) == ("mine", "left over")


def test_a_copy_that_cannot_be_written_leaves_nothing(store: Store, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be copied"):
        store.copy(tmp_path / "no such folder" / "copy.sqlite")
    assert list(tmp_path.glob(".nearfar-*")) == []


@pytest.mark.parametrize("damage", ["cut", "bytes", "no store", "missing", "newer"])
def test_a_copy_that_is_not_sound_is_refused(store: Store, tmp_path: Path, damage: str) -> None:
    for k in range(40):
        submit(store, stack=f"stack {k}")
    copy = tmp_path / "copy.sqlite"
    store.copy(copy)
    data = bytearray(copy.read_bytes())
    if damage == "cut":
        copy.write_bytes(data[: len(data) // 2])
    elif damage == "bytes":
        for at in range(8192, len(data), 4096):
            data[at : at + 64] = b"\xff" * 64
        copy.write_bytes(data)
    elif damage == "no store":
        copy.unlink()
        with sqlite3.connect(copy) as conn:
            conn.execute("CREATE TABLE songs (name)")
        conn.close()
    elif damage == "newer":
        with sqlite3.connect(copy) as conn:
            conn.execute("UPDATE alembic_version SET version_num = '9999'")
        conn.close()
    else:
        copy.unlink()
    with pytest.raises(StoreError):
        restore(copy, tmp_path / "restored.sqlite")
    assert not (tmp_path / "restored.sqlite").exists()
    assert list(tmp_path.glob(".nearfar-*")) == []


def test_postgresql_is_copied_by_its_own_tools(postgresql_url: str, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="use pg_dump and pg_restore"):
        open_store(postgresql_url).copy(tmp_path / "copy")
