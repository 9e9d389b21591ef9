"""The keys of one stack's outputs, and which of its frames a name stands for."""

from __future__ import annotations

from collections.abc import Sequence

from nearfar import __version__
from nearfar.errors import UsageError
from nearfar.frames.headers import FrameHeader
from nearfar.merge import focusing, registering, rendering, sensing
from nearfar.merge.coverage.stack import coverage_key
from nearfar.merge.keys import key
from nearfar.merge.recipe import Recipe
from nearfar.merge.survey import survey_key
from nearfar.merge.turning import named

DELIVER_VERSION = 2
"""Raised when delivery makes other files of the same bands."""


def place_of(reference: str | None, headers: Sequence[FrameHeader]) -> int | None:
    """Place of the reference frame, given by its file name, with or without ending, or by its path; None stays None.

    Raises
    ------
    UsageError
        No frame has that name.
    """
    if reference is None:
        return None
    names = [h.path.name for h in headers]
    for place, header in enumerate(headers):
        if named(header, reference):
            return place
    there = ", ".join(names[:6]) + (" ..." if len(names) > 6 else "")
    raise UsageError(f"--reference {reference}: no frame has that name; there are {there}")


class Keys:
    """The keys of a stack's outputs. Each step's key contains that of the step before.

    Parameters
    ----------
    headers, digests
        Of all frames, in the order in which they were taken.
    reference
        Place of the frame whose geometry the picture takes; None leaves the choice to registration.
    """

    def __init__(
        self, headers: Sequence[FrameHeader], digests: Sequence[str], recipe: Recipe, reference: int | None
    ) -> None:
        self.recipe = recipe
        self._names = [h.path.name for h in headers]
        self.surveys = [survey_key(h, d) for h, d in zip(headers, digests, strict=True)]
        self.register = registering.register_key(self.surveys, recipe, reference)
        self.coverage = coverage_key(self.register, self._names, recipe)
        self.spots = sensing.spots_key(self.register, recipe)
        self.focus = focusing.focus_key(self.register, recipe)

    def bands(self, count: int) -> list[str]:
        """Keys of the picture's bands, from the top; ``count`` is how many it has."""
        return rendering.band_keys(self.focus, self.recipe, count)

    @property
    def result(self) -> str:
        """Key of the picture and its side files."""
        params = {"names": self._names, "deliver": self.recipe.deliver, "software": __version__}
        return key("deliver", DELIVER_VERSION, params, [*self.bands(1), self.coverage])
