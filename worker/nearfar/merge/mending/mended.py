"""A picture with mends: the tiles that they touch again, in all levels; everything else stays as it is.

Each mend lies over those before it. A tile is a function of the first picture and of the mends that reach it, and has
a key by which it is known (`tile_keys`): one that was made before, for whatever version, is never made again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import UsageError
from nearfar.frames.deliverable import TILE, decode_tile, encode_tile
from nearfar.frames.delivered import Delivered, Place
from nearfar.merge.kernel.picture_calls import halve
from nearfar.merge.mending.boxes import Box, common, grown, meet
from nearfar.merge.mending.first_picture import FirstPicture
from nearfar.merge.mending.frames import Carrier, Keep, MendFrame, window_of
from nearfar.merge.mending.planes import LEVELS, blend
from nearfar.merge.mending.region import distances, ramp
from nearfar.merge.mending.smooth import Surface
from nearfar.merge.mending.sources import (
    CELL,
    HALO,
    FocusCells,
    FrameSource,
    MapSource,
    QuietSource,
    SmoothSource,
    Source,
    quiet_frames,
)
from nearfar.merge.mending.tile_keys import AROUND, TileKeys
from nearfar.merge.mending.use import Use, Wish

U16 = NDArray[np.uint16]
F32 = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class Subject:
    """The first picture and what is known of how it was made.

    ``frames``: those that went into it, in their order; a wish names one by its place there, from 0.
    ``noise``: standard deviation of one channel of a frame, white being 1. ``key``: of the picture, from its report.
    ``cells``: the focus map in a box of the picture, see `focus_cells`.
    """

    picture: Delivered
    frames: Sequence[MendFrame]
    noise: float
    key: str
    cells: Callable[[Box], FocusCells]


@dataclass(frozen=True, kw_only=True)
class Hands:
    """What a mend may take. ``check`` is called for every frame and tile; raises to stop."""

    threads: int
    keep: Keep
    check: Callable[[], None]


class Mended:
    """The picture with all mends that are in force.

    Parameters
    ----------
    subject
        The first picture.
    wishes
        In the order in which they were made; ``frame`` is a place among the subject's frames.
    hands
        What may be taken.
    """

    def __init__(self, subject: Subject, wishes: Sequence[Wish], hands: Hands) -> None:
        self.subject = subject
        self.wishes = tuple(wishes)
        self.hands = hands
        self.size = (subject.picture.width, subject.picture.height)
        self._keys = TileKeys(subject.picture, subject.key, self.wishes)
        self._bounds = self._keys.bounds
        self._first = FirstPicture(subject.picture)
        self._sources: dict[int, Source] = {}
        self._carriers: dict[tuple[int, int], Carrier] = {}
        self._lock = threading.RLock()
        for wish in wishes:
            if wish.use is Use.FRAME and not (
                wish.frame is not None and 0 <= wish.frame < len(subject.frames)
            ):
                raise UsageError(f"mend: there is no frame {wish.frame} among {len(subject.frames)}")

    def tiles(self) -> dict[Place, str]:
        """Places of all tiles that differ from the first picture's, in all levels, and their keys."""
        return self._keys.tiles()

    def make(self, known: Mapping[Place, bytes]) -> dict[Place, bytes]:
        """All tiles that differ, coded: those that are known already, and the others again.

        Raises
        ------
        WorkFailed, FrameRefused, SourceChanged, OSError
        """
        wanted = self.tiles()
        done = {place: data for place, data in known.items() if place in wanted}
        with ThreadPoolExecutor(self.hands.threads) as pool:
            missing = sorted(place for place in wanted if place not in done)
            self._prepare([self._keys.box(place) for place in missing if place[0] == 0], pool)
            for level in sorted({place[0] for place in missing}):
                todo = [place for place in missing if place[0] == level]
                make = self._finest if level == 0 else partial(self._reduced, done)
                done |= dict(zip(todo, pool.map(make, todo), strict=True))
        return done

    def _finest(self, place: Place) -> bytes:
        self.hands.check()
        return self._coded(self.window(self._keys.box(place), len(self.wishes)))

    def _coded(self, pixels: U16) -> bytes:
        channels = self.subject.picture.channels
        tile = np.zeros((TILE, TILE, channels), np.uint16)
        tile[: pixels.shape[0], : pixels.shape[1]] = pixels if channels == 3 else pixels[:, :, 1:2]
        return encode_tile(tile)

    def _reduced(self, done: Mapping[Place, bytes], place: Place) -> bytes:
        """The first picture's tile with those quarters replaced whose tiles were mended."""
        self.hands.check()
        picture, channels = self.subject.picture, self.subject.picture.channels
        tile = picture.tile(place).copy()
        across = picture.levels[place[0] - 1].across
        for row, column in self._keys.children(place):
            data = done.get((place[0] - 1, row * across + column))
            if data is None:
                continue
            box = self._keys.box((place[0] - 1, row * across + column))
            half = halve(np.ascontiguousarray(decode_tile(data, channels)[: box[3], : box[2]]))
            y, x = row % 2 * TILE // 2, column % 2 * TILE // 2
            tile[y : y + half.shape[0], x : x + half.shape[1]] = half
        return encode_tile(tile)

    def window(self, box: Box, count: int) -> U16:
        """The picture with the first ``count`` mends in a box, (height, width, 3)."""
        while count and not meet(self._bounds[count - 1], box):
            count -= 1
        if count == 0:
            return self._first.pixels(box)
        out = self.window(box, count - 1)
        part = common(self._bounds[count - 1], box)
        top, left = part[1] - box[1], part[0] - box[0]
        inner = out[top : top + part[3], left : left + part[2]]
        inner[:] = self._mended(count - 1, part, inner)
        return out

    def _mended(self, number: int, box: Box, under: U16) -> U16:
        """A mend's pixels over those below it."""
        wish = self.wishes[number]
        beside = grown(box, wish.edge, self.size)
        far = distances(wish.region.inside(beside), wish.edge)
        far = far[box[1] - beside[1] :, box[0] - beside[0] :][: box[3], : box[2]]
        if not (far <= wish.edge).any():
            return under

        def below(part: Box) -> U16:
            return self.window(part, number)

        source = self._source(number)
        if not far.any():
            return _rounded(source.pixels(box, below))
        wide = grown(box, AROUND, self.size)
        top, left = box[1] - wide[1], box[0] - wide[0]
        all_far = np.full((wide[3], wide[2]), np.float32(wish.edge + 1))
        all_far[top : top + box[3], left : left + box[2]] = far
        own = source.pixels(wide, below)
        weights = [ramp(all_far, min(wish.edge, 2 << k)) for k in range(LEVELS)] + [ramp(all_far, wish.edge)]
        made = blend(own, below(wide).astype(np.float32), weights)[top:, left:][: box[3], : box[2]]
        return np.where((far <= wish.edge)[:, :, None], _rounded(made), under)

    def _prepare(self, boxes: Sequence[Box], pool: ThreadPoolExecutor) -> None:
        """Decode the frames that these boxes need, several at a time."""
        wanted = [(k, frame) for k in self._needed(boxes) for frame in self._frames_of(k)]

        def carry(item: tuple[int, int]) -> Carrier:
            self.hands.check()
            return Carrier(self.subject.frames[item[1]], self._window(item[0]), self.hands.keep)

        self._carriers |= dict(zip(wanted, pool.map(carry, wanted), strict=True))

    def _needed(self, boxes: Sequence[Box]) -> list[int]:
        """Mends that what is in these boxes depends on."""
        reach, found = list(boxes), []
        for k in reversed(range(len(self.wishes))):
            met = [common(self._bounds[k], box) for box in reach if meet(self._bounds[k], box)]
            if met:
                found.append(k)
                smooth = self.wishes[k].use is Use.SMOOTH
                parts = (
                    [self._keys.looked_at(k)] if smooth else [grown(b, HALO + AROUND, self.size) for b in met]
                )
                reach += parts
        return sorted(found)

    def _window(self, number: int) -> Box:
        return window_of(grown(self._bounds[number], HALO + AROUND, self.size), self.size)

    def _cells(self, number: int) -> FocusCells:
        """The map where a mend's pixels are asked for, in whole cells: no frame is decoded for what lies beyond."""
        x, y, width, height = grown(self._bounds[number], AROUND, self.size)
        left, top = x // CELL * CELL, y // CELL * CELL
        return self.subject.cells((left, top, x + width - left, y + height - top))

    def _frames_of(self, number: int) -> list[int]:
        wish = self.wishes[number]
        if wish.use is Use.FRAME and wish.frame is not None:
            return [wish.frame]
        if wish.use is Use.MAP:
            return sorted(self._cells(number).counts())
        return quiet_frames(self._cells(number), len(self.subject.frames)) if wish.use is Use.QUIET else []

    def _source(self, number: int) -> Source:
        with self._lock:
            if number not in self._sources:
                self._sources[number] = self._make_source(number)
            return self._sources[number]

    def _make_source(self, number: int) -> Source:
        wish = self.wishes[number]
        if wish.use is Use.SMOOTH:
            return SmoothSource(Surface(wish.region, self.size, lambda box: self.window(box, number)))
        frames = {f: self._carriers[(number, f)] for f in self._frames_of(number)}
        if wish.use is Use.FRAME:
            return FrameSource(next(iter(frames.values())))
        if wish.use is Use.MAP:
            return MapSource(self._cells(number), frames)
        return QuietSource(list(frames.values()), self.subject.noise**2, self._window(number))


def _rounded(values: F32) -> U16:
    return np.asarray(np.clip(values + np.float32(0.5), 0, 65535), np.uint16)
