"""What a person may ask to be used in a region of a picture."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from nearfar.merge.mending.region import Region

EDGE = 12
"""Pixels of the soft edge where nothing else is asked for."""


class Use(StrEnum):
    """What to use in a region."""

    FRAME = "frame"
    """One frame alone, as it was carried into the picture's geometry and brightness."""
    SMOOTH = "smooth"
    """Nothing of what is there but its even colours: for plain places that no frame has sharp."""
    QUIET = "quiet"
    """The same with less noise: more frames averaged where they agree, and what is left of it taken down."""
    MAP = "map"
    """At each place the one frame that the focus map names."""


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What to use where."""

    use: Use
    region: Region
    edge: int = EDGE
    """Pixels outside the region over which the picture goes back to what it was."""
    frame: int | None = None
    """For `Use.FRAME`: number of the frame, counted from 1 as the job's frames are."""
