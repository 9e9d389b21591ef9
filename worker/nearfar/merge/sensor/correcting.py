"""Dark and flat frames of a stack's camera: found, checked, and combined into planes that are stored under a key.

Several frames are combined by their median, so that what only one of them shows drops out. A flat frame, less the dark
one, is taken relative to its own median in each channel. It never raises a place by more than `MOST`: where the lens
lets almost no light through, there would be nothing but noise to raise.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import FrameRefused, RecipeRefused, StackRefused
from nearfar.frames.colour import light_table, profile_name, profiles_equal
from nearfar.frames.correction import Correction
from nearfar.frames.decode import decode, is_picture, read_header, refusing
from nearfar.frames.headers import FrameHeader
from nearfar.frames.raw import read_mosaic
from nearfar.frames.source import opened
from nearfar.merge.keys import Fingerprint, file_digest, key
from nearfar.merge.recipe import Recipe
from nearfar.merge.scratch import Scratch
from nearfar.merge.survey import changed

VERSION = 1
MOST = 4.0
"""A flat frame raises or lowers a place by no more than this factor."""
AT_ONCE = 4 << 20
"""Values of all frames together that are in memory while their median is taken."""
SAMPLES = 1 << 20
"""The most values of a channel that a flat frame's median is computed from."""
BAND = 64
"""Rows that are worked on at a time."""
F32 = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class Master:
    """One dark or flat frame."""

    header: FrameHeader
    digest: str
    """SHA-256 of the file, hexadecimal."""


@dataclass(frozen=True, kw_only=True)
class Masters:
    """The dark and flat frames of a stack, in the order of their names."""

    dark: tuple[Master, ...] = ()
    flat: tuple[Master, ...] = ()

    @property
    def key(self) -> str:
        """The key of the planes that they are combined into."""
        params: dict[str, object] = {
            name: [m.digest for m in of] for name, of in (("dark", self.dark), ("flat", self.flat))
        }
        turned = [m.header.orientation for m in (*self.dark, *self.flat) if m.header.tagged is not None]
        if turned:
            params["orientation"] = turned
        return key("correction", VERSION, params, [])

    def correction(self, header: FrameHeader, scratch: Scratch) -> Correction | None:
        """How a frame is corrected with them, its planes being in ``scratch``; None if there are no masters."""
        if not self.dark and not self.flat:
            return None
        size = _sides(header)
        return Correction(
            key=self.key,
            size=size,
            channels=1 if header.kind == "raw" else 3,
            dark=scratch.path(self.key, "dark") if self.dark else None,
            gain=scratch.path(self.key, "gain") if self.flat else None,
        )

    def told(self) -> dict[str, Any]:
        """The report's entry ``corrected``: names, paths and digests, and a sentence; empty if there are no masters."""
        if not self.dark and not self.flat:
            return {}
        frames = {
            name: [{"name": m.header.path.name, "path": str(m.header.path), "digest": m.digest} for m in of]
            for name, of in (("dark", self.dark), ("flat", self.flat))
        }
        return {"corrected": {**frames, "text": self.text()}}

    def text(self) -> str:
        """Which frames were used, as a sentence for people."""
        said = [
            f"{len(frames)} {name} frame{'' if len(frames) == 1 else 's'} ({frames[0].header.path.parent})"
            for name, frames in (("dark", self.dark), ("flat", self.flat))
            if frames
        ]
        return f"Corrected by {' and '.join(said)}."


NO_MASTERS = Masters()


def find_masters(headers: Sequence[FrameHeader], recipe: Recipe) -> Masters:
    """The dark and flat frames that the recipe names, checked against the frames of a stack, which are alike.

    Raises
    ------
    RecipeRefused
        There is no file where the recipe says, or none of this camera.
    FrameRefused
        One of them cannot be read, or does not fit the stack in size, depth or kind.
    StackRefused
        The frames come from several cameras.
    """
    sensor = recipe.sensor
    if sensor.dark is None and sensor.flat is None:
        return Masters()
    cameras = {_camera(h) for h in headers} - {None}
    if len(cameras) > 1:
        raise StackRefused(
            f"the frames come from {len(cameras)} cameras ({', '.join(sorted(str(c) for c in cameras))}); dark and flat "
            "frames are those of one. Leave the others out, or sensor.dark and sensor.flat."
        )
    found = {
        name: tuple(_of_camera(name, Path(path), headers[0]))
        for name, path in (("dark", sensor.dark), ("flat", sensor.flat))
        if path is not None
    }
    return Masters(**found)


