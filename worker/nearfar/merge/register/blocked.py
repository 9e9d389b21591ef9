"""Frames whose view was blocked: by a hand that ends a sequence, or a person who walks by.

Such a frame may still resemble its neighbours enough to be lined up with them, the more so the more blurred the hand
is. It gives itself away by a large part, in from the border, whose light or colour differs from all neighbours, far more
than a step of focus changes it; or, where the hand is as bright and as coloured as what it covers, by a part whose coarse
pattern is gone although its neighbours share it. At an end of the stack it closes the sequence and goes. Between two
frames it may be the only one that is sharp somewhere: there light alone is asked, and it goes only where it resembles
them little, or where little of it can be seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.bend import onto_frame, onto_picture
from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.kernel.picture_calls import every
from nearfar.merge.register.model import FramePose

F32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

REDUCED = 4
"""Edge, in pixels of the small picture (a quarter of full size), of one place."""
CELL = 4
"""Edge, in places, of the cells whose light is compared (64 pixels of the frame)."""
DIFFERENT_EV = 0.5
"""Difference in light from which a cell shows something else."""
ANOTHER_COLOUR = 0.3
"""The same of red or blue against green. In good frames at an end hardly a cell reaches it."""
ALIKE_EV = 0.2
"""Within this much, cells show the same difference."""
GONE, SHARED = 0.5, 0.85
"""Correlation of a pattern below which it is not the neighbour's, where that and the next one reach the other."""
CONTRAST_EV = 0.04
"""Least contrast of such a pattern in the neighbour."""
FINER, COARSER, AROUND = 0.7, 2.5, 3.0
"""Sigmas in places: what is finer and coarser than the pattern, and the surroundings that are correlated."""
SHARE = 0.08
"""Share of the cells from which on something is held before the lens. Where nothing is, frames of rendered stacks of
all kinds stay at 0, but for movement."""
ALIKE = 0.85
"""Frames between others that resemble a neighbour more than this stay ..."""
MOST = 0.4
"""... unless so much of them is covered. (All these thresholds are our own, measured on rendered stacks.)"""
LAMP = 4.0
"""Times a cell's light from which a place in or beside it is a lamp, whose blur carries light and colour into the cell."""
TOGETHER = 8
"""Frames that are looked at in one go; of these and two on both sides the light is held."""
DARK = 0.01
"""Linear light that is added before the comparison, so that noise in black does not count."""


