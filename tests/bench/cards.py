"""``python -m tests.bench.cards [--files N ...] [--plain]``: how long a large card takes to be sorted, and its memory.

Every file has 24 megapixels and camera data of its own, and is read for itself; only the picture data of frames at
one focus is the same from stack to stack, since rendering two thousand of them would take a day.
"""

from __future__ import annotations

import argparse
import io
import json
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from tests.bench.running import Run, nearfar_command, run
from tests.bench.tables import table
from tests.scenes import tags
from tests.scenes.card import Body, exif_block
from tests.scenes.card_views import Shot, make_place

SIZE = (6000, 4000)
DRAWN = (1500, 1000)
PLACES, FRAMES = 4, 20
"""Views, and frames of each stack."""
BAR = 60.0
"""Seconds for 2,000 files on two cores."""


@dataclass(frozen=True, kw_only=True)
class CardRun:
    """One card sorted twice: from the files, and with what the first time remembered."""

    files: int
    thumbnails: bool
    megabytes: float
    seconds: float
    again: float
    peak: int
    stacks: int
    asked: int
    expected: int


def write_large(folder: Path, count: int, *, thumbnails: bool, seed: int = 3) -> int:
    """Write that many frames as stacks of `FRAMES`; returns how many stacks."""
    random = np.random.default_rng(seed)
    bases = [_bases(random, kind) for kind in ("macro", "table", "view", "macro")[:PLACES]]
    at = datetime(2031, 6, 9, 7, 30)
    body = Body(size=SIZE, thumbnail=thumbnails)
    inner = folder / "DCIM" / "100NRFAR"
    inner.mkdir(parents=True)
    for number in range(count):
        stack, k = divmod(number, FRAMES)
        small, picture = bases[stack % PLACES][k]
        at += timedelta(seconds=40.0 if k == 0 else 1.5)
        camera = tags.Camera(exposure=Fraction(1, 125), start=at, interval=0.0)
        exif = b"Exif\0\0" + exif_block(body, camera, small)
        head = b"\xff\xd8\xff\xe1" + (len(exif) + 2).to_bytes(2, "big") + exif
        (inner / f"NF_{number + 1:04d}.JPG").write_bytes(head + picture[2:])
    return -(-count // FRAMES)


def _bases(random: np.random.Generator, kind: str) -> list[tuple[np.ndarray, bytes]]:
    """Frames of one view from near to far: the picture as drawn, and as a JPEG of the full size."""
    place = make_place(random, kind, DRAWN)
    found = []
    for k in range(FRAMES):
        drawn = place.frame(Shot(focus=k / (FRAMES - 1), seed=int(random.integers(1 << 40))))
        out = io.BytesIO()
        Image.fromarray(cv2.resize(drawn, SIZE, interpolation=cv2.INTER_CUBIC)).save(out, "JPEG", quality=85)
        found.append((drawn, out.getvalue()))
    return found


def measure(count: int, *, thumbnails: bool = True) -> CardRun:
    """Write a card, sort it twice with the installed program, and remove it."""
    folder = Path(tempfile.mkdtemp(prefix="nearfar-card-"))
    try:
        expected = write_large(folder / "card", count, thumbnails=thumbnails)
        size = sum(path.stat().st_size for path in (folder / "card").rglob("*.JPG"))
        command = [
            *nearfar_command(),
            "sort",
            str(folder / "card"),
            "--json",
            "--cache",
            str(folder / "cache"),
        ]
        first, second = run_checked(command), run_checked(command)
        said = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
        return CardRun(
            files=count,
            thumbnails=thumbnails,
            megabytes=size / 1e6,
            seconds=first.seconds,
            again=second.seconds,
            peak=first.peak,
            stacks=len(said["stacks"]),
            asked=sum(s["state"] == "ask" for s in said["stacks"]),
            expected=expected,
        )
    finally:
        shutil.rmtree(folder)


def run_checked(command: Sequence[str]) -> Run:
    """Run a command that has to succeed."""
    done = run(command)
    if done.code:
        raise RuntimeError(done.error)
    return done


def report(found: Sequence[CardRun]) -> str:
    """A table for people."""
    rows = [
        [
            f"{r.files:,} of 24 MP, {r.megabytes / 1000:.1f} GB",
            "yes" if r.thumbnails else "no",
            f"{r.seconds:.1f} s",
            f"{r.again:.1f} s",
            f"{r.peak / 2**20:.0f} MiB",
            f"{r.stacks} ({r.asked} asked) of {r.expected}",
        ]
        for r in found
    ]
    return table(["Card", "Small pictures inside", "Sorted in", "Again", "Memory", "Stacks"], rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, nargs="+", default=[500, 2000])
    parser.add_argument("--plain", action="store_true", help="without the small pictures that cameras put in")
    options = parser.parse_args()
    print(report([measure(n, thumbnails=not options.plain) for n in options.files]))


if __name__ == "__main__":
    main()
