"""Render: the picture, block by block, from the few frames that each place needs.

A band is a row of blocks of 512 pixels, and is stored as a whole: encoded tiles of the result, the same at half size for the
pyramid, and the map of frames. A band that is stored is never made again.
"""

from __future__ import annotations

import json
import struct
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.frames.deliverable import checksum, encode_tile
from nearfar.merge.focus.find import in_order
from nearfar.merge.kernel.picture_calls import TileKernel, checked_frames, halve, render_bytes
from nearfar.merge.scratch import Scratch

BLOCK = 512
"""Edge of the result's tiles, and of the blocks that a thread renders at a time, pixels."""
SMALLEST_TILE = 64
AHEAD = 3
"""Finished blocks (1.5 MB each) that may be waiting, so that no thread idles while a band is stored and passed on."""
MAGIC = b"NFband02"
U16 = NDArray[np.uint16]


@dataclass(frozen=True, kw_only=True)
class Band:
    """One stored band: where its tiles lie in the file, with their checksums, and its small pictures.

    ``half``: (rows, cols, c) uint16; ``frame_map``: (rows, cols) uint16, 256ths of a frame from 256 on, 0 unknown;
    ``share``: (n,) half-size pixels that each frame gave.
    """

    path: Path
    spans: tuple[tuple[int, int], ...]
    half: U16
    frame_map: U16
    share: NDArray[np.float64]
    sums: tuple[int, ...]
    scratch: Scratch | None = None

    def tiles(self) -> Iterator[bytes]:
        """Encoded tiles, left to right. Raises `WorkFailed` at a damaged one; the band then leaves shared scratch."""
        with open(self.path, "rb") as file:
            for (offset, size), known in zip(self.spans, self.sums, strict=True):
                file.seek(offset)
                tile = file.read(size)
                if checksum(tile) != known:
                    error = _not_whole(
                        self.path, ValueError("a tile with a checksum that is not that of its data")
                    )
                    raise error if self.scratch is None else _spoilt(self.scratch, self.path, error)
                yield tile


@dataclass(frozen=True, kw_only=True)
class _Block:
    tile: bytes
    half: U16
    frame_map: U16
    share: NDArray[np.float64]


