"""What a person may ask for in a region of a picture."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from nearfar.merge.mending.region import Region

EDGE = 12
"""Width of the soft edge if nothing else is asked for, pixels."""


class Use(StrEnum):
    """What to use in a region."""

    FRAME = "frame"
    """A single frame, in the picture's geometry and brightness."""
    SMOOTH = "smooth"
    """Even colours in place of all detail, for plain areas that no frame has sharp."""
    QUIET = "quiet"
    """The picture with less noise: averaged with more frames where they agree, and the remaining noise reduced."""
    MAP = "map"
    """At each place the single frame that the focus map names."""


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What to use where."""

    use: Use
    region: Region
    edge: int = EDGE
    """Pixels outside the region over which the mend fades out."""
    frame: int | None = None
    """The frame of `Use.FRAME`: as a person wishes it, its number among the job's frames, from 1; as `mended.Mended` takes
    it, its place among the frames of the picture, from 0."""
