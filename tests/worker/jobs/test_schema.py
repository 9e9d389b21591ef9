"""Migrations: from the first tables with jobs in flight to today's, which are those of the model."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from nearfar.errors import StoreError
from nearfar.jobs import JobState, Store, UnitKind, UnitState, open_store, order, schema
from nearfar.jobs.engine import Tx, dispose, engine_for, parse_url
from nearfar.jobs.model import metadata
from tests.worker.jobs.making import START, Clock, must_claim, submit, work_off


@pytest.fixture(params=["sqlite", "postgresql"])
def empty(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[str], sa.Engine]]:
    """Engines of databases without any tables, by a name."""
    made: list[sa.Engine] = []

    def make(name: str) -> sa.Engine:
        if request.param == "sqlite":
            url = f"sqlite:///{tmp_path}/{name}.sqlite"
        else:
            server = request.getfixturevalue("postgresql_server")
            with (
                engine_for(parse_url(server))
                .connect()
                .execution_options(isolation_level="AUTOCOMMIT") as conn
            ):
                conn.exec_driver_sql(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
                conn.exec_driver_sql(f"CREATE DATABASE {name}")
            url = server.replace("/postgres?", f"/{name}?")
        made.append(engine_for(parse_url(url)))
        return made[-1]

    yield make
    for engine in made:
        dispose(engine)


def opened(engine: sa.Engine, clock: Clock) -> Store:
    return open_store(engine.url.render_as_string(hide_password=False), clock=clock, host="bench")


JOBS: list[tuple[JobState, list[UnitState]]] = [
    (JobState.WAITING, [UnitState.READY, UnitState.READY, UnitState.WAITING]),
    (JobState.RUNNING, [UnitState.DONE, UnitState.HELD, UnitState.WAITING]),
    (JobState.HELD, [UnitState.DONE, UnitState.WAITING, UnitState.WAITING]),
    (JobState.DONE, [UnitState.DONE, UnitState.DONE, UnitState.DONE]),
    (JobState.FAILED, [UnitState.DONE, UnitState.FAILED, UnitState.CANCELLED]),
    (JobState.CANCELLED, [UnitState.CANCELLED, UnitState.HELD, UnitState.CANCELLED]),
]
"""A job in every state, with units in every state."""


def fill_first(conn: sa.Connection) -> None:
    """Put jobs in flight into the tables of the first revision."""
    first = sa.MetaData()
    first.reflect(conn)
    table = first.tables
    conn.execute(table["owners"].insert(), {"name": "studio", "created": START})
    for number, (state, units) in enumerate(JOBS, start=1):
        conn.execute(
            table["jobs"].insert(),
            {
                "stack": f"stack {number}",
                "owner": "studio",
                "sources": [f"/inbox/{number}"],
                "recipe": "standard",
                "settings": {},
                "priority": number % 3 - 1,
                "state": state,
                "weights": {"survey": 20.0, "deliver": 5.0},
                "created": START + number,
                "updated": START + number,
            },
        )
        frames = [
            {"job": number, "position": k, "path": f"/inbox/{number}/{k}.tif", "state": "present"}
            for k in range(8)
        ]
        conn.execute(table["frames"].insert(), frames)
        for k, unit in enumerate(units):
            _fill_unit(conn, table, number, k, unit)
    event = {"at": START, "who": "lena", "action": "job.held", "job": 3, "detail": {}}
    conn.execute(table["events"].insert(), event)


def _fill_unit(conn: sa.Connection, table: Any, job: int, k: int, state: UnitState) -> None:
    kind = UnitKind.DELIVER if k == 2 else UnitKind.SURVEY
    held = state is UnitState.HELD
    begun = held or state in {UnitState.DONE, UnitState.FAILED}
    start = 0 if kind is UnitKind.DELIVER else 4 * k
    unit = {"job": job, "kind": kind, "stage": kind.stage, "start": start, "stop": start + 4, "weight": 10.0}
    unit |= {"state": state, "limit": 600.0, "token": 3 if begun else 0, "attempts": 2 if begun else 0}
    unit |= (
        {"worker": "w1", "started": START, "lease_until": START + 60, "deadline": START + 600} if held else {}
    )
    number = conn.execute(table["units"].insert().returning(table["units"].c.id), unit).scalar_one()
    if begun:
        line = {"unit": number, "job": job, "token": 3, "step": "started", "at": START, "worker": "w1"}
        conn.execute(table["attempts"].insert(), line)


def rows(engine: sa.Engine, table: str, columns: str = "*") -> list[tuple[Any, ...]]:
    with engine.connect() as conn:
        return [
            tuple(row) for row in conn.exec_driver_sql(f"SELECT {columns} FROM {table} ORDER BY 1, 2").all()
        ]


OLD_UNIT = (
    "id, job, kind, stage, start, stop, weight, state, memory, disk, attempts, token, worker, started, lease_until, "
    "deadline, progress, not_before, cause, reason"
)


def test_jobs_in_flight_survive_all_steps_from_the_first(
    empty: Callable[[str], sa.Engine], clock: Clock
) -> None:
    engine = empty("flight")
    assert schema.migrate(engine, to="0001")
    with engine.begin() as conn:
        fill_first(conn)
    old_job = "id, stack, owner, recipe, priority, state, cause, reason, progress, created, updated"
    kept = [
        ("jobs", old_job),
        ("units", OLD_UNIT),
        ("frames", "*"),
        ("attempts", "*"),
        ("events", "id, who, action, job"),
    ]
    before = {table: rows(engine, table, columns) for table, columns in kept}
    assert len(before["units"]) == 18
    assert schema.migrate(engine)
    assert {table: rows(engine, table, columns) for table, columns in kept} == before
    for job, owner, due, priority, run in rows(engine, "units", "job, owner, due, priority, run"):
        expected = order.due(created=START + job, work=30.0, priority=job % 3 - 1)
        assert (owner, due, priority, run) == ("studio", pytest.approx(expected), job % 3 - 1, 1)
    assert not schema.migrate(engine), "a second time there is nothing to do"


def test_jobs_in_flight_go_on_after_the_steps(empty: Callable[[str], sa.Engine], clock: Clock) -> None:
    engine = empty("going_on")
    schema.migrate(engine, to="0001")
    with engine.begin() as conn:
        fill_first(conn)
    store = opened(engine, clock)
    clock.forward(61)
    assert store.reap().ended == 1, "the unit of the cancelled job"
    taken = must_claim(store, "w2")
    assert (taken.job, taken.token, taken.attempt) == (1, 1, 1), "priority 0, the lost unit rests"
    store.hand_back(taken)
    store.release(3, who="lena")
    clock.forward(60)
    work_off(store, "w2")
    states = {job.id: job.state for job in store.jobs().jobs}
    assert states == {
        1: JobState.DONE,
        2: JobState.DONE,
        3: JobState.DONE,
        4: JobState.DONE,
        5: JobState.FAILED,
        6: JobState.CANCELLED,
    }
    store.run_again(5, who="lena")
    work_off(store, "w2")
    assert store.job(5).state is JobState.DONE
    assert submit(store) == 7


def indexes(engine: sa.Engine) -> list[str]:
    """How every index is defined, conditions included."""
    if engine.dialect.name == "sqlite":
        query = "SELECT sql FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL"
    else:
        query = (
            "SELECT indexdef FROM pg_indexes WHERE schemaname = 'public' AND tablename <> 'alembic_version'"
        )
    with engine.connect() as conn:
        found = conn.exec_driver_sql(query).scalars().all()
    return sorted(re.sub(r"\s+", " ", str(text).replace('"', "")) for text in found)


def tables(engine: sa.Engine) -> dict[str, Any]:
    """Columns, keys and references of every table, as the database knows them."""
    look = sa.inspect(engine)
    return {
        name: {
            "columns": {
                column["name"]: (str(column["type"]), column["nullable"], column["default"])
                for column in look.get_columns(name)
            },
            "key": look.get_pk_constraint(name)["constrained_columns"],
            "references": sorted(
                (*key["constrained_columns"], key["referred_table"], str(key["options"].get("ondelete")))
                for key in look.get_foreign_keys(name)
            ),
            "unique": sorted(str(unique["column_names"]) for unique in look.get_unique_constraints(name)),
        }
        for name in look.get_table_names()
        if name != "alembic_version"
    }


def test_the_steps_lead_to_the_tables_of_the_model(empty: Callable[[str], sa.Engine]) -> None:
    stepped, modelled = empty("stepped"), empty("modelled")
    schema.migrate(stepped)
    metadata.create_all(modelled)
    assert tables(stepped) == tables(modelled)
    assert indexes(stepped) == indexes(modelled)
    with stepped.connect() as conn:
        context = MigrationContext.configure(conn, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_sqlite_counts_on_in_tables_that_were_rebuilt(tmp_path: Path) -> None:
    engine = engine_for(parse_url(f"sqlite:///{tmp_path}/store.sqlite"))
    schema.migrate(engine)
    with engine.connect() as conn:
        texts = conn.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'table'").all()
    counted = {name for name, text in texts if "AUTOINCREMENT" in text}
    assert counted == {
        *("jobs", "units", "attempts", "events", "keys", "notify_targets", "notify_messages", "transfers"),
    }
    dispose(engine)


def test_references_are_watched_again_after_a_migration(tmp_path: Path, clock: Clock) -> None:
    engine = engine_for(parse_url(f"sqlite:///{tmp_path}/store.sqlite"))
    schema.migrate(engine)
    for _ in range(3):
        with engine.connect() as conn:
            assert conn.exec_driver_sql("PRAGMA foreign_keys").scalar_one() == 1
    dispose(engine)


def test_a_step_that_fails_leaves_the_store_as_it_was(
    empty: Callable[[str], sa.Engine], monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = empty("failing")
    schema.migrate(engine, to="0001")
    with engine.begin() as conn:
        fill_first(conn)
    before = (tables(engine), indexes(engine), rows(engine, "units"))
    real = sa.Connection.execute

    def fail_late(self: sa.Connection, statement: Any, *args: Any, **kwargs: Any) -> Any:
        if "CREATE TABLE totals" in str(statement):
            raise OSError("the plug was pulled")
        return real(self, statement, *args, **kwargs)

    monkeypatch.setattr(sa.Connection, "execute", fail_late)
    with pytest.raises(OSError, match="plug"):
        schema.migrate(engine)
    monkeypatch.undo()
    assert (tables(engine), indexes(engine), rows(engine, "units")) == before
    assert schema.migrate(engine)


def test_several_that_open_at_once_make_the_tables_once(empty: Callable[[str], sa.Engine]) -> None:
    engine = empty("at_once")
    ran: list[bool] = []
    threads = [threading.Thread(target=lambda: ran.append(schema.migrate(engine))) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(ran) == [False] * 4 + [True]


def test_whoever_opens_a_store_waits_for_another_that_migrates_it(empty: Callable[[str], sa.Engine]) -> None:
    engine = empty("locked")
    with engine.connect() as conn, conn.begin():  # at SQLite that is the write lock
        if engine.dialect.name == "postgresql":
            conn.execute(sa.select(sa.func.pg_advisory_xact_lock(schema.LOCK)))
        ran: list[bool] = []
        other = threading.Thread(target=lambda: ran.append(schema.migrate(engine)))
        other.start()
        other.join(0.5)
        assert ran == []
    other.join()
    assert ran == [True]


def test_a_store_of_a_newer_version_is_left_alone(empty: Callable[[str], sa.Engine], clock: Clock) -> None:
    engine = empty("newer")
    store = opened(engine, clock)
    submit(store)

    def age(tx: Tx) -> None:
        tx.conn.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")

    store.database.write(age)
    with pytest.raises(StoreError, match="found tables of revision 9999; this version knows 0006 at most"):
        opened(engine, clock)
    assert len(store.jobs().jobs) == 1


def test_the_steps_lie_in_the_package() -> None:
    steps = resources.files("nearfar.jobs") / "migrations" / "versions"
    names = sorted(step.name for step in steps.iterdir() if step.name.startswith("m0"))
    assert names == [
        "m0001_first.py",
        "m0002_fair_order.py",
        "m0003_mends.py",
        "m0004_people.py",
        "m0005_studio.py",
        "m0006_transfers.py",
    ]
    assert schema.newest() == "0006"


def test_files_of_steps_are_named_by_their_revisions() -> None:
    """Held against Alembic, which reads them all."""
    walked = ScriptDirectory(str(schema.STEPS)).walk_revisions()
    assert schema._known() == tuple(script.revision for script in walked)


OPENS = """\
import sys
import nearfar.runner.keep, nearfar_api.__main__
from nearfar.jobs import open_store
open_store(sys.argv[1]).close()
print(*({"alembic", "httpx", "joserfc"} & sys.modules.keys()))
"""


def test_what_only_some_servers_need_is_not_loaded_by_all(tmp_path: Path) -> None:
    """A store that is up to date needs nothing that migrates it."""
    url = f"sqlite:///{tmp_path}/store.sqlite"
    open_store(url).close()
    done = subprocess.run([sys.executable, "-c", OPENS, url], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.split()) == (0, []), done.stderr
