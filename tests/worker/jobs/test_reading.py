"""The trail is read without missing a line that becomes visible late, as PostgreSQL allows it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from nearfar.jobs import Store, events, open_store
from nearfar.jobs.reading import OVERLAP, Reading
from nearfar.runner.watching.standing import Standings
from tests.worker.jobs.making import submit


@contextmanager
def unfinished(store: Store, action: str, job: int | None = None) -> Iterator[None]:
    """A line that got its number, and becomes visible when the block ends."""
    database = store.database
    with database.engine.begin() as conn:
        events.record(database._tx(conn), action, who="lena", job=job)
        yield


@pytest.fixture
def late(postgresql_url: str) -> Store:
    """Of PostgreSQL: whoever writes to SQLite has it alone."""
    return open_store(postgresql_url)


def test_a_reader_comes_back_to_a_line_that_became_visible_late(late: Store) -> None:
    reading = Reading(late.last_event())
    with unfinished(late, "disk.low"):
        job = submit(late)
        assert [e.job for e in reading.take(late.events(reading.after))] == [job]
        place = str(reading)
    again = Reading.parse(place)
    assert again is not None
    assert [e.action for e in again.take(late.events(again.after))] == ["disk.low"]
    assert again.take(late.events(again.after)) == []
    assert str(again) == str(late.last_event())


def test_a_settled_list_ends_before_a_line_that_may_still_come(late: Store) -> None:
    submit(late)
    before = late.events(settled=True)
    with unfinished(late, "disk.low"):
        submit(late)
        assert late.events(before[-1].id, settled=True) == ()
        assert len(late.events(before[-1].id)) == 1
    assert [e.action for e in late.events(before[-1].id, settled=True)] == ["disk.low", "job.submitted"]


def test_the_watch_hears_of_a_job_that_changed_in_a_line_that_came_late(late: Store) -> None:
    first = submit(late)
    standings = Standings(late)
    known = standings.of(first)
    with unfinished(late, "job.told", first):
        submit(late)
        standings.refresh()
        assert standings.of(first) is known
    standings.refresh()
    assert standings.of(first) is not known, "it was asked for again"


def test_a_place_is_written_and_read() -> None:
    reading = Reading(100)
    assert [reading.fresh(number) for number in (100, 103, 104, 102, 103)] == [False, True, True, True, False]
    assert str(reading) == "104~3"
    assert Reading.parse("104~3") == reading
    assert Reading.parse("104") == Reading(104)
    reading.fresh(1000)
    assert len(reading.missing) == OVERLAP - 1, "what is further below does not come any more"
    assert Reading.parse(str(reading)) == reading
    for wrong in ("", "x", "-1", "1~", "1~1000", "9" * 19, "7\n", "\N{SUPERSCRIPT TWO}"):
        assert Reading.parse(wrong) is None