class Renderer:
    """Renders bands of one stack.

    Parameters
    ----------
    kernel
        The stack as the kernel sees it.
    size, channels
        Width and height of the picture in pixels; 3, or 1 for greyscale.
    tile
        Edge of the tiles that the kernel works on; any of 64, 128, 256 gives the same bits.
    work_limit
        Bytes of work memory that a thread may take; a tile that needs more is halved until it fits.
    relax
        Called after every tile: gives back mapped pages when memory runs short, and raises to stop the work.
    """

    def __init__(
        self,
        kernel: TileKernel,
        *,
        size: tuple[int, int],
        channels: int,
        tile: int,
        work_limit: int,
        relax: Callable[[], None],
    ) -> None:
        self.kernel = kernel
        self.size = size
        self.channels = channels
        self.tile = min(tile, 256)
        self.work_limit = work_limit
        self.relax = relax
        self._local = threading.local()

    @property
    def bands(self) -> int:
        """Number of bands."""
        return -(-self.size[1] // BLOCK)

    def blocks(self, band: int) -> list[tuple[int, int]]:
        """Top left pixels of a band's blocks."""
        return [(x, band * BLOCK) for x in range(0, self.size[0], BLOCK)]

    def _bytes(self, tile: int, frames: int) -> int:
        return render_bytes(tile, frames, learned=self.kernel.learned)

    def _work(self, size: int) -> NDArray[np.uint8]:
        """This thread's work memory. Keep no name for it: it would live on beside the larger one that replaces it."""
        have: NDArray[np.uint8] | None = getattr(self._local, "work", None)
        if have is None or have.size < size:
            self._local.work = have = None
            have = np.empty(size, np.uint8)
            self._local.work = have
        return have

    def _tile(self, tile: int, x: int, y: int, out: U16, frame_map: U16, share: NDArray[np.float64]) -> None:
        """Render one tile into its place, or four smaller ones if it needs more work memory than there is."""
        into = (tile, x, y, out, frame_map, share)
        used = checked_frames(self.kernel.render(*into, self._work(self._bytes(tile, 8))))
        if used < 0:
            need = self._bytes(tile, -used)
            if need > self.work_limit and tile > SMALLEST_TILE:
                self._quarters(tile // 2, x, y, out, frame_map, share)
            else:
                again = self.kernel.render(*into, self._work(need))
                if again <= 0:
                    raise WorkFailed(f"tile at {x}, {y}: {-again} frames do not fit in {need} bytes")
        self.relax()

    def _quarters(
        self, tile: int, x: int, y: int, out: U16, frame_map: U16, share: NDArray[np.float64]
    ) -> None:
        for dy in range(0, min(2 * tile, self.size[1] - y), tile):
            for dx in range(0, min(2 * tile, self.size[0] - x), tile):
                self._tile(
                    *(tile, x + dx, y + dy, out[dy:, dx:], frame_map[dy // 2 :, dx // 2 :], share),
                )

    def block(self, place: tuple[int, int]) -> _Block:
        """Render and encode the block whose top left pixel is ``place``."""
        x0, y0 = place
        width, height = min(BLOCK, self.size[0] - x0), min(BLOCK, self.size[1] - y0)
        out = np.zeros((BLOCK, BLOCK, 3), np.uint16)
        frame_map = np.zeros((BLOCK // 2, BLOCK // 2), np.uint16)
        share = np.zeros(self.kernel.frames)
        for y in range(0, height, self.tile):
            for x in range(0, width, self.tile):
                self._tile(self.tile, x0 + x, y0 + y, out[y:, x:], frame_map[y // 2 :, x // 2 :], share)
        picture = out if self.channels == 3 else np.ascontiguousarray(out[:, :, 1:2])
        return _Block(
            tile=encode_tile(picture),
            half=halve(np.ascontiguousarray(picture[:height, :width])),
            frame_map=frame_map[: -(-height // 2), : -(-width // 2)].copy(),
            share=share,
        )

    def render(
        self,
        scratch: Scratch,
        keys: Sequence[str],
        *,
        threads: int,
        tick: Callable[[float], None],
        which: Sequence[int] | None = None,
    ) -> Iterator[Band]:
        """Yield bands from the top (all, or ``which``), from scratch if they are stored there under ``keys``."""
        which = range(self.bands) if which is None else which
        missing = [b for b in which if not scratch.has(keys[b], "band")]
        todo = [place for b in missing for place in self.blocks(b)]
        made = in_order(todo, self.block, threads, ahead=AHEAD)
        for band in which:
            count = len(self.blocks(band))
            if band in missing:
                blocks = []
                for _ in range(count):
                    blocks.append(next(made))
                    tick(1.0)
                with scratch.writing(keys[band], "band", sync=False) as part:
                    write_band(part, blocks)
            else:
                tick(float(count))
            yield stored_band(scratch, keys[band])


def write_band(path: Path, blocks: Sequence[_Block]) -> None:
    """Write a band's file: magic, length of the header, header, and then the parts that it names, in order."""
    half = np.concatenate([b.half for b in blocks], axis=1)
    frame_map = np.concatenate([b.frame_map for b in blocks], axis=1)
    share = np.sum([b.share for b in blocks], axis=0)
    small = [np.ascontiguousarray(a).data.cast("B") for a in (share, half, frame_map)]
    head = json.dumps(
        {
            "tiles": [len(b.tile) for b in blocks],
            "half": half.shape,
            "map": frame_map.shape,
            "frames": len(share),
            "small-sum": _checksum_of_all(small),
            "sums": [checksum(b.tile) for b in blocks],
        }
    ).encode()
    with open(path, "wb") as file:
        file.write(MAGIC + struct.pack("<I", len(head)) + head)
        for piece in small:
            file.write(piece)
        for block in blocks:
            file.write(block.tile)


def _checksum_of_all(pieces: Sequence[bytes | memoryview]) -> int:
    found = None
    for piece in pieces:
        found = checksum(piece, found)
    return found or 0


def stored_band(scratch: Scratch, key: str) -> Band:
    """Read a band from scratch. Raises `WorkFailed` if it is damaged, after removing it from shared scratch."""
    path = scratch.path(key, "band")
    try:
        return replace(read_band(path), scratch=scratch)
    except WorkFailed as error:
        raise _spoilt(scratch, path, error) from error.__cause__


def _spoilt(scratch: Scratch, path: Path, error: WorkFailed) -> WorkFailed:
    """The error for a damaged band, which is removed from shared scratch with all others that are."""
    if not scratch.sync:
        return error
    scratch.remove_damaged(path.suffix[1:], _read_whole)
    return scratch.spoilt(path, "no whole band")


def _read_whole(path: Path) -> None:
    with open(path, "rb") as file:
        band = _read_band(path, file)
    for _ in band.tiles():
        pass


def read_band(path: Path) -> Band:
    """Read a band's file without its tiles. Raises `WorkFailed` if the file is damaged."""
    try:
        with open(path, "rb") as file:
            return _read_band(path, file)
    except (OSError, ValueError, KeyError, struct.error) as error:
        raise _not_whole(path, error) from error


def _not_whole(path: Path, error: Exception) -> WorkFailed:
    return WorkFailed(
        f"{path}: found {error}; expected a whole band. Remove the scratch folder {path.parent} and run again"
    )


def _read_band(path: Path, file: BinaryIO) -> Band:
    if file.read(len(MAGIC)) != MAGIC:
        raise ValueError("another beginning")
    head = json.loads(file.read(struct.unpack("<I", file.read(4))[0]))
    sizes = 8 * head["frames"], 2 * int(np.prod(head["half"])), 2 * int(np.prod(head["map"]))
    small = [file.read(size) for size in sizes]
    if _checksum_of_all(small) != head["small-sum"]:
        raise ValueError("a checksum that is not that of its data")
    share = np.frombuffer(small[0], np.float64)
    half = np.frombuffer(small[1], np.uint16).reshape(head["half"])
    frame_map = np.frombuffer(small[2], np.uint16).reshape(head["map"])
    offset, spans = file.tell(), []
    for size in head["tiles"]:
        spans.append((offset, size))
        offset += size
    if file.seek(0, 2) != offset:
        raise ValueError(f"{file.tell()} bytes in place of {offset}")
    sums = tuple(head["sums"])
    return Band(path=path, spans=tuple(spans), half=half, frame_map=frame_map, share=share, sums=sums)
