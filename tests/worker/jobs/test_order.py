"""Whose unit is next: urgent before normal, old before new in the end, small before long, and owners alike.

The orders asserted follow from the two formulae in `order`; their constants are common practice, no source.
"""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nearfar.errors import StoreError, UsageError
from nearfar.jobs import JobState, ServerState, Store, UnitKind
from nearfar.jobs.order import ADVANCE, LONGEST_PATIENCE, PATIENCE, STEP, due
from tests.worker.jobs.making import Clock, must_claim, one, submit, surveys

HOUR = 3600.0


def given_out(store: Store, count: int, worker: str = "w1") -> list[int]:
    """Jobs of the next units, each finished before the next is asked for: a server with one slot."""
    jobs = []
    for _ in range(count):
        claim = must_claim(store, worker)
        jobs.append(claim.job)
        store.finish(claim)
    return jobs


def test_first_come_first_served_where_nothing_else_counts(store: Store, clock: Clock) -> None:
    jobs = []
    for _ in range(4):
        jobs.append(submit(store, units=(one(UnitKind.DELIVER),)))
        clock.forward(1)
    assert given_out(store, 4) == jobs


def test_urgent_goes_first_even_before_a_day_of_work(store: Store, clock: Clock) -> None:
    for k in range(5):
        submit(store, stack=f"old {k}", units=surveys(1))
        clock.forward(4 * HOUR)
    urgent = submit(store, stack="now", priority=4, units=surveys(1))
    assert must_claim(store).job == urgent


def test_a_step_of_priority_is_worth_six_hours(store: Store, clock: Clock) -> None:
    later = submit(store, priority=-1, units=surveys(1))
    clock.forward(STEP - 1)
    normal = submit(store, units=surveys(1))
    clock.forward(2)
    newer = submit(store, units=surveys(1))
    assert [must_claim(store).job for _ in range(3)] == [normal, later, newer]


def test_old_work_of_low_priority_overtakes_a_stream_of_urgent_work(store: Store, clock: Clock) -> None:
    low = submit(store, priority=-2, units=surveys(1))
    hours = 0
    while True:
        urgent = submit(store, priority=2, units=surveys(1))
        claim = must_claim(store)
        if claim.job == low:
            break
        assert claim.job == urgent
        store.cancel(urgent, who="tester")
        store.hand_back(claim)
        clock.forward(HOUR)
        hours += 1
        assert hours < 100, "it starves"
    assert hours == 4 * STEP / HOUR


def test_a_small_stack_goes_before_a_long_one_that_came_before(store: Store, clock: Clock) -> None:
    long = submit(store, stack="long", units=surveys(75, weight=20.0))
    assert given_out(store, 3) == [long] * 3
    clock.forward(60)
    small = submit(store, stack="small", units=(*surveys(2, weight=20.0), one(UnitKind.DELIVER, weight=20.0)))
    assert given_out(store, 4) == [small, small, small, long]


def test_a_long_stack_gives_way_for_an_hour_and_no_longer(store: Store, clock: Clock) -> None:
    long = submit(store, units=surveys(400, weight=60.0))
    clock.forward(LONGEST_PATIENCE - 10)
    small = submit(store, units=surveys(1, weight=2.0))
    assert must_claim(store).job == small
    clock.forward(20)
    submit(store, units=surveys(1, weight=2.0))
    assert must_claim(store).job == long


def test_a_job_is_finished_before_its_like_is_begun(store: Store, clock: Clock) -> None:
    jobs = []
    for k in range(3):
        jobs.append(submit(store, stack=f"stack {k}", units=(*surveys(3), one(UnitKind.DELIVER))))
        clock.forward(1)
    assert given_out(store, 12) == [job for job in jobs for _ in range(4)]


def test_owners_take_turns_however_much_one_has_and_however_long_it_waits(store: Store, clock: Clock) -> None:
    many = {submit(store, stack=f"card {k}", units=(*surveys(4), one(UnitKind.DELIVER))) for k in range(6)}
    clock.forward(24 * HOUR)
    other = submit(store, owner="lab", stack="one", units=(*surveys(4), one(UnitKind.DELIVER)))
    jobs = given_out(store, 10)
    assert [job == other for job in jobs] in ([False, True] * 5, [True, False] * 5)
    assert set(jobs) <= many | {other}


def test_owners_are_given_equal_time_and_not_equally_many_units(store: Store) -> None:
    heavy = submit(store, owner="studio", units=surveys(20, weight=30.0))
    light = submit(store, owner="lab", units=surveys(60, weight=10.0))
    counts = Counter(given_out(store, 20))
    assert counts == {heavy: 5, light: 15}


