"""Take messages as a worker does; as a program: all that wait, and print their numbers."""

from __future__ import annotations

import json
from typing import Any

from kombu.connection import Connection

from nearfar.places import places_of
from nearfar.runner import broker
from nearfar.runner.app import make_app
from nearfar.runner.hints import connect
from nearfar.server_settings import load_server


def take(connection: Connection) -> int | None:
    """The number in the next message; None where none waits."""
    channel: Any = connection.default_channel
    message = channel.basic_get(broker.QUEUE, no_ack=True)
    return None if message is None else int(message.payload[1]["number"])


def main() -> None:
    settings = load_server()
    found = []
    with connect(make_app(settings, places_of(settings))) as connection:
        while (number := take(connection)) is not None:
            found.append(number)
    print(json.dumps(found))


if __name__ == "__main__":
    main()
