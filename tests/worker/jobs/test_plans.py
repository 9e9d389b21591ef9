"""Which index the databases use with ten thousand jobs. The plan is asserted, not the time."""

from __future__ import annotations

import itertools
import json
from typing import Any

import pytest
import sqlalchemy as sa

from nearfar.jobs import (
    JobQuery,
    JobState,
    Rules,
    Sort,
    Store,
    UnitKind,
    briefs,
    claims,
    figures,
    keeping,
    open_store,
    order,
    reap,
)
from nearfar.jobs.engine import Tx
from nearfar.jobs.listing import statement
from nearfar.jobs.model import jobs, owners, units
from nearfar.jobs.order import Room
from tests.worker.jobs.making import START, emptied

JOBS = 10_000
OWNERS = 20


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def full(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Store:
    """Ten thousand jobs, all but a few hundred done, with some thousand units ready and a few held."""
    if request.param == "sqlite":
        store = open_store(f"sqlite:///{tmp_path_factory.mktemp('full')}/store.sqlite")
    else:
        store = open_store(emptied(request.getfixturevalue("postgresql_server")))
    states = [JobState.DONE] * 95 + [JobState.WAITING, JobState.RUNNING, JobState.HELD, JobState.FAILED]
    states += [JobState.CANCELLED]
    with store.database.engine.begin() as conn:
        conn.execute(owners.insert(), [{"name": f"o{k:02d}", "created": START} for k in range(OWNERS)])
        conn.execute(jobs.insert(), [_job(k, states[k % 100]) for k in range(JOBS)])
        conn.execute(units.insert(), [_unit(k) for k in range(6_000)])
    if store.database.engine.dialect.name == "postgresql":
        with store.database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as conn:
            conn.exec_driver_sql("VACUUM ANALYZE")
    return store


def _job(k: int, state: JobState) -> dict[str, Any]:
    ended = state in {JobState.DONE, JobState.FAILED, JobState.CANCELLED}
    return {
        "stack": f"stack {k * 7919 % JOBS:05d}",
        "owner": f"o{k % OWNERS:02d}",
        "sources": [f"/inbox/{k}"],
        "recipe": "standard",
        "settings": {},
        "state": state,
        "priority": k % 3,
        "weights": {},
        "created": START + k,
        "updated": START + k * 31 % JOBS,
        "finished": START + k if ended else None,
        "digest": f"digest {k}",
    }


def _unit(k: int) -> dict[str, Any]:
    state = "ready" if k < 3000 else "held" if k < 3010 else "done"
    return {
        "job": k % 500 + 1,
        "kind": UnitKind.SURVEY,
        "stage": 0,
        "start": k,
        "stop": k + 1,
        "weight": 1.0,
        "state": state,
        "limit": 100.0,
        "owner": f"o{k % 500 % OWNERS:02d}",
        "due": START + k,
        "priority": 0,
        "lease_until": START + k if state == "held" else None,
    }


def plan(store: Store, query: Any, *, few: bool = False) -> str:
    """What the database means to do, with the parameters passed as they are in earnest.

    ``few``: PostgreSQL is not to read a whole table because it is small, which hangs on the rows that it sampled.
    """
    engine = store.database.engine
    compiled = query.compile(dialect=engine.dialect, compile_kwargs={"render_postcompile": True})
    with engine.connect() as conn:
        if engine.dialect.name == "sqlite":
            values = tuple(compiled.params[name] for name in compiled.positiontup)
            rows = conn.exec_driver_sql(f"EXPLAIN QUERY PLAN {compiled}", values).all()
            return "\n".join(row[3] for row in rows)
        if few:
            conn.exec_driver_sql("SET LOCAL enable_seqscan = off")
        answer = conn.exec_driver_sql(f"EXPLAIN (FORMAT JSON) {compiled}", dict(compiled.params)).scalar_one()
        return json.dumps(answer, indent=1)


def sorts_or_reads_all(found: str, table: str) -> bool:
    """Whether a plan sorts rows, or goes through a whole table outside of an index."""
    bad = ["TEMP B-TREE", '"Seq Scan"', '"Sort"', '"Incremental Sort"']
    scans = [line for line in found.splitlines() if f"SCAN {table}" in line and "USING" not in line]
    return bool(scans) or any(word in found for word in bad)


def test_lists_walk_along_an_index(full: Store) -> None:
    filters: list[dict[str, Any]] = [{}, {"states": frozenset({JobState.DONE})}]
    pairs = [(sort, query) for sort, query in itertools.product(Sort, filters)]
    pairs.append((Sort.CREATED, {"owner": "o03"}))
    for (sort, query), descending in itertools.product(pairs, (False, True)):
        first = JobQuery(sort=sort, descending=descending, limit=50, **query)
        after = full.jobs(first).after
        assert after is not None
        for page in (first, JobQuery(sort=sort, descending=descending, limit=50, after=after, **query)):
            found = plan(full, statement(page))
            assert "ix_jobs_" in found, found
            assert not sorts_or_reads_all(found, "jobs"), (page, found)


def test_a_page_that_sorts_is_noticed(full: Store) -> None:
    """The control: an order without an index."""
    found = plan(full, sa.select(jobs).order_by(jobs.c.recipe, jobs.c.progress).limit(50))
    assert sorts_or_reads_all(found, "jobs")


@pytest.fixture
def tx(full: Store) -> Tx:
    with full.database.engine.connect() as conn:
        return Tx(conn=conn, now=START + 5_000, rules=Rules())


def test_claims_find_their_unit_in_a_partial_index(full: Store, tx: Tx) -> None:
    room = Room(worker="w1", memory=1 << 30, disk=1 << 30)
    expired = plan(full, claims.take(tx, room, claims.expired(tx, room)))
    assert "ix_units_lease" in expired, expired
    ready = plan(full, claims.take(tx, room, order.first_unit(tx, room, "o07")))
    assert "ix_units_ready" in ready, ready
    assert not sorts_or_reads_all(ready, "units"), ready
    owner = plan(full, order.owners_in_turn(tx, room))
    assert "ix_units_ready" in owner, owner
    assert "SCAN units" not in owner, owner


def test_a_state_behind_a_parameter_would_hide_the_partial_index(full: Store) -> None:
    """Why the states stand in the text of the claims' statements: PostgreSQL keeps one plan for all parameters."""
    if full.database.engine.dialect.name == "sqlite":
        return  # looks at the parameters each time
    rest = "AND owner = 'o07' ORDER BY due LIMIT 1"
    with full.database.engine.connect() as conn:
        conn.exec_driver_sql("SET LOCAL plan_cache_mode = force_generic_plan")
        conn.exec_driver_sql(f"PREPARE hidden (text) AS SELECT id FROM units WHERE state = $1 {rest}")
        conn.exec_driver_sql(f"PREPARE seen AS SELECT id FROM units WHERE state = 'ready' {rest}")
        hidden = conn.exec_driver_sql("EXPLAIN EXECUTE hidden ('ready')").scalars().all()
        seen = conn.exec_driver_sql("EXPLAIN EXECUTE seen").scalars().all()
        conn.exec_driver_sql("DEALLOCATE ALL")
    assert "ix_units_ready" not in "\n".join(hidden)
    assert "ix_units_ready" in "\n".join(seen)


def test_figures_come_from_indexes(full: Store) -> None:
    counts = plan(full, figures.count_by_state())
    # PostgreSQL may find that the whole table is read as fast.
    assert "COVERING INDEX ix_jobs_state" in counts or '"Seq Scan"' in counts, counts
    oldest = plan(full, figures.oldest_waiting())
    assert "ix_jobs_state_created_id" in oldest
    assert not sorts_or_reads_all(oldest, "jobs"), oldest
    for state, index in (("ready", "ix_units_ready"), ("held", "ix_units_lease")):
        found = plan(full, figures.count_units(state))
        assert "ix_units_" in found, (index, found)
        assert not sorts_or_reads_all(found, "units"), found


def test_reaping_and_forgetting_look_at_little(full: Store, tx: Tx) -> None:
    assert "ix_units_lease" in plan(full, reap.run_out(tx))
    old = plan(full, keeping.old_jobs(START + 10))
    assert "ix_jobs_finished_id" in old or "ix_jobs_state_finished_id" in old, old


def test_what_a_page_shows_of_its_jobs_is_found_by_indexes(full: Store) -> None:
    # The optimiser of PostgreSQL reads the empty table of frames whole, whatever there is: units alone tell.
    numbers = list(range(1, 51))
    assert "SCAN" not in plan(full, briefs.count_frames(numbers))
    for query in (briefs.next_stages(numbers), briefs.resting(numbers)):
        found = plan(full, query, few=True)
        assert "SCAN" not in found
        assert '"Seq Scan"' not in found