def _of_camera(name: str, path: Path, like: FrameHeader) -> Iterator[Master]:
    others, count = set(), 0
    for each in _files(name, path):
        master = _turned(_master(each, Fingerprint.of(each)), like)
        camera, wanted = _camera(master.header), _camera(like)
        if path.is_dir() and camera is not None and wanted is not None and camera != wanted:
            others.add(camera)
            continue
        _check(name, master.header, like)
        count += 1
        yield master
    if not count:
        what = f"frames of {', '.join(sorted(others))}" if others else "no pictures"
        wanted = _camera(like) or "the stack's camera"
        raise RecipeRefused(
            f"sensor.{name} is {path}: found {what}; expected {name} frames of {wanted}. "
            "Put some there, or leave the setting out"
        )


def _files(name: str, path: Path) -> list[Path]:
    try:
        if path.is_dir():
            return [p for p in sorted(path.iterdir()) if p.is_file() and is_picture(p)]
        path.stat()
    except OSError as error:
        raise RecipeRefused(
            f"sensor.{name} is {path}: {error.strerror}; expected a file or a folder that can be read"
        ) from error
    return [path]


@functools.lru_cache(maxsize=256)
def _master(path: Path, fingerprint: Fingerprint) -> Master:
    """A file's header and digest, kept for as long as its fingerprint is the same."""
    return Master(header=read_header(path), digest=file_digest(path))


def _turned(master: Master, like: FrameHeader) -> Master:
    """As it lies on the sensor to the frames of the stack, whatever its own orientation tag says."""
    header = master.header
    if (
        header.kind == "raw"
        or header.orientation == like.orientation
        or header.stored_size != like.stored_size
    ):
        return master
    return replace(master, header=read_header(header.path, like.orientation))


def _camera(header: FrameHeader) -> str | None:
    said = [part for part in (header.camera.make, header.camera.model) if part]
    return " ".join(said) or None


def _sides(header: FrameHeader) -> tuple[int, int]:
    """Width and height of the samples that are corrected: of a raw frame as on the sensor, of any other upright."""
    return header.stored_size if header.kind == "raw" else (header.width, header.height)


def _check(name: str, header: FrameHeader, like: FrameHeader) -> None:
    """Raise `FrameRefused` if a dark or flat frame does not fit the frames of the stack."""
    raw = like.kind == "raw"
    sides, wanted = _sides(header), _sides(like)
    camera = _camera(header)
    found = expected = None
    if (header.kind == "raw") != raw:
        found, expected = (
            ("a developed picture", "a raw file") if raw else ("a raw file", "a developed picture")
        )
    elif camera is not None and _camera(like) not in (None, camera):
        found, expected = f"a {name} frame of {camera}", f"one of {_camera(like)}"
    elif sides != wanted:
        found, expected = f"{sides[0]} x {sides[1]} pixels", f"{wanted[0]} x {wanted[1]}"
    elif (header.bits, header.stored_bits) != (like.bits, like.stored_bits):
        found, expected = f"{header.stored_bits} bits", f"{like.stored_bits}"
    elif header.channels != like.channels:
        found, expected = f"{header.channels} channels", f"{like.channels}"
    elif not raw and not profiles_equal(header.icc, like.icc):
        found, expected = profile_name(header.icc), profile_name(like.icc)
    elif not raw and header.orientation != like.orientation:
        found, expected = "a picture turned another way", "the camera held as for the stack"
    if found is not None:
        raise FrameRefused(
            header.path,
            found=found,
            expected=f"{expected} as in the frames of the stack",
            remedy=f"Take {name} frames with that camera and export them as the stack's, or leave sensor.{name} out.",
        )


def corrected(headers: Iterable[FrameHeader], masters: Masters, scratch: Scratch) -> list[FrameHeader]:
    """The same headers, asking for correction with these masters, whose planes `make_planes` stores in ``scratch``."""
    out = []
    for header in headers:
        correction = masters.correction(header, scratch)
        plain = header.plain if correction is None else None
        out.append(replace(header, correction=correction, plain=plain))
    return out


def make_planes(masters: Masters, scratch: Scratch) -> None:
    """Store the planes that are not in scratch yet. Raises `FrameRefused` if a frame cannot be decoded."""
    dark = flat = None
    if masters.dark:
        dark = _plane(masters, "dark", scratch)
        if not scratch.has(masters.key, "dark", dark.size):
            with _stacked(masters.dark, scratch) as frames, scratch.writing(masters.key, "dark") as part:
                _write(part, _medians(frames))
    if masters.flat:
        flat = _plane(masters, "gain", scratch)
        if not scratch.has(masters.key, "gain", flat.size):
            with _stacked(masters.flat, scratch) as frames, scratch.writing(masters.key, "gain") as part:
                _write_gain(part, frames, None if dark is None else dark.path)


@dataclass(frozen=True)
class _Plane:
    path: Path
    size: int


