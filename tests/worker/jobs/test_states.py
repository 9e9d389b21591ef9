"""Both tables of transitions: every pair of states is tried against a store, and allowed exactly where it is drawn."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from functools import partial

import pytest
import sqlalchemy as sa

from nearfar.errors import IllegalTransition, NotFound
from nearfar.jobs import JobState, Store, UnitKind, UnitState
from nearfar.jobs.model import jobs, units
from nearfar.jobs.moves import move_job, move_units
from nearfar.jobs.states import ENDED, JOB_MOVES, UNIT_MOVES, sources
from tests.worker.jobs.making import submit

J, U = JobState, UnitState

# The drawing that the tables have to agree with, written down apart from them.
JOB_WAYS = {
    (J.WAITING, J.RUNNING),
    (J.WAITING, J.HELD),
    (J.WAITING, J.FAILED),
    (J.WAITING, J.CANCELLED),
    (J.RUNNING, J.HELD),
    (J.RUNNING, J.DONE),
    (J.RUNNING, J.FAILED),
    (J.RUNNING, J.CANCELLED),
    (J.HELD, J.WAITING),
    (J.HELD, J.DONE),
    (J.HELD, J.FAILED),
    (J.HELD, J.CANCELLED),
    (J.FAILED, J.WAITING),
    (J.CANCELLED, J.WAITING),
}
UNIT_WAYS = {
    (U.WAITING, U.READY),
    (U.WAITING, U.CANCELLED),
    (U.READY, U.HELD),
    (U.READY, U.WAITING),
    (U.READY, U.CANCELLED),
    (U.HELD, U.DONE),
    (U.HELD, U.READY),
    (U.HELD, U.HELD),
    (U.HELD, U.WAITING),
    (U.HELD, U.FAILED),
    (U.HELD, U.CANCELLED),
}


@pytest.mark.parametrize("state", J)
def test_a_job_goes_where_the_drawing_leads_and_nowhere_else(store: Store, state: JobState) -> None:
    job = submit(store)
    for to in J:
        with store.database.engine.begin() as conn:
            conn.execute(sa.update(jobs).values(state=state))
        if (state, to) in JOB_WAYS:
            store.database.write(partial(move_job, job=job, to=to))
            assert store.job(job).state is to
        else:
            with pytest.raises(IllegalTransition, match=f"^job {job} is {state} and cannot be {to}; "):
                store.database.write(partial(move_job, job=job, to=to))
            assert store.job(job).state is state


@pytest.mark.parametrize("state", U)
def test_a_unit_goes_where_the_drawing_leads_and_nowhere_else(store: Store, state: UnitState) -> None:
    job = submit(store)
    for to in U:
        with store.database.engine.begin() as conn:
            conn.execute(sa.update(units).values(state=state))
        if (state, to) in UNIT_WAYS:
            assert store.database.write(partial(move_units, to=to, of={state})) == 3
            assert {unit.state for unit in store.units(job)} == {to}
        else:
            with pytest.raises(IllegalTransition, match=f"^a unit is {state} and cannot be {to}; "):
                store.database.write(partial(move_units, to=to, of={state}))
            assert {unit.state for unit in store.units(job)} == {state}


@pytest.mark.parametrize(("moves", "ways"), [(JOB_MOVES, JOB_WAYS), (UNIT_MOVES, UNIT_WAYS)])
def test_the_tables_hold_the_drawing(
    moves: Mapping[StrEnum, frozenset[StrEnum]], ways: set[tuple[StrEnum, StrEnum]]
) -> None:
    assert {(state, to) for state, following in moves.items() for to in following} == ways


def test_units_in_other_states_are_left_alone(store: Store) -> None:
    job = submit(store)
    assert store.database.write(lambda tx: move_units(tx, U.CANCELLED, {U.READY}, units.c.job == job)) == 2
    assert [unit.state for unit in store.units(job)] == [U.CANCELLED, U.CANCELLED, U.WAITING]


def test_the_refusal_says_what_is_possible() -> None:
    error = IllegalTransition("job 7", state=J.HELD, wanted=J.RUNNING, possible=JOB_MOVES[J.HELD])
    assert (
        str(error) == "job 7 is held and cannot be running; it can become cancelled, done, failed, waiting."
    )
    final = IllegalTransition("job 7", state=J.DONE, wanted=J.WAITING, possible=JOB_MOVES[J.DONE])
    assert str(final) == "job 7 is done and cannot be waiting; that is final."


def test_a_job_that_is_not_there_is_named(store: Store) -> None:
    with pytest.raises(NotFound, match="no job 99"):
        store.database.write(lambda tx: move_job(tx, 99, J.CANCELLED))


def test_every_state_can_be_reached_and_every_ended_one_is_left_only_by_running_again() -> None:
    recorded = {J.WAITING, J.HELD, J.FAILED}  # failed: a set that cannot be worked on
    reached = recorded | {to for following in JOB_MOVES.values() for to in following}
    assert reached == set(J)
    for state in ENDED:
        assert JOB_MOVES[state] <= {J.WAITING}
    assert sources(JOB_MOVES, J.DONE) == {J.RUNNING, J.HELD}


def test_stages_follow_the_picture() -> None:
    assert [kind.stage for kind in UnitKind] == [0, 1, 2, 3, 4]
    assert [str(kind) for kind in UnitKind] == ["survey", "register", "focus", "render", "deliver"]
