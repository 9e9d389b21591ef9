"""How exactly registration alone finds the true poses: ``python -m tests.bench.poses dome hairs --seed 41 7``.

Surveys are made in memory; errors are RMS px over the picture, from the middle frame.
"""

from __future__ import annotations

import argparse

import numpy as np

from nearfar.merge.register import register
from tests.bench.quality import VARIANTS, stage
from tests.scenes import KINDS
from tests.worker.merge.register.views import compose, inverse, pose_error, views_of


def row(kind: str, seed: int, variant: str) -> str:
    """Median and worst error, the largest stated drift, and how many frames are used."""
    scene = stage(kind, variant, seed=seed)
    h, w = scene.truth.shape[:2]
    found = register(
        views_of(list(scene.frames), sigma=scene.noise), size=(w, h), reference=scene.reference, threads=2
    )
    back = inverse(scene.poses[scene.reference])
    errors = [
        pose_error(f.pose, compose(scene.poses[k], back), (w, h))
        for k, f in enumerate(found.frames)
        if f.pose is not None and k != scene.reference
    ]
    used = [f for f in found.frames if f.used]
    return (
        f"| {kind} | {seed} | {variant} | {np.median(errors):.3f} | {np.max(errors):.3f} | "
        f"{max(f.drift for f in used):.2f} | {len(used)} of {len(found.frames)} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="+", choices=list(KINDS))
    parser.add_argument("--seed", nargs="+", type=int, default=[41])
    parser.add_argument("--variant", nargs="+", choices=list(VARIANTS), default=["plain"])
    options = parser.parse_args()
    print("| scene | seed | variant | median | worst | drift | used |\n|---|---|---|---|---|---|---|")
    for kind in options.kinds:
        for seed in options.seed:
            for variant in options.variant:
                print(row(kind, seed, variant), flush=True)


if __name__ == "__main__":
    main()
