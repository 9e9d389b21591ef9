"""A store of an earlier revision with a job half rendered is brought to today's: the job goes on, nothing is made again."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from nearfar.jobs import JobState, Rules, Store, UnitKind, UnitState, open_store, schema
from nearfar.jobs.engine import dispose, engine_for, parse_url
from nearfar.runner import weights
from tests.acceptance.command import lay
from tests.scenes import render
from tests.worker.runner.serving import wait_for
from tests.worker.runner.workbench import LEASE, Bench, merged, result_of, run_out, same_files

BEFORE = "0004"
"""The revision of the newest version that was given out before."""


@pytest.fixture(params=["sqlite", "postgresql"])
def empty(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a database without tables."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/before.sqlite"
    server: str = request.getfixturevalue("postgresql_url")
    engine = engine_for(parse_url(server))
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as conn:
        conn.exec_driver_sql("DROP DATABASE IF EXISTS before WITH (FORCE)")
        conn.exec_driver_sql("CREATE DATABASE before")
    dispose(engine)
    return server.replace("/postgres?", "/before?")


def as_of(revision: str, store: Store, address: str) -> None:
    """Leave what a store holds in a database of an earlier revision, as far as that has tables and columns for it."""
    target = engine_for(parse_url(address))
    schema.migrate(target, to=revision)
    old, new = sa.MetaData(), sa.MetaData()
    old.reflect(target)
    new.reflect(store.database.engine)
    with store.database.engine.connect() as source, target.begin() as conn:
        for table in old.sorted_tables:
            if table.name == "alembic_version":
                continue
            columns = [new.tables[table.name].c[column.name] for column in table.columns]
            rows: list[dict[str, Any]] = [dict(row) for row in source.execute(sa.select(*columns)).mappings()]
            if rows:
                conn.execute(table.delete())
                conn.execute(table.insert(), rows)
            if rows and "id" in table.c and conn.dialect.name == "postgresql" and table.name != "workers":
                after = max(row["id"] for row in rows) + 1
                conn.exec_driver_sql(f"ALTER TABLE {table.name} ALTER id RESTART WITH {after}")
    dispose(target)


@contextmanager
def today(bench: Bench, address: str) -> Iterator[Bench]:
    """The same server with the store at that address, opened by today's version."""
    rules = Rules(retry_after=0.0, elsewhere=0.0, lease=LEASE)
    store = open_store(address, rules=rules, host="bench")
    yield replace(bench, store=store)
    dispose(store.database.engine)


def states(bench: Bench, job: int) -> dict[tuple[UnitKind, int], UnitState]:
    return {(unit.kind, unit.start): unit.state for unit in bench.store.units(job)}


def done_once(bench: Bench, job: int) -> bool:
    done = [a.unit for a in bench.store.attempts(job) if a.step == "done"]
    called_off = UnitState.CANCELLED  # help that came too late
    return sorted(done) == sorted(u.id for u in bench.store.units(job) if u.state is not called_off)


def test_a_job_half_rendered_goes_on_after_the_upgrade(
    empty: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(weights, "RENDER_SECONDS", 1e-6)
    frames = lay(
        render("occlusion", frames=5, size=(120, 1100), seed=7).frames, tmp_path / "moss", format="jpeg"
    )
    wanted = merged(frames, tmp_path / "command")
    bench = Bench.at(tmp_path / "data", lease=LEASE)
    job, later = bench.submit(frames), bench.submit(frames, "later")
    bench.do(bench.until(UnitKind.RENDER))
    held = bench.claim("old")
    assert held.kind is UnitKind.RENDER, "at work when the server was stopped"
    before, made = states(bench, job), bench.outputs("survey", "register", "focus", "volume", "band")
    assert len([k for k, s in before.items() if k[0] is UnitKind.RENDER and s is UnitState.READY]) == 1
    as_of(BEFORE, bench.store, empty)
    dispose(bench.store.database.engine)
    with today(bench, empty) as upgraded:
        assert states(upgraded, job) == before
        run_out(upgraded.store)
        wait_for(lambda: _worked_off(upgraded, [job, later]), 60)
        for each in (job, later):
            assert same_files(result_of(upgraded, each), wanted)
            assert done_once(upgraded, each)
        again = [a for a in upgraded.store.attempts(job) if a.unit == held.unit]
        assert [a.step for a in again] == ["started", "lost", "started", "done"]
    kept = bench.outputs("survey", "register", "focus", "volume", "band")
    assert {name: kept.get(name, time) for name, time in made.items()} == made, "nothing was made again"


def _worked_off(bench: Bench, jobs: list[int]) -> bool:
    """Do what there is; whether the jobs ended. What the old worker held is free once its lease ran out."""
    bench.store.reap()
    bench.work_off()
    return all(bench.job(job).state in (JobState.DONE, JobState.FAILED) for job in jobs)
