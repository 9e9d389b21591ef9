"""The one reader behind all event streams: quiet while nobody listens, complete while anyone does."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any

import pytest

from nearfar.errors import StoreUnreachable
from nearfar.jobs import Event, Store
from nearfar_api.live import sse
from nearfar_api.live.feed import BEHIND, Feed, Listener, Progress
from tests.api.conftest import Client
from tests.api.making import submit

PATIENCE = 30.0


def run(work: Callable[[Feed], Coroutine[Any, Any, None]], client: Client) -> None:
    """Run a test's part inside an event loop, with a feed that looks often."""

    async def inside() -> None:
        feed = Feed(client.app.state.context, every=0.01)
        try:
            await work(feed)
        finally:
            await feed.close()

    asyncio.run(inside())


async def heard(listener: Listener) -> Event | Progress | None:
    return await asyncio.wait_for(listener.queue.get(), PATIENCE)


async def number(listener: Listener) -> int:
    """Number of the next event, whatever else is told."""
    while not isinstance(message := await heard(listener), Event):
        pass
    return message.id


async def in_thread(call: Callable[[], object]) -> None:
    await asyncio.to_thread(call)


async def until(fits: Callable[[], bool]) -> None:
    async with asyncio.timeout(PATIENCE):
        while not fits():
            await asyncio.sleep(0.01)


def test_nobody_listening_costs_nothing(client: Client, store: Store) -> None:
    async def work(feed: Feed) -> None:
        listener = await feed.join(None)
        await until(lambda: feed.looks > 1)
        feed.leave(listener)
        await until(lambda: feed._task is None)
        looks = feed.looks
        await asyncio.sleep(0.1)
        assert feed.looks == looks
        again = await feed.join(None)
        await in_thread(lambda: submit(store))
        message = await heard(again)
        assert isinstance(message, Event)
        assert message.action == "job.submitted"

    run(work, client)


def test_one_look_serves_all(client: Client, store: Store) -> None:
    async def work(feed: Feed) -> None:
        listeners = await asyncio.gather(*(feed.join(None) for _ in range(50)))
        assert len({id(task) for task in asyncio.all_tasks() if task.get_name() == "feed"}) == 1
        await in_thread(lambda: submit(store))
        for listener in listeners:
            first, second = await heard(listener), await heard(listener)
            assert isinstance(first, Event)
            assert isinstance(second, Progress)
            assert listener.queue.empty(), "each once"

    run(work, client)


def test_a_listener_of_one_job_hears_of_no_other(client: Client, store: Store) -> None:
    mine, other = submit(store), submit(store)

    async def work(feed: Feed) -> None:
        listener = await feed.join(mine)
        await in_thread(lambda: store.cancel(other, who="lena"))
        await in_thread(lambda: store.cancel(mine, who="lena"))
        first = await heard(listener)
        assert isinstance(first, Event)
        assert first.job == mine
        second = await heard(listener)
        assert isinstance(second, Progress)
        assert second.ended

    run(work, client)


def test_a_store_that_is_away_for_a_while_loses_nobody_an_event(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def work(feed: Feed) -> None:
        listener = await feed.join(None)
        tries: list[int] = []

        def away(*_: object, **__: object) -> None:
            tries.append(1)
            raise StoreUnreachable("away")

        with monkeypatch.context() as patch:
            patch.setattr(store, "jobs", away)
            await until(lambda: len(tries) >= 2)
            await in_thread(lambda: submit(store))
        message = await heard(listener)
        assert isinstance(message, Event)

    run(work, client)


def test_an_event_that_becomes_visible_late_is_still_told(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(3):
        submit(store)

    async def work(feed: Feed) -> None:
        listener = await feed.join(None)
        real = store.events
        hidden = store.last_event() + 1

        def late(after: int = 0, **more: Any) -> tuple[Event, ...]:
            return tuple(event for event in real(after, **more) if event.id != hidden)

        # PostgreSQL gave the lower number to the transaction that ends later.
        with monkeypatch.context() as patch:
            patch.setattr(store, "events", late)
            await in_thread(lambda: [submit(store), submit(store)])
            assert await number(listener) == hidden + 1
        while await number(listener) != hidden:
            pass

    run(work, client)


def test_who_does_not_keep_up_is_let_go(client: Client) -> None:
    async def work(feed: Feed) -> None:
        listener = Listener(None)
        event = Event(id=1, at=0.0, who="x", action="job.held", job=1, unit=None, detail={})
        for _ in range(BEHIND + 1):
            listener.tell(event)
        assert await heard(listener) is None

    run(work, client)


def test_a_feed_that_was_closed_ends_every_stream(client: Client) -> None:
    async def work(feed: Feed) -> None:
        listener = await feed.join(None)
        await feed.close()
        assert await heard(listener) is None
        assert await heard(await feed.join(1)) is None

    run(work, client)


def test_messages_are_framed_as_the_standard_says() -> None:
    # WHATWG HTML, 9.2.6: lines end a field, an empty line ends an event; a comment begins with a colon.
    assert sse.message("job.held", "{}", place="7") == b"id: 7\nevent: job.held\ndata: {}\n\n"
    assert sse.message("x", "a\nb\r\nc\rd") == b"event: x\ndata: a\ndata: b\ndata: c\ndata: d\n\n"
    assert sse.retry(2.0) == b"retry: 2000\n\n"
    assert sse.STILL_HERE.startswith(b":")
    assert sse.STILL_HERE.endswith(b"\n\n")


def test_silence_is_broken_by_comments(client: Client, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sse, "KEEP_ALIVE", 0.01)
    job = submit(store)
    sent: list[bytes] = []

    async def inside() -> None:
        waiting = asyncio.Event()

        async def receive() -> dict[str, Any]:
            await waiting.wait()
            return {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            sent.append(message.get("body", b""))
            if sse.STILL_HERE in sent:
                waiting.set()

        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": "GET",
            "path": f"/api/v1/jobs/{job}/events",
            "raw_path": f"/api/v1/jobs/{job}/events".encode(),
            "root_path": "",
            "scheme": "http",
            "query_string": b"",
            "headers": [(b"host", b"localhost")],
            "client": ("127.0.0.1", 1),
            "server": ("127.0.0.1", 2),
        }
        call: Awaitable[None] = client.app(scope, receive, send)
        await asyncio.wait_for(call, PATIENCE)
        feed: Feed = client.app.state.feed
        assert not feed._listeners, "who left is forgotten"
        await feed.close()

    asyncio.run(inside())
    assert sse.STILL_HERE in sent
