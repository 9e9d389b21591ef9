"""Deliver: the picture and its side files, each complete under its name or not there at all.

The picture itself gets its name last: if it is there, so is everything else.
"""

from __future__ import annotations

import io
import json
import struct
import time
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Self

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar import __version__
from nearfar.frames.decode import exif_block
from nearfar.frames.deliverable import (
    TILE,
    Composite,
    PictureTags,
    encode_tile,
    write_picture,
    write_preview,
)
from nearfar.frames.exif import ExifBlock, block_bytes
from nearfar.frames.headers import FrameHeader
from nearfar.frames.ifd import ascii_tag
from nearfar.frames.whole import whole_file
from nearfar.frames.xmp import read_key, xmp_packet
from nearfar.merge.deliver.beside import Beside, Writer
from nearfar.merge.deliver.focus_colours import colour_map
from nearfar.merge.deliver.height import height_scale, relief, write_heights
from nearfar.merge.deliver.map_scale import describe
from nearfar.merge.deliver.plot import plot_frames
from nearfar.merge.deliver.pyramid import TileStream, gather, pyramid, uncoded
from nearfar.merge.deliver.reduced import Reduced
from nearfar.merge.deliver.report import Report
from nearfar.merge.focus.find import FocusMap
from nearfar.merge.recipe import Recipe
from nearfar.merge.render import Band
from nearfar.merge.rendering import order_of
from nearfar.merge.scratch import Scratch
from nearfar.merge.survey import Surveyed
from nearfar.merge.surveyed_stack import SurveyedStack

SOFTWARE = f"Nearfar {__version__}"
HEIGHT_FILES = ("height.tif", "height.png")
MAP_EDGE = 1024
"""Longest edge of the coloured map of frames, pixels."""


@dataclass(frozen=True, kw_only=True)
class Outputs:
    """The paths of a picture and its side files, which are named after it; the report may be somewhere else."""

    picture: Path
    report: Path
    durable: bool = True
    """Whether each file is synced on its own; False where whoever asked for them syncs all of them at once."""

    @classmethod
    def beside(cls, picture: Path, report: Path | None = None, *, durable: bool = True) -> Outputs:
        """Outputs for a picture's path; the report lies beside it unless a path is given."""
        report = report or picture.with_name(f"{picture.stem}.report.json")
        return cls(picture=picture, report=report, durable=durable)

    def writing(self, path: Path) -> AbstractContextManager[Path]:
        """A temporary name for one of these files; see `whole_file`."""
        return whole_file(path, durable=self.durable)

    def named(self, ending: str) -> Path:
        """The path of the side file with that ending."""
        return self.picture.with_name(f"{self.picture.stem}.{ending}")

    def side_files(self, *, height: bool = False) -> list[Path]:
        """Paths of all side files, with the height map or without."""
        endings = ("preview.jpg", "focus.tif", "doubt.tif", "focus.png", "report.txt", "report.png")
        return [self.report, *(self.named(e) for e in (*endings, *(HEIGHT_FILES if height else ())))]


def finished(outputs: Outputs, key: str, *, height: bool = False) -> Report | None:
    """The report of a picture that was made under this key and is there with all its side files; else None."""
    if not outputs.picture.is_file() or not all(p.is_file() for p in outputs.side_files(height=height)):
        return None
    if read_key(outputs.picture) != key:
        return None
    try:
        content = json.loads(outputs.report.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return Report(content) if isinstance(content, dict) and content.get("key") == key else None


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
        """The picture in 8 bit, (h, w, c), its longer edge at most ``edge``: the nearest larger level, reduced by means."""
        width, height = self.size
        tiles: Iterable[bytes] = (tile for band in self._bands for tile in band.tiles())
        for level in self._levels.levels() if self._levels else []:
            if max(level.size) < edge:
                break
            (width, height), tiles = level.size, level.tiles()
        picture = gather(tiles, width, height, self.channels)
        scale = edge / max(width, height)
        if scale >= 1:
            return picture
        size = (max(1, round(width * scale)), max(1, round(height * scale)))
        return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)

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


