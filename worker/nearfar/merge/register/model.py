"""What registration is given and what it returns."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import StackRefused
from nearfar.merge.kernel.bend import Bend
from nearfar.merge.kernel.loader import Pixels


class FrameView(Protocol):
    """One surveyed frame. Each access may read an array from disk again, so arrays are not held longer than needed."""

    @property
    def name(self) -> str:
        """File name, for messages."""

    @property
    def number(self) -> int:
        """Number in the sequence; numbers of frames that were left out before are missing."""

    @property
    def small(self) -> NDArray[np.float32] | NDArray[np.uint16]:
        """Linear-light luma (h // 4, w // 4), means of 4 x 4 pixels; white is 1, or 65535 in whole numbers."""

    @property
    def energy(self) -> NDArray[np.float32]:
        """(bands, R, C), mean square of each band of encoded luma in cells of 16 pixels, finest band first."""

    @property
    def noise(self) -> tuple[float, float, float]:
        """What noise alone contributes to each band of ``energy``."""

    @property
    def pixels(self) -> Pixels:
        """Full-size samples."""

    @property
    def light(self) -> NDArray[np.float32]:
        """Table from sample to linear light, 256 or 65536 entries."""


@dataclass(frozen=True, kw_only=True)
class FramePose:
    """What registration found for one frame."""

    used: bool
    why: str | None
    """Why it was left out, or a remark on a frame that is used."""
    pose: NDArray[np.float64] | None
    """(2, 3), from the reference's (x, y) to this frame's, pixels; None for a frame that is left out."""
    gain_ev: float
    """How much brighter it is than the stack, whose mean is 0."""
    confidence: float
    """How sure the pose is, 0..1."""
    likeness: float
    """Its best correlation with a neighbour, at most 1."""
    sigma: float
    """Error of its pose against its neighbours, RMS px over the picture."""
    drift: float
    """Error of its pose against the reference, RMS px over the picture."""
    repeats: str | None = None
    """Name of the frame before it, if that has the same focus."""
    bend: Bend | None = None
    """How it is displaced beyond its pose, if that is corrected."""

    def left_out(self, why: str) -> Self:
        """The same frame left out after it was lined up."""
        return replace(self, used=False, why=why, pose=None, gain_ev=0.0, confidence=0.0, bend=None)


@dataclass(frozen=True, kw_only=True)
class Bent:
    """How much was corrected beyond shift, scale and roll."""

    size: float
    """RMS px over what is in focus in the frame that needed most."""
    place: int
    """That frame's place."""
    left: float
    """RMS px that remain after the correction."""


@dataclass(frozen=True, kw_only=True)
class Registration:
    """The registration of a stack."""

    reference: int
    """Place of the frame whose geometry the picture takes."""
    frames: tuple[FramePose, ...]
    """One for each frame that was given, in order."""
    warnings: tuple[str, ...]
    """Sentences for people, about the stack as a whole."""
    bent: Bent | None = None
    """None if nothing was bent."""
    banded: bool = False
    """Whether rows of frames are brighter or darker in bands, as lamps that pulse leave them."""

    @property
    def used(self) -> list[int]:
        """Places of the frames that go into the picture, ascending."""
        return [place for place, frame in enumerate(self.frames) if frame.used]

    def pose_at(self, place: int) -> NDArray[np.float64]:
        """Pose of a frame that is used. Raises `StackRefused` if it has none."""
        pose = self.frames[place].pose
        if pose is None:
            raise StackRefused(f"frame {place + 1} has no pose")
        return pose
