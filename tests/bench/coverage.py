"""How many missing slices `nearfar.merge.coverage.find` finds, and how often it objects to a complete stack.

``python -m tests.bench.coverage --step 1.4 --seeds 4`` renders brackets of 16 frames whose blur grows by that many pixels
a step, takes one to four frames out of the middle at five places, and counts. Poses are the true ones. A slice counts
as told if it is named between the right two frames; anything else that is named counts as elsewhere.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from nearfar.merge.coverage.result import Coverage
from tests.scenes import Scene, render
from tests.scenes.measured import motorcycle
from tests.worker.merge.coverage.test_find import Survey, cover, survey

FRAMES = 16
KINDS = ("occlusion", "hairs", "dome", "doorways", "foliage", "motorcycle")
PLACES = (2, 4, 6, 8, 10)
"""First frames of the slices that are taken out."""


@dataclass
class Count:
    """Slices told, asked for, and findings that are none of these."""

    told: int = 0
    asked: int = 0
    elsewhere: int = 0


@dataclass
class Row:
    """One kind of scene: complete stacks that were blamed, and a count for each number of frames that are gone."""

    blamed: int = 0
    complete: int = 0
    gone: dict[int, Count] = field(default_factory=lambda: {k: Count() for k in (1, 2, 3, 4)})


def scene_of(kind: str, seed: int, step: float) -> Scene:
    reach = step * (FRAMES - 1)
    if kind == "motorcycle":
        return motorcycle(frames=FRAMES, reach=reach, seed=seed)
    return render(kind, frames=FRAMES, size=(640, 480), seed=seed, reach=reach)


def look(scene: Scene, surveys: Sequence[Survey], frames: Sequence[int]) -> Coverage:
    size = (scene.frames.shape[2], scene.frames.shape[1])
    poses = [scene.poses[k] for k in frames]
    return cover([surveys[k] for k in frames], [str(k) for k in frames], size, poses=poses, sigma=0.05)


def count(row: Row, scene: Scene) -> None:
    surveys = [survey(frame) for frame in scene.frames]
    row.complete += 1
    row.blamed += bool(look(scene, surveys, range(FRAMES)).findings)
    for gone, found in row.gone.items():
        for first in (p for p in PLACES if p + gone < FRAMES - 1):
            kept = [k for k in range(FRAMES) if not first <= k < first + gone]
            sides = (str(first - 1), str(first + gone))
            hits = [
                (f.after, f.before) == sides for f in look(scene, surveys, kept).findings if f.kind == "slice"
            ]
            found.asked += 1
            found.told += any(hits)
            found.elsewhere += len(hits) - sum(hits)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--step", type=float, default=1.4, help="growth of the blur's radius a step, px")
    parser.add_argument("--seeds", type=int, default=4)
    options = parser.parse_args()
    print(f"{'scene':<12} {'blamed':>8} " + " ".join(f"{f'{k} gone':>9} {'(else)':>6}" for k in (1, 2, 3, 4)))
    for kind in KINDS:
        row = Row()
        for seed in np.arange(options.seeds) + 100:
            count(row, scene_of(kind, int(seed), options.step))
        cells = " ".join(f"{f'{c.told}/{c.asked}':>9} {c.elsewhere:>6}" for c in row.gone.values())
        print(f"{kind:<12} {f'{row.blamed}/{row.complete}':>8} {cells}", flush=True)


if __name__ == "__main__":
    main()
