"""The broker of files: messages whole or not there, each taken once, in order, and spoilt ones put aside."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from queue import Empty
from typing import Any

import pytest
from celery import Celery
from kombu.connection import Connection

from nearfar.places import Places
from nearfar.runner import broker
from nearfar.runner.app import TASK, make_app
from nearfar.runner.hints import connect, waiting
from nearfar.server_settings import ServerSettings, to_environment
from tests.worker.runner.serving import CHECKOUT, PATH, settings_for
from tests.worker.runner.taking import take

pytestmark = pytest.mark.usefixtures("places")


@pytest.fixture
def app(settings: ServerSettings, places: Places) -> Celery:
    return make_app(settings, places)


@pytest.fixture
def connection(app: Celery) -> Iterator[Connection]:
    with connect(app) as opened:
        yield opened


def send(app: Celery, *numbers: int) -> None:
    for number in numbers:
        app.send_task(TASK, kwargs={"number": number})


def messages(places: Places) -> list[Path]:
    return sorted(places.hints.glob("*.msg"))


def test_messages_come_in_the_order_in_which_they_were_sent(app: Celery, connection: Connection) -> None:
    send(app, 1, 2, 3)
    assert waiting(connection) == 3
    assert [take(connection) for _ in range(4)] == [1, 2, 3, None]
    assert waiting(connection) == 0


def test_the_order_is_that_of_the_wall_clock_and_outlives_a_boot(
    app: Celery, connection: Connection, places: Places, monkeypatch: pytest.MonkeyPatch
) -> None:
    send(app, 1)
    monkeypatch.setattr(time, "monotonic", lambda: 0.5)  # as after a boot
    send(app, 2)
    assert [int(path.name.split("_")[0]) for path in messages(places)] == sorted(
        int(path.name.split("_")[0]) for path in messages(places)
    )
    assert [take(connection), take(connection)] == [1, 2]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"null",
        b"[1, 2]",
        b'"text"',
        b"{}",
        b"\xff\xfe",
        b'{"body": 1, "properties": 3, "headers": {}}',
        b"[" * 100_000,
    ],
    ids=["empty", "cut off", "null", "list", "text", "nothing in it", "bytes", "odd", "deep"],
)
def test_a_spoilt_message_is_put_aside_and_the_next_one_taken(
    app: Celery, connection: Connection, places: Places, content: bytes
) -> None:
    send(app, 1, 2)
    messages(places)[0].write_bytes(content)
    assert take(connection) == 2
    assert take(connection) is None
    assert len(list(places.hints.glob(".spoilt-*"))) == 1
    assert broker.count_spoilt(places.hints) == 1
    assert broker.count_spoilt(places.hints) == 0, "each is counted once"


def test_a_message_that_is_a_folder_or_a_dangling_link_ends_nobody(
    app: Celery, connection: Connection, places: Places
) -> None:
    (places.hints / f"00_a.{broker.QUEUE}.msg").mkdir()
    (places.hints / f"01_b.{broker.QUEUE}.msg").symlink_to("nowhere")
    send(app, 7)
    assert take(connection) == 7


def test_a_doubled_message_comes_twice_and_a_lost_one_not_at_all(
    app: Celery, connection: Connection, places: Places
) -> None:
    send(app, 1, 2)
    first, second = messages(places)
    first.with_name(first.name.replace("_", "_again")).write_bytes(first.read_bytes())
    second.unlink()
    assert [take(connection) for _ in range(3)] == [1, 1, None]


def test_half_written_messages_are_not_seen_and_old_ones_go(
    app: Celery, connection: Connection, places: Places
) -> None:
    half = places.hints / f".0_x.{broker.QUEUE}.msg.part"
    half.write_bytes(b"{")
    assert take(connection) is None
    broker.sweep(places.hints, now=time.time())
    assert half.exists()
    broker.sweep(places.hints, now=time.time() + broker.STALE + 1)
    assert not half.exists()


def test_sweeping_takes_no_message_that_waits(app: Celery, connection: Connection, places: Places) -> None:
    send(app, 1)
    broker.sweep(places.hints, now=time.time() + 2 * broker.STALE)
    assert take(connection) == 1


def test_the_folder_comes_back_when_it_was_removed(
    app: Celery, connection: Connection, places: Places
) -> None:
    places.hints.rmdir()
    assert take(connection) is None
    send(app, 5)
    assert take(connection) == 5


def test_files_of_other_queues_are_left_alone(app: Celery, connection: Connection, places: Places) -> None:
    other = places.hints / "1_a.others.msg"
    other.write_text("{}")
    assert take(connection) is None
    channel: Any = connection.default_channel
    send(app, 1)
    assert channel.queue_purge(broker.QUEUE) == 1
    assert other.exists()


def test_of_many_takers_each_message_has_exactly_one(
    app: Celery, settings: ServerSettings, places: Places
) -> None:
    send(app, *range(120))
    line = [sys.executable, "-m", "tests.worker.runner.taking"]
    environment = {**os.environ, **to_environment(settings), "PYTHONPATH": PATH}
    takers = [subprocess.Popen(line, env=environment, cwd=CHECKOUT, stdout=subprocess.PIPE) for _ in range(3)]
    found = [json.loads(taker.communicate(timeout=60)[0]) for taker in takers]
    assert sorted(number for numbers in found for number in numbers) == list(range(120))
    assert all(numbers == sorted(numbers) for numbers in found)


def test_a_message_is_json_that_anyone_can_read(app: Celery, places: Places) -> None:
    """Celery's message protocol, version 2: headers hold id and task, the body is [args, kwargs, embed]."""
    send(app, 3)
    message = json.loads(messages(places)[0].read_text())
    assert message["headers"]["task"] == TASK
    assert message["content-type"] == "application/json"


def test_get_says_empty_where_there_is_nothing(connection: Connection) -> None:
    channel: Any = connection.default_channel
    with pytest.raises(Empty):
        channel._get(broker.QUEUE)


def test_the_address_of_redis_is_given_options_that_let_nobody_wait(tmp_path: Path) -> None:
    settings = settings_for(tmp_path, broker={"url": "redis://localhost:1/0"})
    options = broker.transport_options(settings, Places(**_places(tmp_path)))
    assert options["socket_connect_timeout"] == 1
    assert options["socket_timeout"] == 5
    assert options["max_retries"] == 0
    assert broker.address(settings) == "redis://localhost:1/0"
    assert os.fspath(tmp_path) not in str(options)


def _places(folder: Path) -> dict[str, Any]:
    return {"data": folder, "scratch": folder, "moved": folder, "store_url": "", "broker_url": None}
