"""Rendered bands, gathered into what the files of a result are written from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.deliver.pyramid import TileStream, preview, pyramid, uncoded
from nearfar.merge.deliver.reduced import Reduced
from nearfar.merge.render import Band
from nearfar.merge.scratch import Scratch

MAP_EDGE = 1024
"""Longest edge of the coloured map of frames, pixels."""


class Delivery:
    """Gathers rendered bands: tiles of all levels, the map of frames, and the small pictures.

    Its files on disk are removed at the end of the ``with`` block.

    Parameters
    ----------
    key
        Of the result.
    reduced
        Where rows of tiles may lie that were coded before.
    least
        Longest edge in pixels below which no level is needed: the picture itself cannot be written then.
    """

    def __init__(
        self,
        size: tuple[int, int],
        channels: int,
        scratch: Scratch,
        key: str,
        reduced: Reduced | None = None,
        *,
        least: int = 0,
    ) -> None:
        width, height = size
        self.size = size
        self.channels = channels
        self._bands: list[Band] = []
        place = scratch.passing(key, "picture")
        coded = (reduced.half, reduced.frame_map) if reduced else (uncoded, uncoded)
        self._levels = pyramid(width, height, channels, place, coded=coded[0], least=least)
        half = ((width + 1) // 2, (height + 1) // 2)
        self._map = TileStream(*half, 1, place.with_name(f"map-{place.name}"), coded=coded[1])
        self._map_step = max(1, -(-max(half) // MAP_EDGE))
        self._map_rows: list[NDArray[np.uint16]] = []
        self._map_taken = 0
        self._half = half

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for stream in (self._map, *(self._levels.levels() if self._levels else [])):
            stream.path.unlink(missing_ok=True)

    def add(self, band: Band, pool: ThreadPoolExecutor) -> None:
        """Add the next band, from the top."""
        if self._levels is not None:
            self._levels.add(band.half, pool)
        self._map.add(band.frame_map[:, :, None], pool)
        first = -self._map_taken % self._map_step
        self._map_rows.append(band.frame_map[first :: self._map_step, :: self._map_step].copy())
        self._map_taken += len(band.frame_map)
        # its small pictures have gone where they belong: only the place of its tiles is kept
        self._bands.append(replace(band, half=band.half[:0].copy(), frame_map=band.frame_map[:0].copy()))

    def close(self, pool: ThreadPoolExecutor) -> None:
        """Finish all levels after the last band."""
        if self._levels is not None:
            self._levels.close(pool)
        self._map.close(pool)

    def picture_levels(self, check: Callable[[], None]) -> list[Iterable[bytes]]:
        """Coded tiles of every level, finest first; ``check`` is called before each tile."""
        levels = self._levels.levels() if self._levels else []
        return [
            _checked((tile for band in self._bands for tile in band.tiles()), check),
            *(_checked(level.tiles(), check) for level in levels),
        ]

    def preview(self, edge: int) -> NDArray[np.uint8]:
        """The picture in 8 bit, (h, w, c), its longer edge at most ``edge`` pixels."""
        own = (self.size, (tile for band in self._bands for tile in band.tiles()))
        levels = self._levels.levels() if self._levels else []
        return preview([own, *((level.size, level.tiles()) for level in levels)], self.channels, edge)

    def map_tiles(self) -> tuple[tuple[int, int], Iterable[bytes]]:
        """Size and tiles of the map of frames, at half the picture's size."""
        return self._half, self._map.tiles()

    def small_map(self) -> NDArray[np.uint16]:
        """The map of frames, (h, w), thinned to every n-th row and column so that its longer edge fits into `MAP_EDGE`."""
        return np.concatenate(self._map_rows)


def _checked(tiles: Iterable[bytes], check: Callable[[], None]) -> Iterator[bytes]:
    for tile in tiles:
        check()
        yield tile
