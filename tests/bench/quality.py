"""Picture quality: every scene in every variant, ours beside the plain pyramid with the true poses."""

from __future__ import annotations

import inspect
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from tests.bench import baselines, metrics, running
from tests.bench.metrics import Mask
from tests.scenes import KINDS, Scene, cache_folder, files, measured, render
from tests.scenes.light import Floats
from tests.scenes.scene import key_of

SEED = 41
MEASURED = "motorcycle"
VARIANTS: dict[str, dict[str, float]] = {
    "plain": {},
    "noise x3": {"noise": 3.0},
    "flicker": {"flicker": 0.1},
    "everything": {"noise": 3.0, "flicker": 0.1, "jitter": 8.0, "roll": 0.003, "breathing": 0.004},
}
SPARE = {
    "lowlight": ("noise x3",),
    "flicker": ("flicker",),
    "micro": ("noise x3", "flicker", "everything"),
    "rail": ("noise x3", "everything"),
    MEASURED: ("flicker", "everything"),
}
"""Variants that a scene does not need: it has them by nature, or takes too long for what they tell."""


@dataclass(frozen=True, kw_only=True)
class Quality:
    """PSNR in dB; noise over one frame's; width of halos in px, their amount in levels of 255; pose errors in px; seconds
    and bytes of our run.
    """

    scene: str
    variant: str
    frames: int
    six: float
    one: float
    ours: float
    ssim: float
    ssim_six: float
    noise: float | None
    noise_six: float | None
    halo: float | None
    halo_six: float | None
    amount: float | None
    amount_six: float | None
    pose_median: float
    pose_worst: float
    dropped: tuple[str, ...]
    seconds: float
    peak: int


def stage(kind: str, variant: str, *, seed: int = SEED, size: tuple[int, int] | None = None) -> Scene:
    """The scene of a kind in a variant."""
    change = dict(VARIANTS[variant])
    if kind == MEASURED:
        return measured.motorcycle(noise=0.004 * change.get("noise", 1.0), seed=seed)
    if "noise" in change:
        change["noise"] *= KINDS[kind].noise
    return render(kind, seed=seed, size=size, **change)  # type: ignore[arg-type]


def on_disk(scene: Scene, kind: str, variant: str, seed: int) -> Path:
    """Folder with the scene's frames as 16-bit TIFF, written once."""
    size = scene.truth.shape
    judged = inspect.getsource(baselines) + inspect.getsource(metrics) + inspect.getsource(measured)
    folder = (
        cache_folder()
        / f"bench-{kind}-{variant.replace(' ', '')}-{key_of(seed, size, VARIANTS[variant], judged)}"
    )
    if not (folder / "done").exists():
        files.write(scene, folder / "frames", format="tiff16")
        (folder / "done").touch()
    return folder


def _aligned(scene: Scene) -> Iterable[Floats]:
    for frame, pose in zip(scene.frames, scene.poses, strict=True):
        yield baselines.warp(frame.astype(np.float32) / 65535, pose)


@dataclass(frozen=True, kw_only=True)
class _Figures:
    psnr: float
    ssim: float
    noise: float | None
    halo: float | None
    amount: float | None


def figures(picture: Floats, scene: Scene, mask: Mask) -> _Figures:
    step = max(1.0, 0.12 * len(scene.frames))
    return _Figures(
        psnr=metrics.psnr(picture, scene.truth, mask),
        ssim=metrics.ssim(picture, scene.truth, mask),
        noise=None if scene.shot else metrics.noise_ratio(picture, scene.truth, mask, scene.noise),
        halo=metrics.halo_width(picture, scene.truth, scene.depth, mask, step=step),
        amount=metrics.halo_amount(picture, scene.truth, scene.depth, mask, step=step),
    )


def _baseline(scene: Scene, folder: Path, levels: int, mask: Mask) -> _Figures:
    """Figures of the plain pyramid; kept beside the frames, since they do not change with our merge."""
    kept = folder / f"plain-{levels}.json"
    if kept.exists():
        return _Figures(**json.loads(kept.read_text()))
    found = figures(baselines.plain(_aligned(scene), levels=levels), scene, mask)
    kept.write_text(json.dumps(asdict(found)))
    return found


def measure(
    kind: str,
    variant: str,
    *,
    command: str | None,
    seed: int = SEED,
    size: tuple[int, int] | None = None,
    options: tuple[str, ...] = (),
) -> Quality:
    """Render (or find), merge and judge one scene in one variant."""
    scene = stage(kind, variant, seed=seed, size=size)
    folder = on_disk(scene, kind, variant, seed)
    mask = metrics.interior(scene.truth.shape, scene.moving)
    six, one = (_baseline(scene, folder, levels, mask) for levels in (6, 1))
    middle = scene.names[scene.reference] + files.SUFFIX["tiff16"]
    merged = running.merge(
        folder / "frames", folder / "ours.tif", command=command, options=("--reference", middle, *options)
    )
    ours = figures(merged.picture(), scene, mask)
    rows = sorted(merged.report["frames"], key=lambda r: r["name"])
    found = [np.array(r["pose"]) if r["used"] and r["pose"] is not None else None for r in rows]
    size_of = scene.truth.shape[1], scene.truth.shape[0]
    errors = metrics.pose_errors(found, scene.poses, scene.reference, size_of)
    return Quality(
        scene=kind,
        variant=variant,
        frames=len(scene.frames),
        six=six.psnr,
        one=one.psnr,
        ours=ours.psnr,
        ssim=ours.ssim,
        ssim_six=six.ssim,
        noise=ours.noise,
        noise_six=six.noise,
        halo=ours.halo,
        halo_six=six.halo,
        amount=ours.amount,
        amount_six=six.amount,
        pose_median=float(np.median(errors)) if len(errors) else float("nan"),
        pose_worst=float(errors.max()) if len(errors) else float("nan"),
        dropped=tuple(r["name"] for r in rows if not r["used"]),
        seconds=merged.run.seconds,
        peak=merged.run.peak,
    )
