"""Time, memory and sameness of bits on large stacks."""

from __future__ import annotations

import hashlib
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import tifffile

from tests.bench import running
from tests.scenes.big import BigStack, big
from tests.scenes.scene import cache_folder


@dataclass(frozen=True, kw_only=True)
class Timing:
    """Seconds of whole processes on the same stack, one after another; ``plain`` None where it was left out."""

    stack: str
    frames: int
    size: tuple[int, int]
    floor: float
    ours: float
    plain: float | None
    peak: int
    steps: dict[str, float]


def _name(stack: BigStack, k: int) -> str:
    return stack.frames[k].name


def ours(stack: BigStack, out: Path, *, command: str | None, options: tuple[str, ...] = ()) -> running.Merged:
    middle = _name(stack, stack.reference)
    with tempfile.TemporaryDirectory(prefix="nearfar-bench-", dir=cache_folder()) as scratch:
        return running.merge(
            stack.folder,
            out,
            command=command,
            options=("--reference", middle, "--scratch", scratch, *options),
        )


def against_floor(
    kind: str, frames: int, size: tuple[int, int], *, command: str | None, plain: bool, repeats: int = 2
) -> Timing:
    """Floor and ours in turns, the better of ``repeats`` of each; the plain pyramid once."""
    stack = big(kind, frames, size=size)
    out = cache_folder() / "speed.tif"
    floors, mine = [], []
    for _ in range(repeats):
        done = running.run([sys.executable, "-m", "tests.bench.floor", stack.folder, out])
        if done.code:
            raise RuntimeError(done.error)
        floors.append(done.seconds)
        mine.append(ours(stack, out, command=command))
    other = None
    if plain:
        truth = stack.folder.parent / "truth.json"
        done = running.run([sys.executable, "-m", "tests.bench.baselines", stack.folder, truth, out])
        if done.code:
            raise RuntimeError(done.error)
        other = done.seconds
    best = min(mine, key=lambda m: m.run.seconds)
    out.unlink(missing_ok=True)
    return Timing(
        stack=kind,
        frames=frames,
        size=size,
        floor=min(floors),
        ours=best.run.seconds,
        plain=other,
        peak=max(m.run.peak for m in mine),
        steps=best.report["seconds"],
    )


@dataclass(frozen=True, kw_only=True)
class Memory:
    """Peak of the process's resident memory in bytes as seen from outside, and what the report says."""

    frames: int
    size: tuple[int, int]
    limit: str
    peak: int
    told: int
    seconds: float


def memory(frames: int, size: tuple[int, int], limit: str | None, *, command: str | None) -> Memory:
    stack = big("easy", frames, size=size)
    out = cache_folder() / "memory.tif"
    done = ours(stack, out, command=command, options=("--memory", limit) if limit else ())
    out.unlink(missing_ok=True)
    return Memory(
        frames=frames,
        size=size,
        limit=limit or "default",
        peak=done.run.peak,
        told=int(done.report["memory"]["peak"] or 0),
        seconds=done.run.seconds,
    )


def digest(path: Path) -> str:
    """Digest of the picture's samples, whatever the file's camera data say."""
    return hashlib.sha256(tifffile.imread(path, key=0).tobytes()).hexdigest()[:16]


def same_bits(frames: int, size: tuple[int, int], *, command: str | None) -> dict[str, str]:
    """Digests of the same stack merged with other numbers of threads and within other memory, thus other tiles."""
    stack = big("easy", frames, size=size)
    out = cache_folder() / "bits.tif"
    found = {}
    for options in (
        (),
        ("--threads", "1"),
        ("--threads", "2"),
        ("--threads", "3"),
        ("--memory", "400MiB"),
        ("--memory", "4GiB", "--threads", "1"),
    ):
        ours(stack, out, command=command, options=options)
        found[" ".join(options) or "default"] = digest(out)
    out.unlink(missing_ok=True)
    return found
