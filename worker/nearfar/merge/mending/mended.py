"""A picture with mends: which tiles they touch, and these tiles again, in all levels; everything else stays as it is.

Each mend lies over those before it. A tile is a function of the first picture and of the mends that reach it, and has
a key by which it is known: one that was made before, for whatever version, is never made again.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import UsageError
from nearfar.frames.deliverable import TILE, decode_tile, encode_tile
from nearfar.frames.delivered import Delivered, Place
from nearfar.merge.kernel.picture_calls import halve
from nearfar.merge.keys import key
from nearfar.merge.mending.frames import Carrier, Keep, MendFrame, window_of
from nearfar.merge.mending.planes import LEVELS, REACH, blend
from nearfar.merge.mending.region import Box, distances, merged, ramp
from nearfar.merge.mending.smooth import Surface, squares_of
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
from nearfar.merge.mending.use import Use, Wish

VERSION = 1
"""Raised by whoever changes what a mend makes of the same picture."""
AROUND = 32
"""Pixels around a box that the bands at a soft edge look at; at least `REACH`."""
DECODED = 96
"""Decoded tiles of the first picture that are held."""
U16 = NDArray[np.uint16]
F32 = NDArray[np.float32]
assert AROUND >= REACH  # noqa: S101 - two constants


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
        self._bounds = [w.region.bounds(self.size, margin=w.edge) for w in wishes]
        self._base = _Base(subject.picture)
        self._sources: dict[int, Source] = {}
        self._carriers: dict[tuple[int, int], Carrier] = {}
        self._lock = threading.RLock()
        for wish in wishes:
            if wish.use is Use.FRAME and not (
                wish.frame is not None and 0 <= wish.frame < len(subject.frames)
            ):
                raise UsageError(f"mend: there is no frame {wish.frame} among {len(subject.frames)}")

    # ---- which tiles, under which keys ----

    @cached_property
    def _keys(self) -> list[str]:
        """Of each mend: what it is, and those before it that it looks at."""
        found: list[str] = []
        for number, wish in enumerate(self.wishes):
            around = self._looked_at(number)
            under = [found[k] for k in range(number) if _meet(self._bounds[k], around)]
            params = {
                "use": str(wish.use),
                "region": wish.region.as_json(),
                "edge": wish.edge,
                "frame": wish.frame,
            }
            found.append(key("mend", VERSION, params, [self.subject.key, *under]))
        return found

    def _looked_at(self, number: int) -> Box:
        """The part of the picture that a mend's pixels depend on."""
        wish = self.wishes[number]
        if wish.use is Use.SMOOTH:
            return merged([self._bounds[number], squares_of(wish.region, self.size)[0]])
        return _grow(self._bounds[number], HALO + AROUND, self.size)

    def tiles(self) -> dict[Place, str]:
        """Places of all tiles that differ from the first picture's, in all levels, and their keys."""
        found: dict[Place, str] = {}
        level = self.subject.picture.levels[0]
        for place in range(level.across * level.down):
            box = self._box((0, place))
            touching = [k for k, bounds in enumerate(self._bounds) if _meet(bounds, box)]
            if touching:
                reach = _grow(box, AROUND * len(self.wishes), self.size)
                inputs = [self._keys[k] for k, bounds in enumerate(self._bounds) if _meet(bounds, reach)]
                found[(0, place)] = key("tile", VERSION, {"place": place}, [self.subject.key, *inputs])
        for number in range(1, len(self.subject.picture.levels)):
            found |= self._parents(number, found)
        return found

    def _parents(self, number: int, below: Mapping[Place, str]) -> dict[Place, str]:
        inputs: dict[Place, list[str]] = {}
        for place, name in sorted(below.items()):
            if place[0] == number - 1:
                inputs.setdefault(self._parent(place), []).append(f"{place[1]} {name}")
        return {
            p: key("tile", VERSION, {"place": p[1]}, [self.subject.key, *names])
            for p, names in inputs.items()
        }

    def _parent(self, place: Place) -> Place:
        levels = self.subject.picture.levels
        row, column = divmod(place[1], levels[place[0]].across)
        return place[0] + 1, row // 2 * levels[place[0] + 1].across + column // 2

    def _box(self, place: Place) -> Box:
        """The pixels of a tile, in its level."""
        level = self.subject.picture.levels[place[0]]
        row, column = divmod(place[1], level.across)
        x, y = column * TILE, row * TILE
        return x, y, min(TILE, level.width - x), min(TILE, level.height - y)

    # ---- tiles ----

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
            self._prepare([self._box(place) for place in missing if place[0] == 0], pool)
            for level in sorted({place[0] for place in missing}):
                todo = [place for place in missing if place[0] == level]
                make = self._finest if level == 0 else partial(self._reduced, done)
                done |= dict(zip(todo, pool.map(make, todo), strict=True))
        return done

    def _finest(self, place: Place) -> bytes:
        self.hands.check()
        return self._coded(self.window(self._box(place), len(self.wishes)))

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
        for row, column in self._children(place):
            data = done.get((place[0] - 1, row * across + column))
            if data is None:
                continue
            box = self._box((place[0] - 1, row * across + column))
            half = halve(np.ascontiguousarray(decode_tile(data, channels)[: box[3], : box[2]]))
            y, x = row % 2 * TILE // 2, column % 2 * TILE // 2
            tile[y : y + half.shape[0], x : x + half.shape[1]] = half
        return encode_tile(tile)

    def _children(self, place: Place) -> list[tuple[int, int]]:
        finer, own = self.subject.picture.levels[place[0] - 1], self.subject.picture.levels[place[0]]
        row, column = divmod(place[1], own.across)
        rows = range(2 * row, min(2 * row + 2, finer.down))
        return [(r, c) for r in rows for c in range(2 * column, min(2 * column + 2, finer.across))]

    # ---- pixels ----

    def window(self, box: Box, count: int) -> U16:
        """The picture with the first ``count`` mends in a box, (height, width, 3)."""
        while count and not _meet(self._bounds[count - 1], box):
            count -= 1
        if count == 0:
            return self._base.pixels(box)
        out = self.window(box, count - 1)
        part = _common(self._bounds[count - 1], box)
        top, left = part[1] - box[1], part[0] - box[0]
        inner = out[top : top + part[3], left : left + part[2]]
        inner[:] = self._mended(count - 1, part, inner)
        return out

    def _mended(self, number: int, box: Box, under: U16) -> U16:
        """A mend's pixels over those below it."""
        wish = self.wishes[number]
        beside = _grow(box, wish.edge, self.size)
        far = distances(wish.region.inside(beside), wish.edge)
        far = far[box[1] - beside[1] :, box[0] - beside[0] :][: box[3], : box[2]]
        if not (far <= wish.edge).any():
            return under

        def below(part: Box) -> U16:
            return self.window(part, number)

        source = self._source(number)
        if not far.any():
            return _rounded(source.pixels(box, below))
        wide = _grow(box, AROUND, self.size)
        top, left = box[1] - wide[1], box[0] - wide[0]
        all_far = np.full((wide[3], wide[2]), np.float32(wish.edge + 1))
        all_far[top : top + box[3], left : left + box[2]] = far
        own = source.pixels(wide, below)
        weights = [ramp(all_far, min(wish.edge, 2 << k)) for k in range(LEVELS)] + [ramp(all_far, wish.edge)]
        made = blend(own, below(wide).astype(np.float32), weights)[top:, left:][: box[3], : box[2]]
        return np.where((far <= wish.edge)[:, :, None], _rounded(made), under)

    # ---- sources ----

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
            met = [_common(self._bounds[k], box) for box in reach if _meet(self._bounds[k], box)]
            if met:
                found.append(k)
                smooth = self.wishes[k].use is Use.SMOOTH
                parts = [self._looked_at(k)] if smooth else [_grow(b, HALO + AROUND, self.size) for b in met]
                reach += parts
        return sorted(found)

    def _window(self, number: int) -> Box:
        return window_of(_grow(self._bounds[number], HALO + AROUND, self.size), self.size)

    def _cells(self, number: int) -> FocusCells:
        """The map where a mend's pixels are asked for, in whole cells: no frame is decoded for what lies beyond."""
        x, y, width, height = _grow(self._bounds[number], AROUND, self.size)
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