def _used(report: Report, stack: SurveyedStack) -> list[Surveyed]:
    return [f for f, told in zip(stack.frames, report.content["frames"], strict=True) if told["used"]]


def picture_tags(report: Report, stack: SurveyedStack) -> PictureTags:
    """The picture's tags: profile and camera data of the reference frame, and what the picture was made from."""
    reference = next(f for f in stack.frames if f.header.path.name == report.content["reference"])
    used = _used(report, stack)
    times = [f.header.camera.exposure_time for f in used]
    known = tuple(t for t in times if t is not None)
    packet = xmp_packet(
        [f.header.path.name for f in used],
        stack.recipe.name,
        report.content["key"],
        SOFTWARE,
        reference=reference.header.path.name,
    )
    return PictureTags(
        icc=reference.header.icc,
        exif=exif_block(reference.header),
        xmp=packet,
        software=SOFTWARE,
        composite=Composite(
            in_set=len(stack.frames), used=len(used), exposure_times=known if len(known) == len(used) else ()
        ),
    )


def deliver(
    delivery: Delivery,
    outputs: Outputs,
    report: Report,
    stack: SurveyedStack,
    found: FocusMap,
    *,
    stop: Callable[[], None],
    finish: Callable[[Report], Report],
    verify: Callable[[Path], None] = lambda _: None,
    beside: Beside | None = None,
) -> Report:
    """Write the picture and all side files; returns the report as written.

    Parameters
    ----------
    delivery
        With all bands gathered.
    report
        Without times; ``finish`` completes it just before it is written. It tells which frames of the stack were used.
    found
        The focus map.
    stop
        Called often; raises to stop.
    verify
        Given the picture's file before it has its name; raises to reject it.
    beside
        Side files that another process may have made; those that are there, or will be soon, are taken.
    """
    tags = picture_tags(report, stack)
    headers = [f.header for f in _used(report, stack)]
    writers = side_writers(delivery, tags, found, [h.path.name for h in headers], stack.recipe)
    began = time.monotonic()

    def side(ending: str) -> None:
        if beside is not None:
            now = time.monotonic()
            beside.wait(ending, now + (now - began), stop)
        with outputs.writing(outputs.named(ending)) as part:
            if beside is None or not beside.take(ending, part):
                writers[ending](part)

    sides = [partial(side, ending) for ending in writers]
    plot = partial(_write_plot, outputs, report)
    heights = partial(_write_height, outputs, delivery, headers, stack.recipe)
    with outputs.writing(outputs.picture) as part, ThreadPoolExecutor(stack.threads) as pool:
        if beside is None:
            more = [pool.submit(work) for work in (*sides, plot, heights)]
        width, height = delivery.size
        write_picture(
            part,
            width=width,
            height=height,
            channels=delivery.channels,
            levels=delivery.picture_levels(stop),
            tags=tags,
        )
        verify(part)
        if beside is not None:
            plot()
            heights()
            # What another process has not begun by now is made here, from the other end.
            more = [pool.submit(work) for work in reversed(sides)]
        for written in more:
            written.result()
            stop()
        report = finish(report)
        _write_reports(outputs, report)
        stop()
    return report


def side_writers(
    delivery: Delivery, tags: PictureTags, found: FocusMap, names: Sequence[str], recipe: Recipe
) -> dict[str, Writer]:
    """Functions that write the side files that need no report, by ending; they use profile and camera data of ``tags``."""
    edge = recipe.deliver.preview_edge
    return {
        "preview.jpg": lambda part: _write_preview(part, delivery, tags, edge),
        "focus.tif": lambda part: _write_map(part, delivery, names),
        "focus.png": lambda part: _write_colours(part, delivery, found, len(names)),
        "doubt.tif": lambda part: _write_doubt(part, found),
    }


def _write_preview(part: Path, delivery: Delivery, tags: PictureTags, edge: int) -> None:
    exif = _marked(tags.exif or ExifBlock())
    write_preview(part, delivery.preview(edge), icc=tags.icc, exif=exif)


