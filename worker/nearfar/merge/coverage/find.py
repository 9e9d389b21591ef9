"""Coverage: before the merge, where the frames leave out a slice of depth, and what to do about it.

Examined are the rise and fall of sharpness over the frames (`curves`), the widths of the steps between them (`steps`),
their order (`order`), frames that are blurred as a whole (`shaken`), and the course of the magnification (`scale`). Plain
areas are never objected to, and a slice with nothing in it is not missed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar.frames.camera import CameraData
from nearfar.merge.coverage.alike import alike_in_focus
from nearfar.merge.coverage.curves import Curves, sharpness_curves
from nearfar.merge.coverage.order import better_order, moved, sweeps
from nearfar.merge.coverage.result import Coverage, Finding, distances_between, distances_beyond
from nearfar.merge.coverage.scale import turns_back
from nearfar.merge.coverage.shaken import shaken_frames
from nearfar.merge.coverage.steps import Widths, between, beyond, step_widths
from nearfar.merge.focus.seen import FocusFrame
from nearfar.merge.kernel.picture_calls import CELL
from nearfar.merge.noise import Noise
from nearfar.merge.recipe import CoverageRecipe

Bools = NDArray[np.bool_]

FEWEST_FRAMES = 4
"""With fewer frames there is no usual step to compare with, and nothing is found."""
LEAST_CELLS = 6
LEAST_SHARE = 0.002
"""What lies in a missing slice must cover at least this many cells and this share of the picture."""
LEAST_END = 0.03
"""The same share for what lies beyond an end; larger, since a background may be meant to be soft."""

LEAST_SEEN = 0.1
"""Share of the mean frame's cells that must be sharpest in a frame for its pose to be asked about."""


def nothing(_: float) -> None:
    """A tick for callers who do not want to know."""


@dataclass(frozen=True, kw_only=True)
class CoverageFrame:
    """A frame as coverage sees it. ``sigma``: error of its pose against its neighbours, RMS px; NaN if unknown."""

    name: str
    view: FocusFrame
    sigma: float = np.nan
    camera: CameraData = field(default_factory=CameraData)


def find_coverage(
    frames: Sequence[CoverageFrame],
    *,
    size: tuple[int, int],
    noise: Noise,
    recipe: CoverageRecipe,
    threads: int = 1,
    tick: Callable[[float], None] = nothing,
) -> Coverage:
    """Find what a stack leaves out.

    Parameters
    ----------
    frames
        The used frames, in order.
    size
        Width and height of the picture in pixels.
    noise
        Of the stack.
    recipe
        How much detail may be lost midway between two frames, and how far the stage moved.
    tick
        Called with 1 for every frame that was read.
    """
    if len(frames) < FEWEST_FRAMES:
        return Coverage(frames=len(frames))
    curves = sharpness_curves([f.view for f in frames], noise=noise, threads=threads, tick=tick)
    widths = step_widths(curves)
    limit = -2 * np.log(recipe.detail)
    names = [f.name for f in frames]
    alike = alike_in_focus(curves)
    order = None if alike else better_order(curves)
    shaken = shaken_frames(curves)
    if order is not None and set(moved(order)) <= set(shaken):
        order = None  # a frame that is blurred as a whole looks as if it were focused far away
    if order is not None:
        astray = moved(order)  # those stand between frames that are not their neighbours
        shaken = [k for k in shaken if k not in astray]
    findings = [*_shaken(names, shaken), *_order(names, order), *_backwards(frames, size, order, curves)]
    if alike:
        findings.append(Finding(kind="alike"))
    elif order is None:
        steps = _StepFindings(frames, curves, widths, size, recipe, float(limit))
        findings += [*steps.slices(), *steps.ends()]
    return Coverage(
        frames=len(frames),
        detail=_detail(widths),
        widths=tuple(None if np.isnan(w) else round(float(w), 2) for w in widths.width),
        order=None if order is None else tuple(names[k] for k in order),
        findings=tuple(findings),
    )


def _detail(widths: Widths) -> float | None:
    """Share of the finest detail that remains midway in a usual step."""
    return float(np.exp(widths.finest / 16)) if np.isfinite(widths.finest) else None


def _order(names: Sequence[str], order: list[int] | None) -> list[Finding]:
    if order is None:
        return []
    several = sweeps(order)
    if several:
        ends = tuple(names[k] for sweep in several for k in sweep)
        return [Finding(kind="sweeps", after=ends[1], before=ends[2], frames=ends)]
    return [Finding(kind="order", frames=tuple(names[k] for k in moved(order)))]


