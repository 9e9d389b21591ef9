"""Connections: what a commit promises, one engine a process, forks, and errors of our own."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
import sqlalchemy as sa

from nearfar.errors import NearfarError, NotFound, StoreError, StoreUnreachable
from nearfar.jobs import JobState, Rules, Store, open_store
from nearfar.jobs import engine as engines
from nearfar.jobs.engine import Tx, engine_for, parse_url
from nearfar.jobs.model import owners
from nearfar.jobs.moves import lock_job
from tests.worker.jobs.making import Clock, submission, submit

pytestmark = pytest.mark.usefixtures("own_engines")


def pragma(conn: sa.Connection, name: str) -> object:
    return conn.exec_driver_sql(f"PRAGMA {name}").scalar_one()


def test_a_commit_in_sqlite_is_on_the_disk_and_readers_stop_nobody(sqlite_url: str) -> None:
    store = open_store(sqlite_url)
    with store.database.engine.connect() as conn:
        assert pragma(conn, "journal_mode") == "wal"
        assert pragma(conn, "synchronous") == 2  # FULL, by SQLite's list of pragmas
        assert pragma(conn, "busy_timeout") == 30_000
        assert pragma(conn, "foreign_keys") == 1


def test_a_new_store_is_for_its_owner_alone(tmp_path: Path) -> None:
    """It holds digests of passwords and secrets of links."""
    store = open_store(f"sqlite:///{tmp_path / 'store.sqlite'}")
    store.server_state()
    modes = {path.name: path.stat().st_mode & 0o777 for path in tmp_path.glob("store.sqlite*")}
    assert modes["store.sqlite"] == 0o600
    assert set(modes.values()) == {0o600}
    engines.dispose(store.database.engine)


def test_the_patience_is_set_before_anything_that_may_have_to_wait(sqlite_url: str) -> None:
    statements: list[str] = []

    class Spy(sqlite3.Connection):
        def cursor(self, *args: object, **kwargs: object) -> sqlite3.Cursor:  # type: ignore[override]
            cursor = super().cursor()
            self.set_trace_callback(statements.append)
            return cursor

    engine = engine_for(parse_url(sqlite_url))
    engine.dispose()
    sa.event.listen(engine, "do_connect", lambda d, r, args, kw: kw.update(factory=Spy))
    with engine.connect():
        pass
    assert [said for said in statements if "=" in said][:3] == [
        "PRAGMA busy_timeout = 30000",
        "PRAGMA journal_mode = WAL",
        "PRAGMA synchronous = FULL",
    ]


def test_a_process_has_one_engine_for_a_store(url: str) -> None:
    first, second = open_store(url), open_store(url)
    assert first.database.engine is second.database.engine
    first.close()
    third = open_store(url)
    assert third.database.engine is not first.database.engine


def test_writers_wait_for_each_other_and_readers_for_nobody(sqlite_url: str) -> None:
    store = open_store(sqlite_url)
    job = submit(store)
    inside, leave = threading.Event(), threading.Event()

    def slow(tx: Tx) -> None:
        lock_job(tx, job)
        inside.set()
        leave.wait(60)

    threads = [threading.Thread(target=store.database.write, args=(slow,))]
    threads[0].start()
    assert inside.wait(60)
    held = threading.Thread(target=store.hold, args=(job,), kwargs={"who": "lena"})
    held.start()
    assert store.job(job).state is JobState.WAITING
    held.join(0.1)
    assert held.is_alive()
    leave.set()
    held.join(60)
    threads[0].join(60)
    assert store.job(job).state is JobState.HELD


def test_reads_see_one_moment(url: str) -> None:
    store = open_store(url)
    job = submit(store)

    def look(tx: Tx) -> tuple[int | None, int | None]:
        count = sa.text("SELECT count(*) FROM jobs")
        before = tx.conn.scalar(count)
        other = threading.Thread(target=lambda: submit(store, stack="beetle"))
        other.start()
        other.join()
        return before, tx.conn.scalar(count)

    assert store.database.read(look) == (job, job)
    assert len(store.jobs().jobs) == 2


def test_a_change_that_fails_half_way_leaves_nothing(store: Store) -> None:
    def half(tx: Tx) -> None:
        tx.conn.execute(owners.insert(), {"name": "half", "created": 0.0})
        raise NotFound("stop here")

    with pytest.raises(NotFound):
        store.database.write(half)
    assert store.owners() == ()


def test_knotted_locks_are_untied_and_the_change_made_again(postgresql_url: str) -> None:
    store = open_store(postgresql_url)
    jobs = [submit(store), submit(store, stack="beetle")]
    both = threading.Barrier(2)
    runs: list[int] = []
    through: list[int] = []

    def crossed(first: int, second: int) -> None:
        def work(tx: Tx) -> None:
            runs.append(first)
            lock_job(tx, first)
            if len(runs) <= 2:
                both.wait(60)
            lock_job(tx, second)

        store.database.write(work)
        through.append(first)

    threads = [threading.Thread(target=crossed, args=pair) for pair in (jobs, jobs[::-1])]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(runs) >= 3, "at least one of the two was made again"
    assert sorted(through) == jobs


def test_a_database_that_is_not_there_is_an_error_of_ours(tmp_path: Path) -> None:
    with pytest.raises(StoreUnreachable, match=r"does not answer: .*ask again") as raised:
        open_store(f"postgresql://nearfar:secret@/jobs?host={tmp_path}")
    assert "secret" not in str(raised.value)
    assert isinstance(raised.value.__cause__, sa.exc.OperationalError)
    assert isinstance(raised.value, NearfarError)


def test_a_file_that_is_no_store_is_refused(tmp_path: Path) -> None:
    (tmp_path / "store.sqlite").write_bytes(b"GIF89a" + bytes(5000))
    with pytest.raises(StoreError, match="file is not a database"):
        open_store(f"sqlite:///{tmp_path}/store.sqlite")


def test_a_full_disk_is_told_and_leaves_the_store_as_it_was(sqlite_url: str) -> None:
    store = open_store(sqlite_url)
    job = submit(store)
    with store.database.engine.connect() as conn:
        pages = pragma(conn, "page_count")
    engine = store.database.engine
    engine.dispose()
    sa.event.listen(engine, "connect", lambda conn, record: conn.execute(f"PRAGMA max_page_count = {pages}"))
    big = submission(settings={"note": "x" * 2_000_000})
    with pytest.raises(StoreUnreachable, match="database or disk is full"):
        store.submit(big, who="lena")
    assert [job.id for job in store.jobs().jobs] == [job]


def test_the_clock_is_the_server_s_on_postgresql_and_can_be_given(postgresql_url: str) -> None:
    assert abs(open_store(postgresql_url).now() - time.time()) < 60
    assert open_store(postgresql_url, clock=Clock()).now() == Clock().now


def test_a_client_that_froze_holds_nobody_up_for_long_on_postgresql(postgresql_url: str) -> None:
    with open_store(postgresql_url).database.engine.connect() as conn:
        assert conn.exec_driver_sql("SHOW idle_in_transaction_session_timeout").scalar_one() == "20s"
        assert conn.exec_driver_sql("SHOW lock_timeout").scalar_one() == "10s"


def test_without_a_driver_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(StoreError, match=r"install nearfar\[postgres\]"):
        open_store("postgresql://nearfar@/jobs")


FORK = """
import os, sys, threading
from nearfar.jobs import engine, open_store
from tests.worker.jobs.making import submit
store = open_store(sys.argv[1])
submit(store)
pool = store.database.engine.pool
child = os.fork()
if child == 0:
    assert store.database.engine.pool is not pool, "the parent's connections"
    assert engine._inherited == [pool]
    submit(store, stack="of the child")
    store.close()
    os._exit(0)
assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
submit(store, stack="of the parent")
print(*(job.stack for job in store.jobs().jobs), sep=", ")
"""


def test_a_forked_process_makes_connections_of_its_own(url: str, checkout: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", FORK, url],
        cwd=checkout,
        env=os.environ | {"PYTHONWARNINGS": "error"},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "of the parent, of the child, moss"


def test_rules_have_the_values_that_the_documents_give() -> None:
    rules = Rules()
    assert (rules.lease, rules.attempts) == (60.0, 3)
    assert engines.BUSY == 30.0
