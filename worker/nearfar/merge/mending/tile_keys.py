"""Which tiles of a picture its mends touch, in all levels, and the keys by which these tiles are known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property

from nearfar.frames.deliverable import TILE
from nearfar.frames.delivered import Delivered, Place
from nearfar.merge.keys import key
from nearfar.merge.mending.boxes import Box, around, grown, meet
from nearfar.merge.mending.planes import REACH
from nearfar.merge.mending.smooth import squares_of
from nearfar.merge.mending.sources import HALO
from nearfar.merge.mending.use import Use, Wish

VERSION = 1
"""Raised by whoever changes what a mend makes of the same picture."""
AROUND = 32
"""Pixels around a box that the bands at a soft edge look at; at least `REACH`."""
assert AROUND >= REACH  # noqa: S101 - two constants


class TileKeys:
    """The tiles that a picture's mends touch.

    Parameters
    ----------
    picture
        The first picture.
    name
        Its key, from the report.
    wishes
        In the order in which they were made.
    """

    def __init__(self, picture: Delivered, name: str, wishes: Sequence[Wish]) -> None:
        self.picture, self.name, self.wishes = picture, name, tuple(wishes)
        self.size = (picture.width, picture.height)
        self.bounds = [w.region.bounds(self.size, margin=w.edge) for w in wishes]
        """Of each mend, with its soft edge."""

    @cached_property
    def _mends(self) -> list[str]:
        """The key of each mend: what it is, and those before it that it looks at."""
        found: list[str] = []
        for number, wish in enumerate(self.wishes):
            seen = self.looked_at(number)
            under = [found[k] for k in range(number) if meet(self.bounds[k], seen)]
            params = {
                "use": str(wish.use),
                "region": wish.region.as_json(),
                "edge": wish.edge,
                "frame": wish.frame,
            }
            found.append(key("mend", VERSION, params, [self.name, *under]))
        return found

    def looked_at(self, number: int) -> Box:
        """The part of the picture that a mend's pixels depend on."""
        wish = self.wishes[number]
        if wish.use is Use.SMOOTH:
            return around([self.bounds[number], squares_of(wish.region, self.size)[0]])
        return grown(self.bounds[number], HALO + AROUND, self.size)

    def tiles(self) -> dict[Place, str]:
        """Places of all tiles that differ from the first picture's, in all levels, and their keys."""
        found: dict[Place, str] = {}
        level = self.picture.levels[0]
        for place in range(level.across * level.down):
            box = self.box((0, place))
            if any(meet(bounds, box) for bounds in self.bounds):
                reach = grown(box, AROUND * len(self.wishes), self.size)
                inputs = [self._mends[k] for k, bounds in enumerate(self.bounds) if meet(bounds, reach)]
                found[(0, place)] = key("tile", VERSION, {"place": place}, [self.name, *inputs])
        for number in range(1, len(self.picture.levels)):
            found |= self._parents(number, found)
        return found

    def _parents(self, number: int, below: Mapping[Place, str]) -> dict[Place, str]:
        inputs: dict[Place, list[str]] = {}
        for place, name in sorted(below.items()):
            if place[0] == number - 1:
                inputs.setdefault(self._parent(place), []).append(f"{place[1]} {name}")
        return {
            place: key("tile", VERSION, {"place": place[1]}, [self.name, *names])
            for place, names in inputs.items()
        }

    def _parent(self, place: Place) -> Place:
        levels = self.picture.levels
        row, column = divmod(place[1], levels[place[0]].across)
        return place[0] + 1, row // 2 * levels[place[0] + 1].across + column // 2

    def children(self, place: Place) -> list[tuple[int, int]]:
        """Rows and columns, in the next finer level, of the tiles that a tile is the half of."""
        finer, own = self.picture.levels[place[0] - 1], self.picture.levels[place[0]]
        row, column = divmod(place[1], own.across)
        rows = range(2 * row, min(2 * row + 2, finer.down))
        return [(r, c) for r in rows for c in range(2 * column, min(2 * column + 2, finer.across))]

    def box(self, place: Place) -> Box:
        """The pixels of a tile, in its level."""
        level = self.picture.levels[place[0]]
        row, column = divmod(place[1], level.across)
        x, y = column * TILE, row * TILE
        return x, y, min(TILE, level.width - x), min(TILE, level.height - y)
