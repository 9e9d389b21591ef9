"""Frames that do not belong among their neighbours: something held before the lens, a shaken one, a flash that failed.

They are found before stacks are looked for, so that each is judged by what stands on both sides of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.intake.card.likeness import Likeness
from nearfar.intake.card.previews import Look
from nearfar.intake.card.sharpness import Patterns

DARK = 14
"""A frame is covered if 98 % of it is below this encoded luma, 0..255: four stops below middle grey or more."""
FLAT = 9.0
"""A frame shows nothing if the standard deviation of encoded luma in its blocks is below this."""
FLASH_EV = 0.7
"""Difference in brightness to its neighbours, at the same settings, from which a flash counts as failed."""

SOFTER = 0.45
"""By how much less detail than its neighbours a frame has if it hardly has any; see `soft_level`."""


@dataclass(frozen=True, kw_only=True)
class Odd:
    """Why a frame does not belong. ``covers``: whether it seems to show something held before the lens on purpose."""

    kind: str  # 'dark', 'blank', 'soft', 'unlike', 'brightness', 'shaken'
    why: str
    covers: bool


def blank(look: Look) -> Odd | None:
    """A frame that shows nothing by itself: dark, or one even tone."""
    small = look.small.astype(np.float32)
    if float(np.quantile(small, 0.98)) < DARK:
        return Odd(kind="dark", why="dark all over: a cap or a hand before the lens", covers=True)
    blocks = _block_spread(small)
    if float(np.quantile(blocks, 0.9)) < FLAT / 3 and float(small.std()) < FLAT * 3:
        return Odd(kind="blank", why="one even tone: a sheet or a hand before the lens", covers=True)
    return None


def _block_spread(small: NDArray[np.float32]) -> NDArray[np.float32]:
    h, w = small.shape
    cut = small[: h // 8 * 8, : w // 8 * 8].reshape(h // 8, 8, w // 8, 8)
    return np.asarray(cut.std(axis=(1, 3)), np.float32)


def soft_level(look: Look) -> float:
    """How much detail a frame has: mean logarithm of the finest octave."""
    return float(np.log(look.sharp[0] + 0.35).mean())


def unlike(look: Look, before: Look, after: Look) -> Odd:
    """A frame between others that shows something else than they do."""
    if softer_than_both(look, before, after):
        return Odd(kind="soft", why="something out of focus before the lens", covers=True)
    return Odd(kind="unlike", why="shows something else than the frames around it", covers=False)


def softer_than_both(look: Look, before: Look, after: Look) -> bool:
    """Whether a frame has hardly any detail compared with either neighbour."""
    return soft_level(look) < min(soft_level(before), soft_level(after)) - SOFTER


def off_in_brightness(one: Likeness, two: Likeness, across: Likeness) -> Odd | None:
    """A frame whose brightness is off both neighbours, which agree with each other."""
    agree = abs(across.gain_ev) < 0.35 * FLASH_EV + 0.1
    off = min(abs(one.gain_ev), abs(two.gain_ev)) > FLASH_EV and one.gain_ev * two.gain_ev < 0
    if not (agree and off):
        return None
    how = "darker" if one.gain_ev < 0 else "brighter"
    why = f"{abs(one.gain_ev):.1f} EV {how} than its neighbours at the same settings: the flash or a lamp failed"
    return Odd(kind="brightness", why=why, covers=False)


def shaken(found: Patterns, at: int) -> Odd | None:
    """A frame blurred everywhere beside both neighbours, whose patterns are nearer to each other than to it."""
    level, apart = found.level, found.apart
    dip = min(level[at - 1], level[at + 1]) - level[at]
    bend = (level[at - 1] + level[at + 1]) / 2 - level[at]
    if dip < 0.1 or bend < max(0.18, 4 * _usual_bend(level, at)):
        return None
    across, here = apart[at - 1, at + 1], min(apart[at - 1, at], apart[at, at + 1])
    surely = dip > 0.5 and len(level) > 5
    if across > 1.1 * here and not surely:
        return None
    return Odd(
        kind="shaken", why="blurred all over beside its neighbours: the camera was shaken", covers=False
    )


def _usual_bend(level: NDArray[np.float64], at: int) -> float:
    """Median distance of a frame's level from the mean of its neighbours', away from the one in question."""
    bends = np.abs(level[1:-1] - (level[:-2] + level[2:]) / 2)
    away = np.abs(np.arange(1, len(level) - 1) - at) > 1
    return float(np.median(bends[away])) if away.any() else 0.0
