"""Finds the spots of a sensor from the frames of one stack and how they lie to each other."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.kernel.sensor_calls import isolated
from nearfar.merge.noise import Noise
from nearfar.merge.register import Share
from nearfar.merge.sensor.dust import find_dust
from nearfar.merge.sensor.spots import Integers, Spot, Spots
from nearfar.merge.sensor.view import SensorFrame, scene_at, spread_over

FEWEST = 3
"""Frames without which nothing can be told."""
LOOKED_AT = 8
"""Frames, spread over the stack, in which isolated pixels are looked for."""
VERIFIED = 24
"""Frames, spread over the stack, that are asked about what was found."""
LEAST, OVER_NOISE = 0.008, 3.0
"""Height of a hot pixel over all around it: of white, and in units of one channel's noise in mid-tones."""
OFTEN = 0.4
"""Share of the frames in which a pixel must stand out of all around it: fine detail hides it in some."""
EVEN = 0.35
"""Its low heights over the mean around it against its high ones: a point of the scene loses far more out of focus."""
AT_REST = 0.9, 0.7
"""Both where the scene only blurs and does not move: it must be far plainer then."""
MOVED = 3.0
"""Pixels that the scene moved on the sensor there: a point of the scene would have left its place."""
AWAY = 2.0
"""Pixels by which a frame is away from the one in which a place stands out most: those must show it as well."""
ASIDE, TWICE, QUARTER = 1.5, 2, 0.25
"""Pixels by which so many frames, and such a share of all, must lie off the middle of them: on a tripod nearly all frames
see one thing at a place, and one that was bumped proves nothing."""
BLURRED, OVER_NOISE_ENERGY = 6.0, 10.0
"""Or: fine detail around it changed so many times, being so much stronger than the noise at best."""
WIDE = 0.1
"""Height of the eight beside it, from which they are filled as well (demosaicing and JPEG spread it)."""
MOST = 4096
"""Spots that are kept, highest first."""


def find_spots(
    frames: Sequence[SensorFrame],
    noise: Noise,
    tick: Callable[[], None],
    threads: int = 1,
    share: Share | None = None,
) -> Spots:
    """Hot and dead pixels and dust of the sensor that took all these frames; ``why_not`` is set where nothing can be told.

    Parameters
    ----------
    noise
        Of the samples.
    tick
        Called after each look; raises to stop.
    share
        If other processes look at the same frames: how they divide the work (`look_at`).

    Notes
    -----
    A place is only believed where the scene demonstrably moved or blurred under it while it stayed: on a perfect
    tripod, with nothing that blurs around it, a star is left alone.
    """
    if len(frames) < FEWEST:
        return Spots(why_not=f"{len(frames)} frames are too few to tell the sensor from the scene")
    least, looked = look_at(len(frames), lambda k: frames[k].pixels, noise, tick, threads, share)
    single = _find_isolated(frames, noise, tick, least, looked)
    return Spots(places=(*single, *find_dust(frames, single, tick)))


def look_at(
    count: int,
    pixels: Callable[[int], Pixels],
    noise: Noise,
    tick: Callable[[], None],
    threads: int,
    share: Share | None,
) -> tuple[float, list[Integers]]:
    """Least height of a spot, and of some of ``count`` frames the places that stand out by it: + 1, negative if darker."""
    least = max(LEAST, OVER_NOISE * noise.sigma)
    looked = spread_over(count, LOOKED_AT)
    found: dict[int, Integers] = {}
    for piece in share.order(len(looked)) if share is not None else range(len(looked)):
        name = f"spots-{count}-{least:.9g}"
        stored = share.take(name, piece, ()) if share is not None else None
        if stored is None:
            places, height = isolated(pixels(looked[piece]), least, threads)
            stored = [np.where(height > 0, places + 1, -places - 1)]
            if share is not None:
                share.give(name, piece, stored)
        found[piece] = np.asarray(stored[0], np.int64)
        tick()
    return least, [found[piece] for piece in sorted(found)]


def _find_isolated(
    frames: Sequence[SensorFrame],
    noise: Noise,
    tick: Callable[[], None],
    least: float,
    looked: Sequence[Integers],
) -> list[Spot]:
    signed, counts = np.unique(np.concatenate(looked), return_counts=True)
    signed = signed[counts >= max(FEWEST, int(np.ceil(OFTEN * len(looked))))]
    if not signed.size:
        return []
    width = frames[0].pixels.shape[1]
    y, x = np.divmod(np.abs(signed) - 1, width)
    sign = np.sign(signed).astype(np.float64)
    tops, heights, beside = _heights(frames, y, x, sign, tick)
    stays = _stay(tops, heights, least, OFTEN, EVEN) & _moved(frames, x, y)
    stays &= _stands_elsewhere(frames, x, y, (tops, heights), least)
    stays |= _stay(tops, heights, least, *AT_REST) & _blurred(frames, x, y, noise)
    typical = np.median(heights, axis=0)
    wide = np.median(beside, axis=0) > WIDE * typical
    order = np.argsort(-np.where(stays, typical, -1), kind="stable")[: min(MOST, int(stays.sum()))]
    return [
        Spot(kind="hot" if sign[i] > 0 else "dead", x=float(x[i]), y=float(y[i]), reach=int(wide[i]))
        for i in sorted(order)
    ]