def _plane(masters: Masters, kind: str, scratch: Scratch) -> _Plane:
    like = (masters.dark or masters.flat)[0].header
    width, height = _sides(like)
    channels = 1 if like.kind == "raw" else 3
    return _Plane(scratch.path(masters.key, kind), width * height * channels * 4)


@dataclass(frozen=True)
class _Stacked:
    """Linear light of several frames in one file, (n, h, w, channels), and the colour of each place of a mosaic."""

    light: NDArray[Any]
    colours: NDArray[np.uint8] | None


@contextmanager
def _stacked(masters: Sequence[Master], scratch: Scratch) -> Iterator[_Stacked]:
    """Linear light of all frames in a temporary file, since a median needs all of them at each place."""
    header = masters[0].header
    width, height = _sides(header)
    shape = (len(masters), height, width, 1 if header.kind == "raw" else 3)
    part = scratch.passing(masters[0].digest[:32], "masters")  # as long as a key
    try:
        light: NDArray[Any] = np.memmap(part, np.float32, "w+", shape=shape)
        colours = None
        for number, master in enumerate(masters):
            if file_digest(master.header.path) != master.digest:
                raise changed(master.header.path)
            if header.kind == "raw":
                with opened(master.header.path) as file, refusing(file):
                    light[number, :, :, 0], colours = read_mosaic(file)
            else:
                table, samples = light_table(header.icc, header.bits), decode(master.header)
                for top in range(0, height, BAND):
                    light[number, top : top + BAND] = table[samples[top : top + BAND]]
        yield _Stacked(light, colours)
    finally:
        part.unlink(missing_ok=True)


def _medians(frames: _Stacked) -> Iterator[F32]:
    """The median of the frames, a band of rows at a time."""
    count, height, width, channels = frames.light.shape
    step = max(1, AT_ONCE // (count * width * channels))
    for top in range(0, height, step):
        yield np.asarray(np.median(frames.light[:, top : top + step], axis=0), np.float32)


def _write(path: Path, bands: Iterable[F32]) -> None:
    with open(path, "wb") as file:
        for band in bands:
            file.write(np.ascontiguousarray(band).tobytes())


def _write_gain(path: Path, frames: _Stacked, dark: Path | None) -> None:
    """Write the factors that make the flat frames even: first their light, then its reciprocal in the same file."""
    shape = frames.light.shape[1:]
    _write(path, _medians(frames))
    light: NDArray[Any] = np.memmap(path, np.float32, "r+", shape=shape)
    if dark is not None:
        below: NDArray[Any] = np.memmap(dark, np.float32, "r", shape=shape)
        for top in range(0, shape[0], BAND):
            light[top : top + BAND] -= below[top : top + BAND]
    colours = frames.colours
    for channel in range(shape[2] if colours is None else 4):
        middle = _middle(light, channel, colours)
        if middle is None:
            continue
        for top in range(0, shape[0], BAND):
            rows = light[top : top + BAND]
            with np.errstate(divide="ignore", invalid="ignore"):
                gain = np.clip(np.float32(middle) / np.maximum(rows, np.float32(0)), 1 / MOST, MOST)
            which = np.s_[:, :, channel] if colours is None else colours[top : top + BAND] == channel
            rows[which] = gain[which]
    light.flush()  # type: ignore[attr-defined]


def _middle(light: NDArray[Any], channel: int, colours: NDArray[np.uint8] | None) -> float | None:
    """Median of a channel; None if the sensor has no place of that colour."""
    step = max(1, light.shape[0] * light.shape[1] // (SAMPLES * 4))
    bands = []
    for top in range(0, light.shape[0], BAND):
        rows = light[top : top + BAND]
        found = (
            rows[:, :, channel] if colours is None else rows[:, :, 0][colours[top : top + BAND] == channel]
        )
        bands.append(np.array(found.reshape(-1)[::step]))
    values = np.concatenate(bands)
    if values.size == 0:
        return None
    middle = float(np.median(values))
    if middle <= 0:
        raise RecipeRefused(
            "sensor.flat: found flat frames that are not brighter than the dark ones; expected frames of an even, bright "
            "surface. Take them anew, exposed to the middle of the scale, or leave the setting out"
        )
    return middle


def space(masters: Masters) -> int:
    """Bytes of scratch that the planes take, with the temporary files while they are made."""
    if not masters.dark and not masters.flat:
        return 0
    one = _plane(masters, "dark", Scratch(Path(os.sep))).size
    return one * (2 + max(len(masters.dark), len(masters.flat)))


def known(path: Path, digest: str, like: FrameHeader) -> Master:
    """A dark or flat frame that a report names, for a frame of its stack.

    Raises
    ------
    SourceChanged
        The file has another digest by now.
    """
    header = read_header(path)
    found = _master(path, Fingerprint.of(path))
    if found.digest != digest:
        raise changed(path)
    return _turned(replace(found, header=header), like)
