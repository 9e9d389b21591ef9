"""One orientation for all frames of a stack, decided from its headers alone.

A camera that looks straight up or down, as on a copy stand, writes orientation tags at random, while the scene lies
alike on its sensor. Frames that are stored in one size are therefore brought upright by one tag: that of the frame that a
person named as the reference, else that of most frames. Where only the tags give all frames one size, somebody turned the
pixels of some, and each frame's own tag holds.

Every process that works on a stack decides alike from the same files, so nothing has to be passed between them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from nearfar.frames.decode import read_header
from nearfar.frames.headers import FrameHeader
from nearfar.frames.orient import of_most

Size = tuple[int, int]


def orientations(every: Sequence[FrameHeader], reference: str | None = None) -> dict[Size, int]:
    """The orientation that decides, by stored size, where frames of that size carry several.

    Parameters
    ----------
    every
        Headers of all frames of the stack, in the order in which they were taken.
    reference
        What names the reference frame, see `named`.
    """
    found = of_most((h.stored_size, own(h)) for h in every)
    if reference is not None:
        for header in every:
            if header.stored_size in found and named(header, reference):
                return {**found, header.stored_size: own(header)}
    return found


def named(header: FrameHeader, reference: str) -> bool:
    """Whether this is the frame that a person means by a file name, with or without ending, or by a path."""
    return reference in (header.path.name, header.path.stem, str(header.path))


def own(header: FrameHeader) -> int:
    """The orientation that a frame's file carries, 1..8."""
    return header.tagged or header.orientation


def turned_alike(
    headers: Sequence[FrameHeader], reference: str | None = None, every: Sequence[FrameHeader] | None = None
) -> list[FrameHeader]:
    """The same headers, asking for one orientation; ``every`` holds all of the stack if these are only some.

    Raises
    ------
    FrameRefused
        A file cannot be read any more.
    """
    wanted = orientations(headers if every is None else every, reference)
    return [_turned(h, wanted.get(h.stored_size, own(h))) for h in headers]


def _turned(header: FrameHeader, orientation: int) -> FrameHeader:
    return header if header.orientation == orientation else read_header(header.path, orientation)


def words(headers: Sequence[FrameHeader]) -> str | None:
    """Which frames were not turned by their own tags, as a sentence for people; None if there are none."""
    odd = [h for h in headers if h.tagged is not None]
    if not odd:
        return None
    tags = sorted({own(h) for h in odd})
    told = f"{', '.join(str(t) for t in tags[:-1])} or {tags[-1]}" if len(tags) > 1 else str(tags[0])
    who = (
        f"{odd[0].path.name} carries"
        if len(odd) == 1
        else f"{len(odd)} of them, {odd[0].path.name} first, carry"
    )
    return (
        f"all frames are turned by the orientation tag {odd[0].orientation}, though {who} {told}: they are stored in one "
        "size, and a camera that looks up or down writes any"
    )


def as_json(header: FrameHeader) -> dict[str, int] | None:
    """How a frame was turned, for the report; None if by its own tag."""
    return None if header.tagged is None else {"tag": header.tagged, "as": header.orientation}


def from_json(said: Mapping[str, Any] | None) -> int | None:
    """The orientation to read a frame's header with, by what a report says of it; None to obey the file."""
    asked = said.get("as") if said else None
    return asked if asked in range(1, 9) else None