class _Base:
    """Boxes of the first picture, from its tiles."""

    def __init__(self, picture: Delivered) -> None:
        self._picture = picture
        self._held: OrderedDict[int, U16] = OrderedDict()
        self._lock = threading.Lock()

    def _tile(self, place: int) -> U16:
        with self._lock:
            found = self._held.get(place)
            if found is not None:
                self._held.move_to_end(place)
                return found
        made = self._picture.tile((0, place))
        with self._lock:
            self._held[place] = made
            while len(self._held) > DECODED:
                self._held.popitem(last=False)
        return made

    def pixels(self, box: Box) -> U16:
        x, y, width, height = box
        out = np.empty((height, width, 3), np.uint16)
        across = self._picture.levels[0].across
        for row in range(y // TILE, (y + height - 1) // TILE + 1):
            for column in range(x // TILE, (x + width - 1) // TILE + 1):
                part = _common((column * TILE, row * TILE, TILE, TILE), box)
                tile = self._tile(row * across + column)[part[1] - row * TILE :, part[0] - column * TILE :]
                out[part[1] - y :, part[0] - x :][: part[3], : part[2]] = tile[: part[3], : part[2]]
        return out


def _rounded(values: F32) -> U16:
    return np.asarray(np.clip(values + np.float32(0.5), 0, 65535), np.uint16)


def _meet(a: Box, b: Box) -> bool:
    return _common(a, b)[2] > 0 and _common(a, b)[3] > 0


def _common(a: Box, b: Box) -> Box:
    left, top = max(a[0], b[0]), max(a[1], b[1])
    right, bottom = min(a[0] + a[2], b[0] + b[2]), min(a[1] + a[3], b[1] + b[3])
    return left, top, right - left, bottom - top


def _grow(box: Box, by: int, size: tuple[int, int]) -> Box:
    left, top = max(0, box[0] - by), max(0, box[1] - by)
    right, bottom = min(size[0], box[0] + box[2] + by), min(size[1], box[1] + box[3] + by)
    return left, top, right - left, bottom - top
