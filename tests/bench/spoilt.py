"""Hot and dead pixels and dust: what they cost the picture, and how much of that remains with the search for them."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.bench import metrics, running
from tests.bench.tables import table
from tests.scenes import Scene, cache_folder, files, render
from tests.scenes.sensor import flaws, spoilt, trails

SIZE = (800, 600)
STACKS = {"dome": 30, "hairs": 16}
"""Kinds of scene, and frames of each."""


@dataclass(frozen=True, kw_only=True)
class Spoilt:
    """PSNR in dB over the trails of the flaws: of a clean sensor, with the flaws left alone, and with them looked for."""

    kind: str
    flaws: int
    found: int
    false: int
    clean: float
    left: float
    ours: float


def measure(kind: str, *, command: str | None, seed: int = 41) -> Spoilt:
    """One bracket that breathes and shakes, from a clean sensor and from one with 25 hot and 8 dead pixels and 8 grains."""
    scene = render(kind, frames=STACKS[kind], size=SIZE, seed=seed, jitter=4.0, breathing=0.03)
    on = flaws(np.random.default_rng(seed), SIZE, hot=25, dead=8, dust=8)
    bad = spoilt(scene, on)
    mask = trails(scene, on) & metrics.interior(scene.truth.shape, scene.moving)
    with tempfile.TemporaryDirectory(prefix="nearfar-bench-", dir=cache_folder()) as folder:
        there = Path(folder)
        (there / "leave.toml").write_text("[sensor]\nspots = false\n")

        def merged(which: Scene, name: str, *options: str) -> tuple[float, list[dict[str, object]]]:
            files.write(which, there / name, format="tiff16")
            middle = which.names[which.reference]
            options = ("--reference", middle, *options)
            done = running.merge(there / name, there / f"{name}.tif", command=command, options=options)
            return metrics.psnr(done.picture(), scene.truth, mask), done.report["sensor"]["places"]

        clean, false = merged(scene, "clean")
        left, _ = merged(bad, "left", "--recipe", str(there / "leave.toml"))
        ours, found = merged(bad, "ours")
    return Spoilt(
        kind=kind, flaws=len(on), found=len(found), false=len(false), clean=clean, left=left, ours=ours
    )


def report(rows: list[Spoilt]) -> str:
    """A table in Markdown."""
    head = ["scene", "flaws / found", "found on a clean sensor", "clean", "flaws left alone", "looked for"]
    lines = [
        [
            r.kind,
            f"{r.flaws} / {r.found}",
            str(r.false),
            *(f"{value:.2f}" for value in (r.clean, r.left, r.ours)),
        ]
        for r in rows
    ]
    return table(head, lines)
