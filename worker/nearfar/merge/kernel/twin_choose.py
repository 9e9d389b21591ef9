"""The picture as the learned chooser makes it, spelled out: twin_render's, but for where the weights come from."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.chooser import where
from nearfar.merge.chooser.features import Window, features, told
from nearfar.merge.chooser.net import Chosen, choose
from nearfar.merge.chooser.weights import HARD, USUAL, Weights
from nearfar.merge.kernel import twin_render as twin
from nearfar.merge.kernel.twin_average import average
from nearfar.merge.kernel.twin_filters import blurred
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
    mask, square = np.stack([p[0] for p in parts]), np.stack([f.square for f in carried])
    return Window(
        colour=np.stack([np.stack([halve(c.astype(np.float32)) for c in f.colour]) for f in carried])
        * (np.float32(1) / UNIT),
        half_luma=np.stack([f.half_luma for f in carried]),
        square=square,
        mask=mask,
        admission=np.stack([p[1] for p in parts]),
        prior=np.stack([p[2] for p in parts]),
        variance=told(window.noise, square * mask, n),
        noise=(n.band0, n.band1),
    )


def weigh(weights: Weights, window: twin.Window, frames: Sequence[Carried], v: F32, admission: F32) -> Chosen:
    """Weights by the nets where they pay, by the rule elsewhere; in the order of the frames."""
    colour, detail = twin.weigh(window, frames, v, admission)
    at = seen_by(window, frames)
    step, seen, spread = window.stack.order or 1, features(at), window.stack.numbers.spread
    before = twin.scores(window, frames, behind=False)[0][::step]
    nothing = np.zeros_like(window.noise)
    chosen = Chosen(
        colour=np.stack(colour),
        detail=np.stack(detail),
        second=np.zeros_like(v),
        gain=nothing + 1,
        second_gain=nothing,
    )
    for net, least in ((USUAL, spread), (HARD, float(np.float32(where.HARD) * np.float32(spread)))):
        pays = where.pays(before, at.half_luma, window.noise, least)
        found = choose(weights, at, seen, net)
        chosen = Chosen(
            colour=np.where(pays, found.colour[::step], chosen.colour),
            detail=np.where(pays, found.detail[::step], chosen.detail),
            second=np.where(pays, found.second[::step], chosen.second),
            gain=np.where(pays, found.gain, chosen.gain),
            second_gain=np.where(pays, found.second_gain, chosen.second_gain),
        )
    return chosen


def second_band(frames: Sequence[Carried], chosen: Chosen, y: F32) -> F32:
    """What the merged luma y (H, W) in `UNIT`-ths lacks of the second band that was chosen apart, at half size."""
    half = halve(y)
    total: F32 = np.zeros_like(half)
    band: F32 = np.zeros_like(half)
    for frame, weight in zip(frames, chosen.second, strict=True):
        total = total + weight
        band = band + weight * (frame.half_luma - blurred(frame.half_luma))
    mean = band / np.maximum(total, np.float32(1e-20))
    more = mean * chosen.second_gain * UNIT - (half - blurred(half))
    return np.asarray(np.where(chosen.second_gain > 0, more, np.float32(0)), np.float32)


def render(stack: twin.Stack, weights: Weights) -> twin.Rendered:
    """The whole picture of a stack, chosen by the net."""
    window = twin.Window(stack)
    frames = [window.carried(k) for k in range(len(stack.samples))]
    v, admission = twin.scores(window, frames)
    chosen = weigh(weights, window, frames, v, admission)
    places, share = twin.frame_map(window, list(chosen.colour))
    merged = twin.merge(
        *(frames, list(chosen.colour), list(chosen.detail), chosen.gain),
        more=lambda y: second_band(frames, chosen, y),
    )
    r = average(window, frames, merged, admission)
    picture = np.ascontiguousarray(np.moveaxis(twin.level16(window.inner(r)), 0, 2))
    return twin.Rendered(picture=picture, frame_map=places, share=share)
