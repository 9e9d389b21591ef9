"""What ``Range`` asks for (RFC 9110, section 14), and what the conditions before it say (section 13)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from email.utils import format_datetime, parsedate_to_datetime

MOST = 16
"""Parts of one request; more are passed over, and all is sent (14.2 lets a server do so)."""
SPEC = re.compile(r"(\d+)-(\d*)|-(\d+)")


class NotSatisfiable(Exception):
    """None of the requested parts exists: 416."""


def parse(field: str | None, size: int) -> list[tuple[int, int]]:
    """Parts as first byte and one past the last, in the order asked for; empty: all of it.

    Raises
    ------
    NotSatisfiable
    """
    unit, _, specs = (field or "").partition("=")
    if unit.strip().casefold() != "bytes":
        return []
    found: list[tuple[int, int]] = []
    for text in specs.split(","):
        match = SPEC.fullmatch(text.strip(" \t"))
        if match is None or (match[2] and int(match[2]) < int(match[1])):
            return []  # 14.1.1: an invalid range; 14.2: then as if there were no such field
        part = _part(match, size)
        if part is not None:
            found.append(part)
    if len(specs.split(",")) > MOST:
        return []
    if not found:
        raise NotSatisfiable
    return _joined(found)


def _part(match: re.Match[str], size: int) -> tuple[int, int] | None:
    if match[3]:
        length = min(int(match[3]), size)
        return (size - length, size) if length else None
    first = int(match[1])
    last = min(int(match[2]), size - 1) if match[2] else size - 1
    return (first, last + 1) if first < size else None


def _joined(parts: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Parts that overlap or touch become one, which 15.3.7.2 allows; if any do, all go in the file's order."""
    ordered = sorted(parts)
    joined = ordered[:1]
    for first, stop in ordered[1:]:
        if first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(stop, joined[-1][1]))
        else:
            joined.append((first, stop))
    return parts if len(joined) == len(parts) else joined


def http_date(seconds: float) -> str:
    """A time as in `Last-Modified`."""
    return format_datetime(datetime.fromtimestamp(int(seconds), UTC), usegmt=True)


def outcome(headers: Mapping[str, str], *, tag: str, modified: float) -> int:
    """200, or 304 or 412 by the conditions, in the order of 13.2.2."""
    if "if-match" in headers:
        if not _names(headers["if-match"], tag, weak=False):
            return 412
    elif "if-unmodified-since" in headers and _newer(headers["if-unmodified-since"], modified):
        return 412
    if "if-none-match" in headers:
        return 304 if _names(headers["if-none-match"], tag, weak=True) else 200
    since = headers.get("if-modified-since")
    if since is not None and _newer(since, modified) is False:
        return 304
    return 200


def range_holds(headers: Mapping[str, str], *, tag: str, modified: float) -> bool:
    """What ``If-Range`` says (13.1.5): a weak tag never matches, a date only if it is the very one."""
    field = headers.get("if-range")
    if field is None:
        return True
    if field.startswith(('"', "W/")):
        return field == tag
    return field == http_date(modified)


def _names(field: str, tag: str, *, weak: bool) -> bool:
    if field.strip() == "*":
        return True
    tags = re.findall(r'(W/)?("[^"]*")', field)
    return any(value == tag and (weak or not prefix) for prefix, value in tags)


def _newer(field: str, modified: float) -> bool | None:
    """Whether a file changed after a date; None if it is no date, and the field counts for nothing."""
    try:
        date = parsedate_to_datetime(field)
    except ValueError:
        return None
    return int(modified) > date.replace(tzinfo=date.tzinfo or UTC).timestamp()