def _marked(exif: ExifBlock) -> ExifBlock:
    """Camera data with the tag Software, by which intake recognises files of ours that are not frames."""
    return replace(exif, image={**exif.image, 0x0131: ascii_tag(SOFTWARE)})


def marked_png(data: bytes, size: tuple[int, int]) -> bytes:
    """A PNG with the same mark in an eXIf chunk (PNG specification, third edition) behind the header chunk."""
    content = block_bytes(_marked(ExifBlock()), width=size[0], height=size[1])
    body = b"eXIf" + content
    chunk = struct.pack(">I", len(content)) + body + struct.pack(">I", zlib.crc32(body))
    return data[:33] + chunk + data[33:]


def _write_map(part: Path, delivery: Delivery, names: Sequence[str]) -> None:
    (width, height), tiles = delivery.map_tiles()
    tags = PictureTags(software=SOFTWARE, description=describe(names))
    write_picture(part, width=width, height=height, channels=1, levels=[tiles], tags=tags)


def _write_doubt(part: Path, found: FocusMap) -> None:
    doubt = ((1 - found.certain) * 65535 + 0.5).astype(np.uint16)
    rows, cols = doubt.shape
    tags = PictureTags(
        software=SOFTWARE, description=json.dumps({"nearfar-doubt/1": {"cell": 16, "full": 65535}})
    )
    write_picture(part, width=cols, height=rows, channels=1, levels=[grid_tiles(doubt)], tags=tags)


def _write_colours(part: Path, delivery: Delivery, found: FocusMap, frames: int) -> None:
    colours = colour_map(delivery.small_map(), found.certain, frames)
    data = cv2.imencode(".png", np.ascontiguousarray(colours[:, :, ::-1]))[1].tobytes()
    part.write_bytes(marked_png(data, (colours.shape[1], colours.shape[0])))


def _write_height(
    outputs: Outputs, delivery: Delivery, headers: Sequence[FrameHeader], recipe: Recipe
) -> None:
    """Write the height map and its relief if the recipe asks for them; otherwise remove those of an earlier run."""
    if not recipe.deliver.height:
        for ending in HEIGHT_FILES:
            outputs.named(ending).unlink(missing_ok=True)
        return
    scale = height_scale(headers, order_of(headers, recipe), recipe)
    size, tiles = delivery.map_tiles()
    with outputs.writing(outputs.named("height.tif")) as part:
        write_heights(part, size, tiles, scale, SOFTWARE, recipe.deliver.pixel_um)
    shaded = relief(delivery.small_map(), scale)
    with outputs.writing(outputs.named("height.png")) as part:
        data = cv2.imencode(".png", np.ascontiguousarray(shaded[:, :, ::-1]))[1].tobytes()
        part.write_bytes(marked_png(data, (shaded.shape[1], shaded.shape[0])))


def grid_tiles(grid: NDArray[np.uint16]) -> Iterator[bytes]:
    """Coded tiles of a small picture that is in memory."""
    for y in range(0, grid.shape[0], TILE):
        for x in range(0, grid.shape[1], TILE):
            tile = np.zeros((TILE, TILE, 1), np.uint16)
            part = grid[y : y + TILE, x : x + TILE]
            tile[: part.shape[0], : part.shape[1], 0] = part
            yield encode_tile(tile)


def _write_reports(outputs: Outputs, report: Report) -> None:
    with outputs.writing(outputs.named("report.txt")) as part:
        part.write_text(report.text(), encoding="utf-8")
    with outputs.writing(outputs.report) as part:
        part.write_text(json.dumps(report.content, indent=1) + "\n", encoding="utf-8")


def _write_plot(outputs: Outputs, report: Report) -> None:
    with outputs.writing(outputs.named("report.png")) as part:
        picture = plot_frames(report.content)
        data = io.BytesIO()
        picture.save(data, "PNG")
        part.write_bytes(marked_png(data.getvalue(), picture.size))