def _heights(
    frames: Sequence[SensorFrame],
    y: Integers,
    x: Integers,
    sign: NDArray[np.float64],
    tick: Callable[[], None],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Of each frame asked (m, n): how far a place stands out of its ring, of the ring's mean, and the eight beside."""
    dy, dx = (v.ravel() for v in np.mgrid[-2:3, -2:3])
    ring, nine = np.maximum(abs(dy), abs(dx)) == 2, np.maximum(abs(dy), abs(dx)) == 1
    height, width = frames[0].pixels.shape
    rows, cols = np.clip(y[:, None] + dy, 0, height - 1), np.clip(x[:, None] + dx, 0, width - 1)
    tops, heights, beside = [], [], []
    for k in spread_over(len(frames), VERIFIED):
        pixels = frames[k].pixels
        white = 3.0 * float(np.iinfo(pixels.samples.dtype).max)
        values = sign[:, None] * pixels.at(rows, cols).sum(axis=2, dtype=np.float64) / white
        tops.append(values[:, 12] - values[:, ring].max(axis=1))
        middle = values[:, ring].mean(axis=1)
        heights.append(values[:, 12] - middle)
        beside.append(values[:, nine].mean(axis=1) - middle)
        tick()
    return np.stack(tops), np.stack(heights), np.stack(beside)


def _stay(
    tops: NDArray[np.float64], heights: NDArray[np.float64], least: float, often: float, even: float
) -> NDArray[np.bool_]:
    """Places that stand out of all around them in many frames, and of the mean around them evenly in nearly all."""
    there = (tops >= least / 2).mean(axis=0) >= often
    low, high = np.quantile(heights, (0.1, 0.9), axis=0)
    return np.asarray(there & (low >= least) & (low >= even * high))


def _moved(frames: Sequence[SensorFrame], x: Integers, y: Integers) -> NDArray[np.bool_]:
    places = scene_at(frames, x.astype(np.float64), y.astype(np.float64))
    return np.asarray(np.hypot(*np.moveaxis(np.ptp(places, axis=0), -1, 0)) >= MOVED)


def _stands_elsewhere(
    frames: Sequence[SensorFrame],
    x: Integers,
    y: Integers,
    standing: tuple[NDArray[np.float64], NDArray[np.float64]],
    least: float,
) -> NDArray[np.bool_]:
    """Places that stand out also when something else of the scene lies there than in the frame where they do most."""
    tops, heights = standing
    asked = [frames[k] for k in spread_over(len(frames), VERIFIED)]
    places = scene_at(asked, x.astype(np.float64), y.astype(np.float64))
    peak = places[np.argmax(heights, axis=0), np.arange(x.size)]
    aside = np.hypot(*np.moveaxis(places - np.median(places, axis=0), -1, 0)) >= ASIDE
    away = np.hypot(*np.moveaxis(places - peak, -1, 0)) >= AWAY
    count = away.sum(axis=0)
    ordered = np.sort(np.where(away, heights, np.inf), axis=0)
    middle = ordered[np.maximum(count - 1, 0) // 2, np.arange(x.size)]
    often = (away & (tops >= least / 2)).sum(axis=0) >= OFTEN * count
    even = middle >= np.maximum(least, EVEN * np.quantile(heights, 0.9, axis=0))
    apart = np.minimum(count, aside.sum(axis=0)) >= max(TWICE, QUARTER * len(asked))
    return np.asarray(often & even & apart)


def _blurred(frames: Sequence[SensorFrame], x: Integers, y: Integers, noise: Noise) -> NDArray[np.bool_]:
    """Where the scene around a place, but for its own cells, is far sharper in one frame than in another."""
    dy, dx = (v.ravel() for v in np.mgrid[-2:3, -2:3])
    around = np.maximum(abs(dy), abs(dx)) == 2
    low = high = level = np.zeros(0)
    for k in spread_over(len(frames), VERIFIED):
        energy, mean = frames[k].read_energy()
        rows = np.clip(y[:, None] // 16 + dy[around], 0, mean.shape[0] - 1)
        cols = np.clip(x[:, None] // 16 + dx[around], 0, mean.shape[1] - 1)
        floor = noise.energy(1, mean)
        here = np.median(np.maximum(energy[1] - floor, 0)[rows, cols], axis=1)
        level = np.median(floor[rows, cols], axis=1)
        low = here if not low.size else np.minimum(low, here)
        high = here if not high.size else np.maximum(high, here)
    return np.asarray((high >= BLURRED * np.maximum(low, level)) & (high >= OVER_NOISE_ENERGY * level))
