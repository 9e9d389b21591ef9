"""What every step on a whole stack is given of it: its surveyed frames, and what holds for all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from nearfar.merge.focus.seen import Held
from nearfar.merge.noise import Noise
from nearfar.merge.recipe import Recipe
from nearfar.merge.scratch import Scratch
from nearfar.merge.survey import Surveyed


@dataclass(frozen=True, kw_only=True)
class SurveyedStack:
    """Frames that were surveyed, alike in size and depth, in the order in which they were taken."""

    scratch: Scratch
    """Where their surveys lie, and outputs are looked up and stored."""
    frames: Sequence[Surveyed]
    noise: Noise
    """Of the samples; the same for all frames."""
    recipe: Recipe
    threads: int
    """How many may be used; at least 1."""
    held: Held = field(default_factory=lambda: Held(0))
    """What coverage and focus both look at, as far as there is memory for it."""

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of a frame, pixels."""
        header = self.frames[0].header
        return header.width, header.height
