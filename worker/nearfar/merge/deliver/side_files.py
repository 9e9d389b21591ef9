"""The files beside a picture: preview, maps of frames, doubt and heights, and the report in three forms."""

from __future__ import annotations

import io
import json
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from nearfar import __version__
from nearfar.frames.deliverable import TILE, PictureTags, encode_tile, write_picture, write_preview
from nearfar.frames.exif import ExifBlock, block_bytes
from nearfar.frames.headers import FrameHeader
from nearfar.frames.ifd import ascii_tag
from nearfar.merge.deliver.beside import Writer
from nearfar.merge.deliver.delivery import Delivery
from nearfar.merge.deliver.focus_colours import colour_map
from nearfar.merge.deliver.height import height_scale, relief, write_heights
from nearfar.merge.deliver.map_scale import describe
from nearfar.merge.deliver.outputs import HEIGHT_FILES, Outputs
from nearfar.merge.deliver.plot import plot_frames
from nearfar.merge.deliver.report import Report
from nearfar.merge.focus.find import FocusMap
from nearfar.merge.recipe import Recipe
from nearfar.merge.rendering import order_of

SOFTWARE = f"Nearfar {__version__}"


def side_writers(
    delivery: Delivery, tags: PictureTags, found: FocusMap, report: Report, recipe: Recipe
) -> dict[str, Writer]:
    """Functions that write the side files that another process may make, by ending, in the order of `beside.ENDINGS`.

    They use profile and camera data of ``tags``, and what the report tells of the frames.
    """
    edge = recipe.deliver.preview_edge
    names = [told["name"] for told in report.content["frames"] if told["used"]]
    return {
        "preview.jpg": lambda part: _write_preview(part, delivery, tags, edge),
        "focus.png": lambda part: _write_colours(part, delivery, found, len(names)),
        "report.png": lambda part: _write_plot(part, report),
        "focus.tif": lambda part: _write_map(part, delivery, names),
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
    _write_png(part, colours)


def _write_png(part: Path, picture: NDArray[np.uint8]) -> None:
    """Write (h, w, 3) pixels, RGB, as a PNG that is known as ours."""
    data = cv2.imencode(".png", np.ascontiguousarray(picture[:, :, ::-1]))[1].tobytes()
    part.write_bytes(marked_png(data, (picture.shape[1], picture.shape[0])))


def write_height(
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
        _write_png(part, shaded)


def grid_tiles(grid: NDArray[np.uint16]) -> Iterator[bytes]:
    """Coded tiles of a small picture that is in memory."""
    for y in range(0, grid.shape[0], TILE):
        for x in range(0, grid.shape[1], TILE):
            tile = np.zeros((TILE, TILE, 1), np.uint16)
            part = grid[y : y + TILE, x : x + TILE]
            tile[: part.shape[0], : part.shape[1], 0] = part
            yield encode_tile(tile)


def write_reports(outputs: Outputs, report: Report) -> None:
    """Write the report for people, then the one for programs."""
    with outputs.writing(outputs.named("report.txt")) as part:
        part.write_text(report.text(), encoding="utf-8")
    with outputs.writing(outputs.report) as part:
        part.write_text(json.dumps(report.content, indent=1) + "\n", encoding="utf-8")


def _write_plot(part: Path, report: Report) -> None:
    """Draw what the report says of each frame."""
    picture = plot_frames(report.content)
    data = io.BytesIO()
    picture.save(data, "PNG")
    part.write_bytes(marked_png(data.getvalue(), picture.size))
