"""``python -m tests.bench.units [FRAMES [WIDTH HEIGHT]]``: what units take, for the figures in `nearfar.runner.weights`.

Prints for each kind of file and unit the seconds of wall and of processor, per megapixel of a frame and frame, or of the
picture. On a machine that does other things as well, those of the processor divided by the threads say more.
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import imagecodecs
import numpy as np
import tifffile

from nearfar.frames.decode import decode, read_header
from nearfar.jobs import UnitKind
from tests.scenes.big import big
from tests.worker.runner.workbench import Bench

THREADS = 2
A_FRAME = (UnitKind.SURVEY, UnitKind.REGISTER, UnitKind.FOCUS)
"""Kinds of unit that take longer with every frame."""


def frames_of(kind: str, sources: list[Path], folder: Path) -> list[Path]:
    """The frames of a stack as files of a kind."""
    if kind == "jpeg":
        return sources
    made = []
    for source in sources:
        samples = decode(read_header(source)).astype(np.uint16) * 257
        path = folder / f"{source.stem}.{kind[:3]}"
        if kind == "png":
            path.write_bytes(imagecodecs.png_encode(samples, level=1))
        else:
            tifffile.imwrite(
                path, samples, photometric="rgb", compression="zlib", predictor=True, metadata=None
            )
        made.append(path)
    return made


def measure(kind: str, sources: list[Path], megapixels: float) -> None:
    with tempfile.TemporaryDirectory(prefix="nearfar-units-") as folder:
        frames = frames_of(kind, sources, Path(folder))
        bench = Bench.at(Path(folder) / "data")
        bench.submit(frames)
        hands = replace(bench.hands, threads=THREADS)
        wall, spent = dict.fromkeys(UnitKind, 0.0), dict.fromkeys(UnitKind, 0.0)
        while (claim := bench.store.claim("bench")) is not None:
            began, used = time.perf_counter(), time.process_time()
            bench.do(claim, hands)
            wall[claim.kind] += time.perf_counter() - began
            spent[claim.kind] += time.process_time() - used
        bench.store.close()
    for unit in UnitKind:
        count = megapixels * (len(frames) if unit in A_FRAME else 1)
        print(
            f"{kind:5} {unit:9} {wall[unit]:7.2f} s  {wall[unit] / count:.4f} s/MP  "
            f"processor/{THREADS}: {spent[unit] / THREADS / count:.4f} s/MP",
            flush=True,
        )


def main() -> None:
    numbers = [int(text) for text in sys.argv[1:]]
    count = numbers[0] if numbers else 12
    size = (numbers[1], numbers[2]) if len(numbers) > 2 else (3000, 2000)
    stack = big("easy", count, size=size)
    for kind in ("jpeg", "png", "tiff"):
        measure(kind, stack.frames, size[0] * size[1] / 1e6)


if __name__ == "__main__":
    main()
