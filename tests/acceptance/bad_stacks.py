"""Stacks that cannot be merged, and what a server has to say of each."""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from tests.acceptance.command import lay
from tests.scenes import Scene, render
from tests.worker.frames.makers import chunk


def scene() -> Scene:
    return render("occlusion", frames=4, size=(160, 120), seed=6)


FRAMES = scene().frames


Lay = Callable[[Path], object]


def good(folder: Path, count: int = 3, **more: Any) -> list[Path]:
    return lay(FRAMES[:count], folder, format="jpeg", **more)


def with_second(change: Callable[[bytes], bytes]) -> Lay:
    """Three frames, the second of them changed."""

    def make(folder: Path) -> None:
        path = good(folder)[1]
        path.write_bytes(change(path.read_bytes()))

    return make


def with_last(name: str, data: Callable[[], bytes]) -> Lay:
    """Three frames and another file."""

    def make(folder: Path) -> None:
        good(folder)
        (folder / name).write_bytes(data())

    return make


def huge_tiff() -> bytes:
    """Width, height and rows of a strip (tags 256, 257 and 278 of TIFF 6.0) say 100,000."""
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, np.zeros((8, 8, 3), np.uint16), photometric="rgb")
    data = bytearray(buffer.getvalue())
    (directory,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, directory)
    for at in range(directory + 2, directory + 2 + 12 * count, 12):
        (tag,) = struct.unpack_from("<H", data, at)
        if tag in (256, 257, 278):
            struct.pack_into("<HHII", data, at, tag, 4, 1, 100_000)
    return bytes(data)


def huge_png() -> bytes:
    head = struct.pack(">IIBBBBB", 100_000, 100_000, 16, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", b"x" * 900) + chunk(b"IEND", b"")


def huge_jpeg(data: bytes) -> bytes:
    """Height and width in the frame header; a JPEG cannot have more than 65,535 (ITU-T T.81, B.2.2)."""
    at = data.index(b"\xff\xc0") + 5
    return data[:at] + struct.pack(">HH", 65_500, 65_500) + data[at + 4 :]


def other_ending(folder: Path) -> None:
    path = lay(FRAMES[[0, 1, 3]], folder, format="jpeg")[1]
    path.rename(path.with_suffix(".tif"))


def mixed(folder: Path) -> None:
    good(folder)
    lay(FRAMES[:1, :100], folder, format="jpeg", names=["odd.jpg"])


CASES: dict[str, tuple[Lay, str, str | None]] = {
    "cut off": (with_second(lambda d: d[:2000]), "F0002.jpg: found ", "F0002.jpg"),
    "empty": (with_second(lambda d: b""), "F0002.jpg: found an empty file (0 bytes)", "F0002.jpg"),
    "text": (
        with_last("F0009.jpg", lambda: b"words, no picture"),
        "F0009.jpg: found a text file",
        "F0009.jpg",
    ),
    "huge tiff": (
        with_last("F0009.tif", huge_tiff),
        "F0009.tif: found a size of 100000 x 100000",
        "F0009.tif",
    ),
    "huge png": (with_last("F0009.png", huge_png), "F0009.png: found a size of 100000 x 100000", "F0009.png"),
    "huge jpeg": (with_second(huge_jpeg), "F0002.jpg: found a size of 65500 x 65500", "F0002.jpg"),
    "mixed": (mixed, "odd.jpg (160 x 100 pixels)", "odd.jpg"),
    "one": (lambda folder: good(folder, 1), "found 1 frame to merge; expected at least two", None),
}
"""How a stack is laid, words of its job's reason, and the name of the frame that is refused."""
