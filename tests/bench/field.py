"""``python -m tests.bench.field [SCENE ...]``: is the picture anywhere worse than what the photographer had?

Subjects of `tests.scenes.field_kinds` as JPEG files of a camera, merged by the command and judged by region: PSNR in dB of
ours, the plain pyramid (6 levels and 1, true poses) and the frame that is best over that region. ``worse`` is the share of
the error that is more than the best frame has, window by window: 0 where no frame is better anywhere.
"""

from __future__ import annotations

import argparse
import inspect
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray

from tests.bench import baselines, metrics, running
from tests.bench.metrics import Mask
from tests.scenes import Scene, cache_folder, files
from tests.scenes.field import FIELD_KINDS, SIZE, render_field
from tests.scenes.light import Floats
from tests.scenes.scene import key_of

QUALITY = 92
WINDOW = 33
"""Side in pixels of the windows over which a place's error is taken."""
NEAR = 12
"""Pixels from a jump in depth within which a place lies at an edge."""
BLURRED = 1.2
"""Radius in pixels of the least blur from which on no frame has a place sharp."""
REGIONS = ("all", "edges", "detail", "plain", "corners", "never sharp", "blown")


@dataclass(frozen=True, kw_only=True)
class Judged:
    """By region dB of ours, the plain pyramid with 6 levels and 1, and the best frame; not a number where there is none."""

    kind: str
    frames: int
    dropped: int
    moved: int
    regions: dict[str, tuple[float, float, float, float]]
    worse: float
    place: tuple[int, int]
    """x, y of the window that is worst against the best frame."""
    pose_worst: float
    """Error of the worst pose, px RMS over the picture."""


