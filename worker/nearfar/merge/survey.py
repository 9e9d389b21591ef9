"""Survey: each frame by itself, decoded once.

Its pixels are laid out as plain blocks in scratch if the file itself cannot be mapped, and what later steps need of it on
small grids is measured and stored.
"""

from __future__ import annotations

import mmap
import os
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import SourceChanged, WorkFailed
from nearfar.frames.colour import light_table
from nearfar.frames.decode import decode, decode_chroma, decode_cost
from nearfar.frames.headers import AS_SHOT, FrameHeader
from nearfar.frames.windows import FrameRows
from nearfar.merge.kernel.loader import BLOCK, Pixels
from nearfar.merge.kernel.picture_calls import (
    CELL,
    CURVE_STEPS,
    grid_shape,
    lay_out_planes,
    lay_out_rows,
    measure,
)
from nearfar.merge.kernel.planes import block_bytes
from nearfar.merge.keys import Fingerprint, file_digest, key
from nearfar.merge.noise import Noise, lowest_cells
from nearfar.merge.scratch import Scratch

VERSION = 4
F32 = NDArray[np.float32]
Mark = tuple[str, Fingerprint]
STEP = 2 * BLOCK // CELL
"""Rows of cells that are measured at a time: two rows of blocks."""
RING = 4
"""Rows of blocks in memory at that time: those two, and one above and one below, which the filters need."""


@dataclass(frozen=True, kw_only=True)
class Surveyed:
    """A frame and where its survey is stored. ``key``: of its outputs; ``rows``: None if the file itself is mapped."""

    header: FrameHeader
    digest: str
    fingerprint: Fingerprint
    key: str
    rows: Path | None

    def energies(self, scratch: Scratch) -> tuple[F32, F32]:
        """Energy of each luma band per cell (3, R, C), finest band first, and mean luma (R, C)."""
        energy, mean = scratch.load(self.key, "survey", "energy", "mean")
        return energy, mean

    def light(self, scratch: Scratch) -> F32:
        """Linear-light luma (h // 4, w // 4), 0..1, means of 4 x 4 pixels."""
        (small,) = scratch.load(self.key, "survey", "small")
        return small.astype(np.float32) * np.float32(1 / 65535)


def rows_bytes(header: FrameHeader) -> int:
    """Bytes of scratch that a frame's decoded rows take; 0 if its own file can be mapped."""
    down, across = block_shape(header)
    return 0 if header.plain else down * across * _block_bytes(header)


def planes_of(header: FrameHeader) -> int:
    """1 or 2 where scratch has a frame's luma and chroma as its JPEG has them (see `FrameHeader.halved`), 0 for colours."""
    return 0 if header.correction is not None else header.halved


def _block_bytes(header: FrameHeader) -> int:
    planes = planes_of(header)
    return block_bytes(planes) if planes else 3 * BLOCK * BLOCK * header.bits // 8


def rows_kind(header: FrameHeader) -> str:
    """Kind under which scratch has a frame's pixels."""
    return "planes" if planes_of(header) else "rows"


def _block_dims(header: FrameHeader) -> tuple[int, ...]:
    planes = planes_of(header)
    return (block_bytes(planes),) if planes else (3, BLOCK, BLOCK)


