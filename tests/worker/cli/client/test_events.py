"""Server-sent events, checked with the examples of the WHATWG HTML Living Standard, 9.2.6 (from memory)."""

from __future__ import annotations

from itertools import pairwise

import pytest

from nearfar.cli.client.events import EventReader, ServerEvent, lines_of


def read(text: str, reader: EventReader | None = None) -> list[str]:
    return [event.data for event in (reader or EventReader()).read([text.encode()])]


def test_the_standards_stream_of_three_blocks() -> None:
    reader = EventReader()
    text = ": test stream\n\ndata: first event\nid: 1\n\ndata:second event\nid\n\ndata:  third event\n"
    seen = [(event.data, reader.last_id) for event in reader.read([text.encode()])]
    assert seen == [("first event", "1"), ("second event", "")]  # the third is not ended by an empty line
    assert read("data:  third event\n\n") == [" third event"]


def test_the_standards_stream_of_empty_data() -> None:
    assert read("data\n\ndata\ndata\n\ndata:\n") == ["", "\n"]


def test_one_space_after_the_colon_means_nothing() -> None:
    assert read("data:test\n\ndata: test\n\n") == ["test", "test"]


def test_the_name_of_an_event_holds_for_that_event_alone() -> None:
    events = list(EventReader().read([b"event: progress\ndata: 1\n\ndata: 2\n\n"]))
    assert events == [ServerEvent(name="progress", data="1"), ServerEvent(name="message", data="2")]


def test_numbers_are_kept_over_connections_and_those_without_data_count() -> None:
    reader = EventReader()
    assert read("id: 7\ndata: a\n\n", reader) == ["a"]
    assert read("data: b\n\nid: 9\n\nid: 10\ndata: cut off", reader) == ["b"]
    assert reader.last_id == "9"
    assert read("id: 1\0\ndata: c\n\n", reader) == ["c"]
    assert reader.last_id == "9"


@pytest.mark.parametrize(
    ("text", "rest"), [("retry: 1500\n\n", 1.5), ("retry: soon\n\n", None), ("retry\n\n", None)]
)
def test_the_server_may_say_when_to_come_back(text: str, rest: float | None) -> None:
    reader = EventReader()
    assert read(text, reader) == []
    assert reader.rest == rest


def test_other_separators_of_lines_belong_to_the_data() -> None:
    assert read("data: a\u2028b\x0bc\x85d\n\n") == ["a\u2028b\x0bc\x85d"]


def test_lines_are_the_same_however_the_bytes_are_cut() -> None:
    text = "\ufeffone\r\ntwo\rthree\nvier \N{SNOWMAN}\r\n\r\n".encode()
    whole = list(lines_of([text]))
    assert whole == ["one", "two", "three", "vier \N{SNOWMAN}", ""]
    for size in (1, 2, 3, 5):
        cuts = [*range(0, len(text), size), len(text)]
        assert list(lines_of(text[a:b] for a, b in pairwise(cuts))) == whole
