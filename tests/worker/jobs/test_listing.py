"""Lists of jobs: filters, orders, pages that neither lose nor repeat a job."""

from __future__ import annotations

import base64
import itertools
import json
import random
from typing import Any

import pytest

from nearfar.errors import UsageError
from nearfar.jobs import Job, JobQuery, JobState, Sort, Store
from tests.worker.jobs.making import Clock, bring_to, submission, submit


def many(store: Store, clock: Clock, count: int = 23) -> list[Job]:
    """Jobs of several owners, stacks, priorities and moments, some of them alike."""
    rnd = random.Random(7)
    for k in range(count):
        submit(
            store,
            stack=rnd.choice(["Moss", "beetle", "fern", "pyrite"]),
            owner=rnd.choice(["studio", "lab"]),
            recipe=rnd.choice(["standard", "fine"]),
            priority=rnd.randint(-1, 1),
            digest=f"d{k % 5}",
        )
        clock.forward(rnd.choice([0, 0, 10]))
    for job in rnd.sample(range(1, count + 1), 8):
        store.cancel(job, who="tester")
        clock.forward(1)
    return [store.job(number) for number in range(1, count + 1)]


def pages(store: Store, **query: Any) -> list[Job]:
    """All pages of a list, one after the other."""
    found: list[Job] = []
    after = None
    while True:
        page = store.jobs(JobQuery(**query, after=after))
        found += page.jobs
        after = page.after
        if after is None:
            return found
        assert len(page.jobs) == query["limit"]


def test_pages_in_any_order_hold_every_job_once(store: Store, clock: Clock) -> None:
    jobs = many(store, clock)
    for sort, descending in itertools.product(Sort, (False, True)):
        found = pages(store, sort=sort, descending=descending, limit=4)
        # Text goes by its bytes, as Python does it: SQLite always does so, PostgreSQL under the tests' locale.
        fit = [job for job in jobs if sort is not Sort.FINISHED or job.finished is not None]
        assert len(fit) >= 8
        expected = sorted(fit, key=lambda job: (getattr(job, sort), job.id), reverse=descending)
        assert [job.id for job in found] == [job.id for job in expected], (sort, descending)


FILTERS: dict[str, tuple[dict[str, Any], Any]] = {
    "state": ({"states": frozenset({JobState.CANCELLED})}, lambda job: job.state is JobState.CANCELLED),
    "states": (
        {"states": frozenset({JobState.CANCELLED, JobState.DONE})},
        lambda job: job.state is JobState.CANCELLED,
    ),
    "owner": ({"owner": "lab"}, lambda job: job.owner == "lab"),
    "recipe": ({"recipe": "fine"}, lambda job: job.recipe == "fine"),
    "digest": ({"digest": "d3"}, lambda job: job.digest == "d3"),
    "text": ({"text": "mO"}, lambda job: job.stack == "Moss"),
    "two": ({"owner": "lab", "text": "e"}, lambda job: job.owner == "lab" and "e" in job.stack),
    "none": ({"owner": "nobody"}, lambda job: False),
}


def test_jobs_that_wait_are_told_in_the_order_of_their_turns(store: Store, clock: Clock) -> None:
    first, second, third = (submit(store, stack=name) for name in ("moss", "fern", "beetle"))
    foreign = submit(store, owner="lab")
    store.set_priority(third, 1, who="lena")
    assert [job.id for job in store.waiting(limit=3)] == [third, first, second]
    assert [job.id for job in store.waiting(limit=9, owner="lab")] == [foreign]
    store.hold(first, who="lena")
    assert [job.id for job in store.waiting(limit=9, owner="studio")] == [third, second]


def test_a_filter_gives_those_jobs_and_no_others(store: Store, clock: Clock) -> None:
    jobs = many(store, clock)
    for name, (query, fits) in FILTERS.items():
        found = pages(store, **query, limit=3, descending=False)
        assert [job.id for job in found] == [job.id for job in jobs if fits(job)], name


def test_the_newest_come_first_where_nothing_is_said(store: Store, clock: Clock) -> None:
    many(store, clock)
    page = store.jobs()
    assert len(page.jobs) == 23
    assert page.after is None
    order = [(job.created, job.id) for job in page.jobs]
    assert order == sorted(order, reverse=True)


def test_causes_and_followers_are_found(store: Store) -> None:
    first = submit(store)
    bring_to(store, first, JobState.FAILED)
    second = store.submit_again(first, submission(recipe="fine"), who="lena").job
    assert [job.id for job in store.jobs(JobQuery(cause="frame")).jobs] == [first]
    assert [job.id for job in store.jobs(JobQuery(again_of=first)).jobs] == [second]


@pytest.mark.parametrize(
    ("text", "found"), [("50%", ["50% grey"]), ("_", ["a_b"]), ("'", ["o'clock"]), ("\\", ["a\\b"])]
)
def test_signs_that_mean_something_to_a_database_mean_themselves(
    store: Store, text: str, found: list[str]
) -> None:
    for stack in ("50% grey", "500 grey", "a_b", "axb", "o'clock", "a\\b"):
        submit(store, stack=stack)
    assert [job.stack for job in store.jobs(JobQuery(text=text)).jobs] == found


def test_jobs_that_come_and_go_between_pages_shift_nothing(store: Store, clock: Clock) -> None:
    jobs = [submit(store, stack=f"stack {k}") for k in range(9)]
    first = store.jobs(JobQuery(limit=3))
    assert [job.id for job in first.jobs] == jobs[:5:-1]
    submit(store, stack="new")
    store.cancel(jobs[8], who="tester")
    clock.forward(1)
    store.forget(before=clock.now, who="keeper")
    second = store.jobs(JobQuery(limit=3, after=first.after))
    assert [job.id for job in second.jobs] == jobs[5:2:-1]


def test_a_place_belongs_to_its_order(store: Store) -> None:
    for _ in range(3):
        submit(store)
    after = store.jobs(JobQuery(limit=1, sort=Sort.STACK)).after
    for sort, descending in itertools.product(Sort, (False, True)):
        query = JobQuery(limit=1, sort=sort, descending=descending, after=after)
        if (sort, descending) == (Sort.STACK, True):
            assert len(store.jobs(query).jobs) == 1
            continue
        with pytest.raises(UsageError, match="is not a page of this list"):
            store.jobs(query)


def packed(value: object) -> str:
    return base64.urlsafe_b64encode(json.dumps(value).encode()).decode()


@pytest.mark.parametrize(
    "after",
    [
        "x",
        "%%%",
        "ä",
        packed(None),
        packed([]),
        packed(["created", True, "text", 1]),
        packed(["created", True, [1], 1]),
        packed(["created", True, 1.0, "1"]),
        packed(["created", True, 1.0]),
        packed(["state", True, 1.0, 1]),
        packed(["created", True, 1.0, 2**63]),
        packed(["created", True, 2**63, 1]),
        packed(["created", True, float("nan"), 1]),
        packed(["created", True, float("inf"), 1]),
        "W" * 10_000,
    ],
)
def test_a_made_up_place_is_refused(store: Store, after: str) -> None:
    with pytest.raises(UsageError, match="is not a page of this list; begin with its first page"):
        store.jobs(JobQuery(after=after))


@pytest.mark.parametrize("limit", [0, -1, 501])
def test_the_length_of_a_page_has_bounds(store: Store, limit: int) -> None:
    with pytest.raises(UsageError, match=f"a page of {limit} jobs: expected 1 to 500"):
        store.jobs(JobQuery(limit=limit))
