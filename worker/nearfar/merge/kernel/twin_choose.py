"""The picture as the learned chooser makes it, spelled out: twin_render's, but for where the weights come from."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.chooser import where
from nearfar.merge.chooser.features import Window, features
from nearfar.merge.chooser.net import Chosen, choose
from nearfar.merge.chooser.weights import Weights
from nearfar.merge.kernel import twin_render as twin
from nearfar.merge.kernel.twin_average import average
from nearfar.merge.kernel.twin_survey import halve
from nearfar.merge.kernel.twin_warp import UNIT, Carried

F32 = NDArray[np.float32]


def seen_by(window: twin.Window, frames: Sequence[Carried]) -> Window:
    """The half-size planes that the chooser looks at, nearest frame first."""
    step, n = window.stack.order or 1, window.stack.numbers
    parts = [twin.admission_and_prior(window, k, twin.coverage(window, k)) for k in range(len(frames))][
        ::step
    ]
    carried = frames[::step]
    return Window(
        colour=np.stack([np.stack([halve(c.astype(np.float32)) for c in f.colour]) for f in carried])
        * (np.float32(1) / UNIT),
        half_luma=np.stack([f.half_luma for f in carried]),
        square=np.stack([f.square for f in carried]),
        mask=np.stack([p[0] for p in parts]),
        admission=np.stack([p[1] for p in parts]),
        prior=np.stack([p[2] for p in parts]),
        variance=window.noise,
        noise=(n.band0, n.band1),
    )


def weigh(weights: Weights, window: twin.Window, frames: Sequence[Carried], v: F32, admission: F32) -> Chosen:
    """Weights by the net where it pays, by the rule elsewhere; in the order of the frames."""
    colour, detail = twin.weigh(window, frames, v, admission)
    at = seen_by(window, frames)
    step, seen = window.stack.order or 1, features(at)
    before = twin.scores(window, frames, behind=False)[0][::step]
    pays = where.pays(before, at.half_luma, window.noise, window.stack.numbers.spread)
    found = choose(weights, at, seen)
    return Chosen(
        colour=np.where(pays, found.colour[::step], np.stack(colour)),
        detail=np.where(pays, found.detail[::step], np.stack(detail)),
        gain=np.where(pays, found.gain, np.float32(1)),
    )


def render(stack: twin.Stack, weights: Weights) -> twin.Rendered:
    """The whole picture of a stack, chosen by the net."""
    window = twin.Window(stack)
    frames = [window.carried(k) for k in range(len(stack.samples))]
    v, admission = twin.scores(window, frames)
    chosen = weigh(weights, window, frames, v, admission)
    places, share = twin.frame_map(window, list(chosen.colour))
    merged = twin.merge(frames, list(chosen.colour), list(chosen.detail), chosen.gain)
    r = average(window, frames, merged, admission)
    picture = np.ascontiguousarray(np.moveaxis(twin.level16(window.inner(r)), 0, 2))
    return twin.Rendered(picture=picture, frame_map=places, share=share)