def block_shape(header: FrameHeader) -> tuple[int, int]:
    """Rows and columns of the blocks that cover a frame."""
    return -(-header.height // BLOCK), -(-header.width // BLOCK)


def survey_memory(header: FrameHeader) -> int:
    """Bytes that one thread needs at the peak of a frame's survey."""
    rows, cols = grid_shape(header.width, header.height)
    picture = 0 if header.in_parts or header.plain else header.width * header.height * 3 * header.bits // 8
    grids = rows * cols * 4 * 5 + header.width * header.height // 16 * 2
    ring = RING * block_shape(header)[1] * _block_bytes(header)
    return decode_cost(header) + picture + grids + ring + (8 << 20)


def identify(header: FrameHeader) -> Mark:
    """Digest of a frame's bytes, and a fingerprint by which it is cheap to check later whether they changed."""
    before = Fingerprint.of(header.path)
    return file_digest(header.path), before


def survey_key(header: FrameHeader, digest: str) -> str:
    """Key of a frame's survey, from its bytes and the way they are read."""
    params: dict[str, object] = {"kind": header.kind, "bits": header.bits}
    if header.development != AS_SHOT:
        params["development"] = header.development
    if header.correction is not None:
        params["correction"] = header.correction.key
    if header.tagged is not None:
        params["orientation"] = header.orientation
    return key("survey", VERSION, params, [digest])


def surveyed(scratch: Scratch, header: FrameHeader, mark: Mark) -> Surveyed:
    """A frame with the key of its survey and the path of its rows, whether they exist or not."""
    digest, fingerprint = mark
    name = survey_key(header, digest)
    rows = scratch.path(name, rows_kind(header)) if rows_bytes(header) else None
    return Surveyed(header=header, digest=digest, fingerprint=fingerprint, key=name, rows=rows)


def has_rows(scratch: Scratch, frame: Surveyed) -> bool:
    """Whether a frame's pixels can be mapped here."""
    return frame.rows is None or scratch.has(frame.key, rows_kind(frame.header), rows_bytes(frame.header))


def changed(path: Path) -> SourceChanged:
    """The error for a frame that is no longer the file that it was."""
    return SourceChanged(
        f"{path.name}: found other contents than at the start; expected a file that stays as it is while it is worked "
        "on. Wait until it has arrived completely, then run again."
    )


class Surveyor:
    """Surveys frames of one size from several threads, each with one buffer that is used again.

    Parameters
    ----------
    scratch
        Where outputs go.
    relax
        Called after every frame.
    marks
        What `identify` found for every frame's path.
    """

    def __init__(self, scratch: Scratch, relax: Callable[[], None], marks: Mapping[Path, Mark]) -> None:
        self.scratch = scratch
        self.marks = marks
        self.relax = relax
        self._local = threading.local()

    def _buffer(self, name: str, header: FrameHeader, *shape: int) -> NDArray[Any]:
        """An array of this thread's own, of the frame's depth, that is used again for the next frame."""
        dtype = np.dtype(f"u{header.bits // 8}")
        have: NDArray[Any] | None = getattr(self._local, name, None)
        if have is None or have.shape != shape or have.dtype != dtype:
            setattr(self._local, name, None)
            have = np.empty(shape, dtype)
            setattr(self._local, name, have)
        return have

    def _decoded(self, header: FrameHeader) -> Iterator[NDArray[Any]]:
        """A frame's rows, `BLOCK` at a time."""
        if header.in_parts:
            return self._bands(header)
        read = decode_chroma if planes_of(header) else decode
        return _in_bands(read(header, self._buffer("picture", header, header.height, header.width, 3)))

    def survey(self, header: FrameHeader, *, rows: bool = True) -> Surveyed:
        """Survey one frame, or find it surveyed already; its rows are only laid out where ``rows`` asks for them, or where
        the survey is made and they are at hand.
        """
        done = surveyed(self.scratch, header, self._unchanged(header))
        known = self.scratch.has(done.key, "survey")
        if not known:
            self._survey(done)
        elif rows and not has_rows(self.scratch, done):
            self._lay_out(done, self._decoded(header))
        else:
            return done
        self.relax()
        return done

    def _survey(self, done: Surveyed) -> None:
        header = done.header
        found = _Measured(header)
        if header.plain:
            with MappedFrame(done) as frame:
                for start in range(0, found.rows, STEP):
                    found.measure(frame.pixels, start)
                    frame.forget()
        else:
            self._lay_out(done, self._decoded(header), found)
        found.save(self.scratch, done.key)

    def _unchanged(self, header: FrameHeader) -> Mark:
        """The frame's mark, if it is still the file that was identified."""
        digest, fingerprint = self.marks[header.path]
        if Fingerprint.of(header.path) == fingerprint:
            return digest, fingerprint
        found = identify(header)
        if found[0] != digest:
            raise changed(header.path)
        return found

    @staticmethod
    def _bands(header: FrameHeader) -> Iterator[NDArray[Any]]:
        with FrameRows(header) as reader:
            for y in range(0, header.height, BLOCK):
                yield reader.rows(y, min(y + BLOCK, header.height))

    def _lay_out(self, done: Surveyed, bands: Iterable[NDArray[Any]], found: _Measured | None = None) -> None:
        """Write a frame's blocks, and measure what passes by where ``found`` is given."""
        header = done.header
        cols = block_shape(header)[1]
        planes, size = planes_of(header), (header.width, header.height)
        blocks = self._buffer("blocks", header, RING, cols, *_block_dims(header))
        table = light_table(header.icc, header.bits)
        passing = Pixels(samples=blocks, table=table, size=size, ring=RING, down=planes)
        with self.scratch.writing(done.key, rows_kind(header)) as part, open(part, "wb", buffering=0) as file:
            for number, band in enumerate(bands):
                row = blocks[number % RING]
                if planes:
                    lay_out_planes(np.ascontiguousarray(band), row, planes)
                else:
                    lay_out_rows(np.ascontiguousarray(band), row)
                _write_all(file.fileno(), memoryview(row).cast("B"))
                # what lies above is whole, with what it reaches
                if found is not None and number % 2 == 0 and number:
                    found.measure(passing, (number - 2) * BLOCK // CELL)
            if found is not None:
                found.rest(passing)


class _Measured:
    """What is measured of one frame, `STEP` rows of cells at a time, from the top."""

    def __init__(self, header: FrameHeader) -> None:
        rows, cols = grid_shape(header.width, header.height)
        self.rows = rows
        self.curve = luma_curve(header)
        self.energy = np.empty((3, rows, cols), np.float32)
        self.mean = np.empty((rows, cols), np.float32)
        self.small: NDArray[np.uint16] = np.empty((header.height // 4, header.width // 4), np.uint16)
        self._done = 0

    def measure(self, pixels: Pixels, start: int) -> None:
        """The rows of cells from ``start`` on."""
        end = min(start + STEP, self.rows)
        measure(pixels, self.curve, (start, end), self.energy, self.mean, self.small)
        self._done = end

    def rest(self, pixels: Pixels) -> None:
        """The rows of cells that are left."""
        while self._done < self.rows:
            self.measure(pixels, self._done)

    def save(self, scratch: Scratch, name: str) -> None:
        """Store the measurements under a frame's key."""
        lowest = lowest_cells(self.energy, self.mean)
        found: dict[str, NDArray[Any]] = {
            "energy": self.energy,
            "mean": self.mean,
            "small": self.small,
            "lowest": lowest,
        }
        scratch.save(name, "survey", found)


def _in_bands(picture: NDArray[Any]) -> Iterator[NDArray[Any]]:
    return (picture[y : y + BLOCK] for y in range(0, len(picture), BLOCK))


def _write_all(fd: int, data: memoryview) -> None:
    while data:
        data = data[os.write(fd, data) :]


def luma_curve(header: FrameHeader) -> F32:
    """Encoded luma to linear light at k / 16384, (16385,)."""
    table = light_table(header.icc, header.bits)
    steps = np.arange(CURVE_STEPS + 1) / CURVE_STEPS
    return np.interp(steps, np.linspace(0, 1, table.size), table).astype(np.float32)


class MappedFrame:
    """A surveyed frame's full-size pixels through a mapped file: its own, or its blocks in scratch."""

    def __init__(self, frame: Surveyed) -> None:
        path = frame.rows or frame.header.path
        with open(path, "rb") as file:
            size = os.fstat(file.fileno()).st_size
            if size < self._end(frame):
                raise (
                    changed(path)
                    if frame.rows is None
                    else WorkFailed(
                        f"{path}: {size} bytes are too few; remove the folder {path.parent} and run again"
                    )
                )
            self._map = mmap.mmap(file.fileno(), 0, prot=mmap.PROT_READ)
        self.pixels = self._pixels(frame)

    @staticmethod
    def _end(frame: Surveyed) -> int:
        """The least size of the file, bytes."""
        header, plain = frame.header, frame.header.plain
        if frame.rows is not None or plain is None:
            return rows_bytes(header)
        last = (header.height - 1) * plain.row_stride + (header.width - 1) * plain.pixel_stride
        return plain.offset + last + 2 * plain.plane_stride + header.bits // 8

    def _pixels(self, frame: Surveyed) -> Pixels:
        header, plain = frame.header, frame.header.plain
        dtype = np.dtype(f"u{header.bits // 8}")
        table = light_table(header.icc, header.bits)
        if frame.rows is not None or plain is None:
            shape = (*block_shape(header), *_block_dims(header))
            blocks: NDArray[Any] = np.ndarray(shape, dtype, buffer=self._map)
            size = header.width, header.height
            return Pixels(samples=blocks, table=table, size=size, down=planes_of(header))
        rows: NDArray[Any] = np.ndarray(
            (header.height, header.width, 3),
            dtype,
            buffer=self._map,
            offset=plain.offset,
            strides=(plain.row_stride, plain.pixel_stride, plain.plane_stride),
        )
        return Pixels(samples=rows, table=table)

    def forget(self) -> None:
        """Give the mapped pages back to the system; they are read again from the file when they are needed."""
        self._map.madvise(mmap.MADV_DONTNEED)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.forget()


def check_unchanged(frames: Sequence[Surveyed]) -> None:
    """Raise `SourceChanged` if a frame is no longer the file that was surveyed."""
    for frame in frames:
        try:
            if Fingerprint.of(frame.header.path) == frame.fingerprint:
                continue
            same = file_digest(frame.header.path) == frame.digest
        except OSError:
            same = False
        if not same:
            raise changed(frame.header.path)


def detail_of(scratch: Scratch, frames: Sequence[Surveyed], noise: Noise, threads: int) -> list[float]:
    """Fine detail of each frame, relative to the frame that has most: root of the mean energy over the noise."""

    def look(frame: Surveyed) -> float:
        energy, mean = frame.energies(scratch)
        return float(np.sqrt(np.maximum(energy[0] - noise.energy(0, mean), 0).mean()))

    with ThreadPoolExecutor(threads) as pool:
        found = list(pool.map(look, frames))
    return [value / max(max(found), 1e-9) for value in found]