def _shaken(names: Sequence[str], shaken: Sequence[int]) -> list[Finding]:
    return [
        Finding(kind="shaken", after=names[k - 1], before=names[k + 1], frames=(names[k],)) for k in shaken
    ]


def _backwards(
    frames: Sequence[CoverageFrame], size: tuple[int, int], order: list[int] | None, curves: Curves
) -> list[Finding]:
    """Places where the magnification turns back although the order of focus is right, as one finding.

    Frames in which next to nothing is sharp are not asked: their poses are uncertain, and of no consequence.
    """
    if order is not None:
        return []
    seen = _seen_in(curves)
    found = [
        k
        for k in turns_back([f.view.pose for f in frames], [f.sigma for f in frames], size)
        if seen[k] >= LEAST_SEEN and seen[k + 1] >= LEAST_SEEN
    ]
    if not found:
        return []
    ends = [(frames[k].name, frames[k + 1].name) for k in found]
    return [
        Finding(kind="scale", after=ends[0][0], before=ends[0][1], frames=tuple(n for e in ends for n in e))
    ]


def _seen_in(curves: Curves) -> NDArray[np.float64]:
    """How many cells are sharpest in each frame, (n,), in relation to the mean of all frames; each cell by its finest sure
    band.
    """
    left = np.ones(curves.bands[0].sure.shape, np.bool_)
    counts = np.zeros(curves.frames)
    for band in curves.bands:
        told = band.sure & left
        counts += np.bincount(band.sharpest[told], minlength=curves.frames)
        left &= ~told
    return np.asarray(counts / max(counts.mean(), 1.0))


class _StepFindings:
    """Findings about steps and ends of one stack."""

    def __init__(
        self,
        frames: Sequence[CoverageFrame],
        curves: Curves,
        widths: Widths,
        size: tuple[int, int],
        recipe: CoverageRecipe,
        limit: float,
    ) -> None:
        self.frames, self.curves, self.widths = frames, curves, widths
        self.size, self.recipe, self.limit = size, recipe, limit

    def slices(self) -> list[Finding]:
        """Missing slices; before them one finding about all steps if the usual one is too wide."""
        found = []
        if -self.widths.finest / 8 > self.limit:
            found.append(Finding(kind="wide", detail=_detail(self.widths)))
        for step in np.flatnonzero(self.widths.odd & (self.widths.loss > self.limit)):
            cells = between(self.curves, self.widths, int(step))
            if self._enough(cells, LEAST_SHARE):
                found.append(self._slice(int(step), cells))
        return found

    def _enough(self, cells: Bools, share: float) -> bool:
        return int(np.count_nonzero(cells)) >= max(LEAST_CELLS, share * cells.size)

    def _slice(self, step: int, cells: Bools) -> Finding:
        more = max(1, round(float(self.widths.width[step])) - 1)
        near, far = self.frames[step], self.frames[step + 1]
        travel = self.recipe.stage_step_um
        return Finding(
            kind="slice",
            after=near.name,
            before=far.name,
            numbers=(step + 1, step + 2),
            more=more,
            share=float(cells.mean()),
            box=self._box(cells),
            detail=float(np.exp(-self.widths.loss[step] / 2)),
            focus_m=distances_between(near.camera, far.camera, more),
            travel_um=()
            if travel is None
            else tuple((step + (k + 1) / (more + 1)) * travel for k in range(more)),
        )

    def ends(self) -> list[Finding]:
        """Findings about start and end of the stack, if much would be sharper beyond them."""
        found = []
        for last in (False, True):
            cells = beyond(self.curves, self.widths, last=last, loss=self.limit)
            if not self._enough(cells, LEAST_END):
                continue
            here = self.frames[-1 if last else 0]
            then = self.frames[-2 if last else 1]
            found.append(
                Finding(
                    kind="end" if last else "start",
                    after=here.name if last else None,
                    before=None if last else here.name,
                    share=float(cells.mean()),
                    box=self._box(cells),
                    focus_m=distances_beyond(here.camera, then.camera),
                    travel_um=() if self.recipe.stage_step_um is None else (self.recipe.stage_step_um,),
                )
            )
        return found

    def _box(self, cells: Bools) -> tuple[int, int, int, int]:
        """Box x, y, w, h in pixels around most of these cells, without stray ones."""
        near = cv2.boxFilter(cells.astype(np.float32), -1, (3, 3), normalize=False)
        kept = cells & (near >= 3)
        rows, columns = np.nonzero(kept if kept.any() else cells)
        x, y = CELL * int(columns.min()), CELL * int(rows.min())
        right, bottom = CELL * (int(columns.max()) + 1), CELL * (int(rows.max()) + 1)
        return x, y, min(right, self.size[0]) - x, min(bottom, self.size[1]) - y