def light_places(small: F32) -> F32:
    """Mean linear light of places of 16 x 16 pixels, from the small picture (h // 4, w // 4)."""
    rows, cols = max(1, small.shape[0] // REDUCED), max(1, small.shape[1] // REDUCED)
    part = small[: rows * REDUCED, : cols * REDUCED]
    return np.ascontiguousarray(cv2.resize(part, (cols, rows), interpolation=cv2.INTER_AREA), np.float32)


def colour_places(pixels: Pixels) -> F32:
    """Linear light (3, r, c) of the same places, from four pixels of each."""
    rows, cols = (max(1, n // 4 // REDUCED) for n in pixels.shape)
    start = min(REDUCED, *(n - 1 for n in pixels.shape))
    four = pixels.table[every(pixels, 2 * REDUCED, start)[: 2 * rows, : 2 * cols]]
    beyond = ((0, 2 * rows - four.shape[0]), (0, 2 * cols - four.shape[1]), (0, 0))
    p = np.pad(four, beyond, mode="edge") if any(map(any, beyond)) else four
    mean = (p[::2, ::2] + p[::2, 1::2] + p[1::2, ::2] + p[1::2, 1::2]) * np.float32(0.25)
    return np.ascontiguousarray(mean.transpose(2, 0, 1), np.float32)


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What places of a frame, each ``side`` pixels wide, become in another's: planes are carried to it by `carried`."""

    u: F32
    v: F32
    inside: Bools

    @classmethod
    def between(cls, one: FramePose, two: FramePose, shape: tuple[int, int], side: int) -> Seen:
        """Where the second frame has what lies at the first one's places."""
        assert one.pose is not None  # noqa: S101 - only frames with a pose are compared
        assert two.pose is not None  # noqa: S101
        rows, cols = shape
        middle = (side - 1) / 2
        x, y = np.meshgrid(np.arange(cols) * side + middle, np.arange(rows) * side + middle)
        there = onto_frame(two.pose, two.bend, *onto_picture(one.pose, one.bend, x, y))
        u, v = ((p - middle) / side for p in there)
        inside = (u >= 0) & (u <= cols - 1) & (v >= 0) & (v <= rows - 1)
        return cls(u=u.astype(np.float32), v=v.astype(np.float32), inside=inside)

    def carried(self, plane: F32) -> F32:
        """The second frame's plane as it lies in the first one's geometry."""
        at = self.u, self.v
        return np.asarray(
            cv2.remap(plane, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32
        )

    @property
    def told(self) -> Bools:
        """Cells that the second frame covers whole."""
        return np.asarray(_cells(self.inside.astype(np.float32)) > 0.999)


def other_light(own: F32, other: F32, seen: Seen, limit: float = DIFFERENT_EV) -> Bools:
    """Cells whose light differs from another frame's.

    What most cells differ by alike is the gain; that of the registration is off where a hand covers much.
    """
    apart = np.log2((_cells(own) + DARK) / (_cells(seen.carried(other)) + DARK))
    return _differs(apart, seen.told, limit)


def other_colour(own: F32, other: F32, seen: Seen) -> Bools:
    """Cells (of colours (3, r, c) of places) of which red or blue differs from another frame's, against green."""
    planes = [
        [_cells(plane) + np.float32(DARK) for plane in p] for p in (own, [seen.carried(c) for c in other])
    ]
    out = np.zeros(planes[0][0].shape, np.bool_)
    for k in (0, 2):
        one, two = (np.log2(p[k] / p[1]) for p in planes)
        out |= _differs(one - two, seen.told, ANOTHER_COLOUR)
    return out


def beside_lamps(own: F32, other: F32, seen: Seen) -> Bools:
    """Cells in or beside which either frame has something so bright that its blur, growing or shrinking, lights them."""
    brightest = np.maximum(own, seen.carried(other))
    reach = np.ones((2 * CELL + 1, 2 * CELL + 1), np.uint8)
    near = np.asarray(cv2.dilate(brightest, reach), np.float32)
    light = np.maximum(_cells(own), _cells(seen.carried(other)))
    return np.asarray(_cells(near) > np.float32(LAMP) * light)


def pattern_gone(own: F32, near: tuple[F32, Seen], next_: tuple[F32, Seen]) -> Bools:
    """Cells whose coarse pattern is not that of the neighbour, which it shares with the next frame behind it."""
    mine, (one, two) = _pattern(own), (seen.carried(_pattern(light)) for light, seen in (near, next_))
    told = near[1].told & next_[1].told
    strong = _cells(_around(one * one)) > CONTRAST_EV**2
    return np.asarray(told & strong & (_alike(mine, one) < GONE) & (_alike(one, two) > SHARED))


def _pattern(light: F32) -> F32:
    """What is neither fine nor coarse of the logarithm of light."""
    plane = np.log2(light + np.float32(DARK))
    fine, coarse = (cv2.GaussianBlur(plane, (0, 0), sigma) for sigma in (FINER, COARSER))
    return np.asarray(fine - coarse, np.float32)


def _around(plane: F32) -> F32:
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), AROUND), np.float32)


def _alike(one: F32, two: F32) -> F32:
    """Correlation of two patterns around each cell."""
    power = _around(one * one) * _around(two * two)
    return _cells(np.asarray(_around(one * two) / np.sqrt(power + np.float32(1e-6)), np.float32))


def _differs(apart: F32, told: Bools, limit: float) -> Bools:
    """Cells away from what most of them have alike."""
    if not told.any():
        return told
    return np.asarray(told & (np.abs(apart - _commonest(apart[told])) > limit))


def largest_from_border(differs: Bools, told: Bools) -> float:
    """Share that the largest part takes that reaches the border of what is ``told``."""
    if not (differs & told).any():
        return 0.0
    differs = differs & told
    outside = np.pad(~told, 1, constant_values=True).astype(np.uint8)
    border = cv2.dilate(outside, np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0
    _, labels = cv2.connectedComponents(differs.astype(np.uint8), connectivity=8)
    sizes = np.bincount(labels[differs])
    return float(sizes[np.unique(labels[differs & border])].max(initial=0) / np.count_nonzero(told))


def _commonest(apart: F32) -> float:
    """Mean of the values in the interval of `ALIKE_EV` that contains most of them."""
    ordered = np.sort(apart)
    counts = np.searchsorted(ordered, ordered + np.float32(ALIKE_EV), side="right") - np.arange(len(ordered))
    first = int(counts.argmax())
    return float(ordered[first : first + int(counts[first])].mean())


def _cells(plane: F32) -> F32:
    """Means over `CELL` x `CELL` places, fewer at the right and lower edge."""
    rows, cols = (max(1, n // CELL) for n in plane.shape)
    return np.asarray(cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_AREA), np.float32)


@dataclass(kw_only=True)
class _Stack:
    """The frames of a stack that lie on each other, and what is read of them; few are kept at a time."""

    frames: Sequence[FramePose]
    small: Callable[[int], F32]
    colour: Callable[[int], F32]

    def __post_init__(self) -> None:
        self.used = [k for k, f in enumerate(self.frames) if f.used and f.pose is not None]
        self.light: dict[int, F32] = {}
        """Light of the places of frames, as far as `hold` was asked for them."""

    def hold(self, places: Sequence[int], pool: ThreadPoolExecutor) -> None:
        """Read the light of these frames, and drop that of all others."""
        missing = [k for k in places if k not in self.light]
        made = zip(missing, pool.map(lambda k: light_places(self.small(k)), missing), strict=True)
        self.light = {k: v for k, v in self.light.items() if k in places} | dict(made)

    def seen(self, place: int, other: int) -> Seen:
        """How another frame lies on this one."""
        shape = self.light[place].shape
        return Seen.between(self.frames[place], self.frames[other], (shape[0], shape[1]), 4 * REDUCED)

    def by_light(self, place: int, other: int) -> float:
        """Share of a frame that is covered, as its light says."""
        seen = self.seen(place, other)
        own, light = self.light[place], self.light[other]
        differs = other_light(own, light, seen) & ~beside_lamps(own, light, seen)
        return largest_from_border(differs, seen.told)

    def at_end(self, end: int) -> float:
        """Share of the first (0) or last (-1) frame that is covered, by all that tells; the less of its two neighbours."""
        place, near, far = self.used[:3] if end == 0 else self.used[:-4:-1]
        own, colour = self.light[place], self.colour(place)
        shares = []
        for other, next_ in ((near, far), (far, near)):
            seen, behind = self.seen(place, other), self.seen(place, next_)
            light = self.light[other]
            covered = other_light(own, light, seen) | other_colour(colour, self.colour(other), seen)
            covered &= ~beside_lamps(own, light, seen)
            covered |= pattern_gone(own, (light, seen), (self.light[next_], behind))
            shares.append(largest_from_border(covered, seen.told))
        return min(shares)


def covered_frames(
    frames: Sequence[FramePose], small: Callable[[int], F32], colour: Callable[[int], F32], threads: int = 1
) -> dict[int, float]:
    """Places of the frames whose view was blocked, and the share of the frame that was.

    Parameters
    ----------
    frames
        Of the stack, as registered.
    small
        Reads the small picture, in linear light, of the frame at a place.
    colour
        Reads the colours (3, r, c) of a frame's places, linear light.
    threads
        How many look; both readers are called from all of them.
    """
    stack = _Stack(frames=frames, small=small, colour=colour)
    used = stack.used
    if len(used) < 3:
        return {}
    found: dict[int, float] = {}
    with ThreadPoolExecutor(threads) as pool:
        stack.hold([*used[:3], *used[-3:]], pool)
        found |= zip((used[0], used[-1]), pool.map(stack.at_end, (0, -1)), strict=True)
        for start in range(1, len(used) - 1, TOGETHER):
            end = min(start + TOGETHER, len(used) - 1)
            stack.hold(used[max(0, start - 2) : end + 2], pool)
            shares = pool.map(partial(_between, stack), range(start, end))
            found |= zip(used[start:end], shares, strict=True)
    return {place: share for place, share in sorted(found.items()) if share > SHARE}


def _between(stack: _Stack, at: int) -> float:
    """Share of a frame between others that is covered; 0 where it stays all the same."""
    used = stack.used
    place = used[at]
    shares: list[float] = []
    for other in used[max(0, at - 2) : at] + used[at + 1 : at + 3]:
        shares.append(stack.by_light(place, other))
        if shares[-1] <= SHARE:  # as nearly everywhere
            return 0.0
    stays = stack.frames[place].likeness >= ALIKE and min(shares) <= MOST
    return 0.0 if stays else float(np.median(shares))


def why(share: float) -> str:
    """The remark in the report."""
    return (
        f"something is held before the lens: {100 * share:.0f} % of it shows other light, another colour or nothing of "
        "what its neighbours show"
    )
