"""What registration is given and what it returns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.bend import Bend
from nearfar.merge.kernel.loader import Pixels


class FrameView(Protocol):
    """One surveyed frame. Its arrays may be read from disk anew at each access: they are dropped after use."""

    @property
    def name(self) -> str:
        """File name, for messages."""

    @property
    def number(self) -> int:
        """Place in the sequence; frames that were left out leave holes."""

    @property
    def small(self) -> NDArray[np.float32] | NDArray[np.uint16]:
        """(h // 4, w // 4) linear-light luma, mean of 4 x 4 pixels; whole numbers count 1/65535 each."""

    @property
    def energy(self) -> NDArray[np.float32]:
        """(bands, Hc, Wc) mean squared Laplacian band of encoded luma per 16-px cell, finest band first."""

    @property
    def noise(self) -> tuple[float, float, float]:
        """Variance that noise alone leaves in each band of ``energy``."""

    @property
    def pixels(self) -> Pixels:
        """Full-size samples in any stride."""

    @property
    def light(self) -> NDArray[np.float32]:
        """Table from sample to linear light, 256 or 65536 entries."""


@dataclass(frozen=True, kw_only=True)
class FramePose:
    """What was found for one frame.

    ``pose`` maps the reference's (x, y) to this frame's. ``why`` says why a frame was left out, or carries a remark on
    one that is used. ``gain_ev``: log2 of how much brighter the frame is than the stack (mean 0). ``likeness``: the
    best correlation with a neighbour. ``sigma``: error against its neighbours, ``drift``: against the reference, both
    RMS px over the picture. ``repeats``: name of the frame before it, if that has the same focus. ``bend``: how the frame is
    displaced beyond its pose, if that was corrected.
    """

    used: bool
    why: str | None
    pose: NDArray[np.float64] | None
    gain_ev: float
    confidence: float
    likeness: float
    sigma: float
    drift: float
    repeats: str | None = None
    bend: Bend | None = None


@dataclass(frozen=True, kw_only=True)
class Bent:
    """What was corrected beyond shift, scale and roll: RMS px over what is in focus in the frame at ``place``,
    which had most of it, and what is ``left``.
    """

    size: float
    place: int
    left: float


@dataclass(frozen=True, kw_only=True)
class Registration:
    """``reference`` is a place in ``frames``, which answer the given frames one to one."""

    reference: int
    frames: tuple[FramePose, ...]
    warnings: tuple[str, ...]
    bent: Bent | None = None
