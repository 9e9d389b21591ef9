"""Reads server-sent events (WHATWG HTML Living Standard, 9.2) from pieces of bytes, as they come."""

from __future__ import annotations

import codecs
from collections.abc import Iterable, Iterator
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class ServerEvent:
    """One event."""

    name: str
    """``message`` if the server gave none."""
    data: str


class EventReader:
    """Reads one stream after another; between them it remembers where the last one stood.

    Lines end with CR, LF or both, and with nothing else: other line separators may stand in the data.
    """

    def __init__(self) -> None:
        self.last_id = ""
        """Sent to the server as ``Last-Event-ID``."""
        self.rest: float | None = None
        """Seconds to wait before reconnecting, if the server asked for a time."""

    def read(self, pieces: Iterable[bytes]) -> Iterator[ServerEvent]:
        """Events of one stream; one that is cut off in the middle does not count."""
        name, seen = "", self.last_id
        data: list[str] = []
        for line in lines_of(pieces):
            if not line:
                self.last_id = seen
                if data:
                    yield ServerEvent(name=name or "message", data="\n".join(data))
                name, data = "", []
                continue
            field, _, value = line.partition(":")
            value = value.removeprefix(" ")
            if field == "event":
                name = value
            elif field == "data":
                data.append(value)
            elif field == "id" and "\0" not in value:
                seen = value
            elif field == "retry" and value.isascii() and value.isdigit():
                self.rest = int(value) / 1000


def lines_of(pieces: Iterable[bytes]) -> Iterator[str]:
    """Complete lines of a stream of UTF-8, without their ends and the byte order mark; bad bytes are replaced."""
    decode = codecs.getincrementaldecoder("utf-8")("replace").decode
    held, after_cr, first = "", False, True
    for piece in pieces:
        text = decode(piece)
        if text and first:
            text, first = text.removeprefix("\ufeff"), False
        if after_cr and text:
            text = text.removeprefix("\n")
            after_cr = False
        after_cr = after_cr or text.endswith("\r")
        held += text.replace("\r\n", "\n").replace("\r", "\n")
        *whole, held = held.split("\n")
        yield from whole