def regions(scene: Scene) -> dict[str, Mask]:
    """Masks (h, w) of `REGIONS`, without the picture's edges and what moves."""
    h, w = scene.truth.shape[:2]
    inside = metrics.interior(scene.truth.shape, scene.moving)
    jumps = metrics.depth_edges(scene.depth, step=1.5 / scene.aperture).astype(np.uint8)
    edges = cv2.dilate(jumps, np.ones((2 * NEAR + 1, 2 * NEAR + 1), np.uint8)) > 0
    plain = metrics.plain_areas(scene.truth, inside)
    corner = np.zeros((h, w), bool)
    for y in (slice(0, h // 4), slice(-(h // 4), None)):
        for x in (slice(0, w // 4), slice(-(w // 4), None)):
            corner[y, x] = True
    last = len(scene.frames) - 1
    away = np.abs(scene.depth - np.rint(np.clip(scene.depth, 0, last)))
    masks = (
        inside,
        inside & edges,
        inside & ~edges & ~plain,
        plain & ~edges,
        inside & corner,
        inside & ~edges & (away * scene.aperture > BLURRED),
        inside & (scene.truth.max(2) > 0.97),
    )
    return dict(zip(REGIONS, masks, strict=True))


def decibels(error: Floats, mask: Mask) -> float:
    """PSNR over the mask of squared errors (h, w), 60 at most; not a number below 200 pixels."""
    return float(-10 * np.log10(error[mask].mean() + 1e-6)) if mask.sum() >= 200 else float("nan")


def squared(picture: Floats, truth: Floats) -> Floats:
    """Squared error (h, w), mean of the colours."""
    return np.asarray(((picture - truth) ** 2).mean(2), np.float32)


def aligned(scene: Scene, paths: list[Path]) -> Iterator[Floats]:
    """The frames as their files have them, by their true poses."""
    for path, pose in zip(paths, scene.poses, strict=True):
        pixels = simplejpeg.decode_jpeg(path.read_bytes())
        yield baselines.warp(pixels.astype(np.float32) / 255, pose)


@dataclass(frozen=True, kw_only=True)
class Others:
    """Errors (h, w) of the plain pyramids, dB of each frame by region (n, regions), least error of a frame by window."""

    six: Floats
    one: Floats
    each: NDArray[np.float64]
    least: Floats


def others(scene: Scene, folder: Path) -> Others:
    """What there is without our merge; kept beside the frames."""
    kept = folder / "others.npz"
    if not kept.exists():
        paths, masks = sorted((folder / "frames").iterdir()), regions(scene)
        each, least = [], np.full(scene.truth.shape[:2], np.inf, np.float32)
        for frame in aligned(scene, paths):
            error = squared(frame, scene.truth)
            each.append([decibels(error, m) for m in masks.values()])
            least = np.minimum(least, windows(error, masks["all"]))
        six, one = (squared(baselines.plain(aligned(scene, paths), levels=n), scene.truth) for n in (6, 1))
        np.savez(kept, six=six, one=one, each=np.array(each), least=least)
    with np.load(kept) as found:
        return Others(six=found["six"], one=found["one"], each=found["each"], least=found["least"])


def windows(error: Floats, mask: Mask) -> Floats:
    """Mean error (h, w) over the window around each place, as far as it lies in the mask."""
    size = (WINDOW, WINDOW)
    total = cv2.boxFilter(np.where(mask, error, 0).astype(np.float32), -1, size)
    return np.asarray(total / np.maximum(cv2.boxFilter(mask.astype(np.float32), -1, size), 1e-3), np.float32)


def staged(kind: str, size: tuple[int, int], seed: int, *, converter: bool = False) -> tuple[Scene, Path]:
    """The scene, and the folder with its frames as JPEG files in ``frames``, written once."""
    scene = render_field(kind, size=size, seed=seed, converter=converter)
    judged = "".join(inspect.getsource(m) for m in (baselines, metrics)) + inspect.getsource(regions)
    folder = (
        cache_folder() / f"field-{kind}-files-{key_of(seed, size, QUALITY, judged, scene.frames.tobytes())}"
    )
    if not (folder / "done").exists():
        files.write(scene, folder / "frames", format="jpeg", quality=QUALITY)
        (folder / "done").touch()
    return scene, folder


def judge(
    kind: str,
    *,
    size: tuple[int, int] = SIZE,
    seed: int = 0,
    converter: bool = False,
    command: str | None = None,
    out: Path | None = None,
    options: Sequence[str] = (),
) -> Judged:
    """Render (or find), merge with further ``options`` and judge one scene. Raises RuntimeError if the merge fails."""
    scene, folder = staged(kind, size, seed, converter=converter)
    middle = scene.names[scene.reference] + files.SUFFIX["jpeg"]
    target = out or folder / "ours.tif"
    merged = running.merge(
        folder / "frames", target, command=command, options=("--reference", middle, *options)
    )
    error, masks, other = squared(merged.picture(), scene.truth), regions(scene), others(scene, folder)
    excess = np.where(masks["all"], windows(error, masks["all"]) - other.least, 0)
    y, x = np.unravel_index(int(excess.argmax()), excess.shape)
    best = [float(np.nanmax(v)) if np.isfinite(v).any() else float("nan") for v in other.each.T]
    found = {
        name: (decibels(error, mask), decibels(other.six, mask), decibels(other.one, mask), b)
        for (name, mask), b in zip(masks.items(), best, strict=True)
    }
    return Judged(
        kind=kind,
        frames=len(scene.frames),
        dropped=sum(not row["used"] for row in merged.report["frames"]),
        moved=len(merged.report["moved"]),
        regions=found,
        worse=float(np.maximum(excess, 0).sum() / np.where(masks["all"], error, 0).sum()),
        place=(int(x), int(y)),
        pose_worst=_worst_pose(merged, scene),
    )


def _worst_pose(merged: running.Merged, scene: Scene) -> float:
    rows = sorted(merged.report["frames"], key=lambda r: r["name"])
    poses = [np.array(r["pose"]) if r["used"] and r["pose"] is not None else None for r in rows]
    size = scene.truth.shape[1], scene.truth.shape[0]
    errors = metrics.pose_errors(poses, scene.poses, scene.reference, size)
    return float(errors.max()) if len(errors) else float("nan")


def row(found: Judged) -> str:
    """A line of the table."""
    cells = []
    for ours, *rest in found.regions.values():
        short = " **short**" if ours < rest[-1] - 0.3 else ""
        told = f"{ours:.1f} ({' / '.join(f'{v:.1f}' for v in rest)}){short}"
        cells.append("-" if np.isnan(ours) else told)
    return (
        f"| {found.kind} | {found.frames} | {' | '.join(cells)} | {found.worse:.2f} at {found.place[0]}, {found.place[1]} | "
        f"{found.pose_worst:.2f} | {found.dropped} | {found.moved} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.field", description=__doc__)
    parser.add_argument(
        "scenes", nargs="*", choices=[*FIELD_KINDS, []], metavar="SCENE", help=", ".join(FIELD_KINDS)
    )
    parser.add_argument("--size", nargs=2, type=int, default=SIZE, metavar=("WIDTH", "HEIGHT"))
    parser.add_argument("--seed", nargs="+", type=int, default=[0])
    parser.add_argument(
        "--converter", action="store_true", help="frames of a raw converter, which has more of fine detail"
    )
    parser.add_argument("--command", help="what to run in place of the installed nearfar")
    options = parser.parse_args()
    print(
        f"| scene | frames | {' | '.join(REGIONS)} | worse | px off | left out | moved |\n{'|---' * (6 + len(REGIONS))}|",
        flush=True,
    )
    for kind in options.scenes or FIELD_KINDS:
        for seed in options.seed:
            found = judge(
                kind,
                size=tuple(options.size),
                seed=seed,
                converter=options.converter,
                command=options.command,
            )
            print(row(found), flush=True)


if __name__ == "__main__":
    main()