def test_a_share_gives_an_owner_more(store: Store) -> None:
    double = submit(store, owner="studio", units=surveys(40))
    single = submit(store, owner="lab", units=surveys(40))
    store.set_share("studio", 2.0)
    assert Counter(given_out(store, 18)) == {double: 12, single: 6}
    assert {owner.name: owner.share for owner in store.owners()} == {"studio": 2.0, "lab": 1.0}


def test_fairness_holds_for_units_in_work_at_the_same_time(store: Store) -> None:
    submit(store, owner="studio", units=surveys(40))
    submit(store, owner="lab", units=surveys(40))
    submit(store, owner="school", units=surveys(40))
    held = [must_claim(store, f"w{k}") for k in range(9)]
    assert sorted(Counter(claim.job for claim in held).values()) == [3, 3, 3]


def test_whoever_calls_everything_urgent_gains_ten_minutes_a_step_and_no_more(store: Store) -> None:
    pushy = submit(store, owner="studio", priority=2, units=surveys(60, weight=50.0))
    patient = submit(store, owner="lab", units=surveys(60, weight=50.0))
    ahead = int(2 * ADVANCE / 50.0)
    assert given_out(store, ahead) == [pushy] * ahead
    counts = Counter(given_out(store, 20))
    assert abs(counts[pushy] - counts[patient]) <= 1


def test_rest_gives_no_credit(store: Store) -> None:
    submit(store, owner="lab", units=(one(UnitKind.DELIVER),))
    given_out(store, 1)
    busy = submit(store, owner="studio", units=surveys(200, weight=10.0))
    given_out(store, 15)
    back = submit(store, owner="lab", units=surveys(100, weight=10.0))
    counts = Counter(given_out(store, 20))
    assert counts == {busy: 10, back: 10}


def test_a_newcomer_starts_level_with_the_others(store: Store) -> None:
    first = submit(store, owner="studio", units=surveys(200, weight=10.0))
    given_out(store, 15)
    second = submit(store, owner="lab", units=surveys(200, weight=10.0))
    assert Counter(given_out(store, 20)) == {first: 10, second: 10}


def test_an_owner_whose_unit_does_not_fit_does_not_stop_the_others(store: Store) -> None:
    submit(store, owner="studio", priority=9, units=surveys(1, memory=10**12))
    other = submit(store, owner="lab", units=surveys(1))
    assert must_claim(store, memory=10**9).job == other


def test_a_change_of_priority_moves_a_job_and_its_units(store: Store) -> None:
    first = submit(store, units=surveys(2))
    second = submit(store, units=(*surveys(2), one(UnitKind.DELIVER)))
    assert must_claim(store).job == first
    store.set_priority(second, 1, who="tester")
    assert store.job(second).priority == 1
    assert given_out(store, 3) == [second] * 3
    assert store.job(second).state is JobState.DONE


@pytest.mark.parametrize("priority", [-10, 10, 1000])
def test_priorities_beyond_the_range_are_refused(store: Store, priority: int) -> None:
    with pytest.raises(
        UsageError, match=rf"priority {priority} is not known; write a whole number from -9 .* to 9"
    ):
        submit(store, priority=priority)


@pytest.mark.parametrize("share", [0.0, -1.0, 101.0, float("nan")])
def test_shares_beyond_the_range_are_refused(store: Store, share: float) -> None:
    with pytest.raises(UsageError, match="expected a number from 0.01 to 100"):
        store.set_share("studio", share)


def test_an_owner_has_a_name(store: Store) -> None:
    with pytest.raises(StoreError, match="a job needs an owner"):
        submit(store, owner=" ")


def test_waiting_jobs_of_a_paused_server_keep_their_order(store: Store, clock: Clock) -> None:
    store.set_server_state(ServerState.PAUSED, who="tester")
    low = submit(store, priority=-1, units=surveys(1))
    high = submit(store, priority=1, units=surveys(1))
    clock.forward(HOUR)
    store.set_server_state(ServerState.OPEN, who="tester")
    assert [must_claim(store).job, must_claim(store).job] == [high, low]


@given(
    created=st.floats(0, 2e9),
    work=st.floats(0, 1e6),
    priority=st.integers(-9, 9),
    later=st.floats(0.001, 1e6),
)
def test_the_due_time_grows_with_the_clock_and_the_work_and_falls_with_priority(
    created: float, work: float, priority: int, later: float
) -> None:
    here = due(created=created, work=work, priority=priority)
    assert due(created=created + later, work=work, priority=priority) >= here
    assert due(created=created, work=work + later, priority=priority) >= here
    assert due(created=created, work=work, priority=priority + 1) == pytest.approx(here - STEP)
    # Nothing waits longer behind newer work than its patience and the steps between their priorities.
    newest = created + min(PATIENCE * work, LONGEST_PATIENCE) + (9 - priority) * STEP
    assert due(created=newest, work=0.0, priority=9) == pytest.approx(here, abs=1e-3)
