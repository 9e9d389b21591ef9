"""Brackets with known truth: `render` makes the frames, and gives the true poses, depths and picture."""

from __future__ import annotations

import hashlib
import inspect
import os
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import disk, kinds, layers, light, resample, shapes, textures
from tests.scenes.layers import Lens, Stage
from tests.scenes.light import Floats

MARGIN = 56
Poses = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A bracket and its truth.

    ``frames``: (n, h, w, 3) uint16, sRGB. ``truth``: (h, w, 3) float32, sRGB 0..1, what an endless depth of
    field would show in the reference frame's geometry. ``depth``: (h, w), frame numbers, fractions included.
    ``poses``: (n, 2, 3), reference (x, y) to the frame's; with a rail that of the plane in focus. ``gains_ev``:
    (n,), mean 0. ``noise``: sigma of the encoded samples. ``moving``: (h, w), True where something swayed.
    """

    kind: str
    frames: NDArray[np.uint16]
    truth: Floats
    depth: Floats
    poses: Poses
    gains_ev: NDArray[np.float64]
    noise: float
    shot: float
    reference: int
    aperture: float
    reach: float
    moving: NDArray[np.bool_]

    @property
    def names(self) -> tuple[str, ...]:
        """File names without suffix, as `write` gives them."""
        return tuple(f"F{k + 1:04d}" for k in range(len(self.frames)))

    def radius(self, frame: int) -> Floats:
        """(h, w) blur radius in pixels of what is in front, in the reference geometry."""
        return np.asarray(np.minimum(np.abs(self.depth - frame) * self.aperture, self.reach), np.float32)


def cache_folder() -> Path:
    """Where rendered scenes are kept: NEARFAR_SCENES, or a folder of the user's in the temporary one."""
    named = os.environ.get("NEARFAR_SCENES")
    folder = Path(named) if named else Path(tempfile.gettempdir()) / f"nearfar-scenes-{os.getuid()}"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def key_of(*parts: object) -> str:
    """Digest of parameters and of the renderer's own text, so that a changed renderer renders again."""
    digest = hashlib.sha256(repr(parts).encode())
    for module in (disk, kinds, layers, light, resample, shapes, textures, inspect.getmodule(key_of)):
        assert module is not None
        digest.update(inspect.getsource(module).encode())
    return digest.hexdigest()[:20]


def kept(
    name: str, make: Callable[[], dict[str, NDArray[np.generic]]], *, use: bool
) -> dict[str, NDArray[np.generic]]:
    """Arrays under a name in the cache, mapped; made and stored whole where they are missing."""
    folder = cache_folder() / name
    if use and folder.is_dir():
        return {p.stem: np.load(p, mmap_mode="r") for p in sorted(folder.glob("*.npy"))}
    arrays = make()
    if use:
        draft = Path(tempfile.mkdtemp(prefix=name + ".", dir=cache_folder()))
        for key, array in arrays.items():
            np.save(draft / key, array)
        try:
            draft.rename(folder)
        except OSError:  # another process was quicker
            for path in draft.iterdir():
                path.unlink()
            draft.rmdir()
    return arrays


def blurred(
    kind: str,
    *,
    frames: int,
    size: tuple[int, int],
    seed: int,
    reach: float,
    rail: float,
    use_cache: bool = True,
) -> dict[str, NDArray[np.generic]]:
    """Noise-free frames on a canvas with a margin, all in the reference geometry (sRGB, uint16), and the truth."""

    def make() -> dict[str, NDArray[np.generic]]:
        w, h = size
        canvas = h + 2 * MARGIN, w + 2 * MARGIN
        surfaces = kinds.KINDS[kind].build(np.random.default_rng([seed, 77]), canvas, frames)
        lens = Lens(aperture=reach / (frames - 1), most=reach, rail=rail)
        stage = Stage(surfaces, lens, canvas, ((canvas[1] - 1) / 2, (canvas[0] - 1) / 2), frames // 2)
        stage.prepare()
        out = np.empty((frames, *canvas, 3), np.uint16)

        def one(k: int) -> None:
            out[k] = np.rint(light.encode(stage.frame(k)) * 65535)

        with ThreadPoolExecutor(2) as pool:
            list(pool.map(one, range(frames)))
        still, depth = stage.still()
        return {"frames": out, "truth": light.encode(still), "depth": depth, "moving": _moving(stage)}

    name = f"{kind}-{key_of(kind, frames, size, seed, reach, rail)}"
    return kept(name, make, use=use_cache)


def _moving(stage: Stage) -> NDArray[np.bool_]:
    """Where something that sways may be seen in any frame, in focus or nearly so."""
    out = np.zeros(stage.canvas, np.uint8)
    for s in stage.surfaces:
        if s.sway is not None:
            far = np.ceil(np.abs(s.sway).max(0)).astype(int) + 8
            seen = np.zeros_like(out)
            inner, outer = layers.overlap(s.at, s.alpha.shape, stage.canvas)
            seen[outer] = s.alpha[inner] > 0
            near = np.ones((2 * far[1] + 1, 2 * far[0] + 1), np.uint8)
            out = np.maximum(out, np.asarray(cv2.dilate(seen, near), np.uint8))
    return np.asarray(out > 0)


def similarity(
    size: tuple[int, int], *, scale: float = 1.0, roll: float = 0.0, shift: tuple[float, float] = (0.0, 0.0)
) -> Poses:
    """2x3 map that scales and turns about the picture's middle and then shifts."""
    c = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    turn = scale * np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    return np.hstack([turn, (c - turn @ c + np.array(shift))[:, None]])


def true_poses(
    random: np.random.Generator,
    n: int,
    size: tuple[int, int],
    *,
    jitter: float,
    roll: float,
    breathing: float,
    rail: float,
) -> Poses:
    """Random shift and roll for each frame, magnification changing steadily; the middle frame is at rest."""
    out, middle = [], n // 2
    for k in range(n):
        shift = np.clip(random.normal(0, 1, 2), -2.5, 2.5) * jitter
        turn = float(np.clip(random.normal(), -2.5, 2.5)) * roll
        step = k - middle
        scale = 1 + breathing * step / (n - 1) + rail * step
        if step == 0:
            shift, turn = np.zeros(2), 0.0
        out.append(similarity(size, scale=scale, roll=turn, shift=(float(shift[0]), float(shift[1]))))
    return np.stack(out)


def render(
    kind: str,
    *,
    frames: int | None = None,
    size: tuple[int, int] | None = None,
    seed: int = 0,
    noise: float | None = None,
    shot: float | None = None,
    flicker: float | None = None,
    jitter: float = 0.8,
    roll: float = 0.0003,
    breathing: float | None = None,
    rail: float | None = None,
    reach: float | None = None,
    exposure: float | None = None,
    use_cache: bool = True,
) -> Scene:
    """Make a bracket of one of `kinds.KINDS`; what is left out comes from the kind.

    ``size`` (width, height); ``noise`` sigma of encoded samples; ``shot`` sigma in linear light at white, growing
    with the root of light; ``flicker`` sigma in EV; ``jitter`` px and ``roll`` rad sigma per frame; ``breathing``
    change of magnification over the whole stack; ``rail`` frame step over distance (the camera moves); ``reach``
    largest blur radius in px; ``exposure`` EV for all frames and the truth.
    """
    k = kinds.KINDS[kind]
    n, (w, h) = frames or k.frames, size or k.size
    noise, shot = _or(noise, k.noise), _or(shot, k.shot)
    rail = _or(rail, k.rail)
    reach = _or(reach, k.reach * float(np.sqrt(w * h / 1.08e6)) if kind != "micro" else k.reach * w / 640)
    light_ev = _or(exposure, k.exposure)
    base = blurred(kind, frames=n, size=(w, h), seed=seed, reach=reach, rail=rail, use_cache=use_cache)
    random = np.random.default_rng([seed, 5])
    poses = true_poses(
        random, n, (w, h), jitter=jitter, roll=roll, breathing=_or(breathing, k.breathing), rail=rail
    )
    gains = random.normal(0, 1, n) * _or(flicker, k.flicker)
    gains -= gains.mean()
    seeds = random.integers(1 << 60, size=n)

    def one(i: int) -> NDArray[np.uint16]:
        rest = similarity((w, h), scale=1 + rail * (i - n // 2))
        seen = resample.compose(rest, resample.inverse(poses[i]))
        ev = float(gains[i]) + light_ev
        return expose(base["frames"][i], seen, (w, h), ev=ev, noise=noise, shot=shot, seed=int(seeds[i]))

    with ThreadPoolExecutor(2) as pool:
        made = np.stack(list(pool.map(one, range(n))))
    inner = slice(MARGIN, MARGIN + h), slice(MARGIN, MARGIN + w)
    truth = np.asarray(base["truth"][inner], np.float32)
    if light_ev:
        truth = light.encode(light.decode(truth) * np.float32(2**light_ev))
    return Scene(
        kind=kind,
        frames=made,
        truth=truth,
        depth=np.asarray(base["depth"][inner], np.float32),
        poses=poses,
        gains_ev=gains,
        noise=noise,
        shot=shot,
        reference=n // 2,
        aperture=reach / (n - 1),
        reach=reach,
        moving=np.asarray(base["moving"][inner], bool),
    )


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def expose(
    canvas: NDArray[np.generic],
    back: Poses,
    size: tuple[int, int],
    *,
    ev: float,
    noise: float,
    shot: float,
    seed: int,
) -> NDArray[np.uint16]:
    """One frame: ``back`` maps its (x, y) to the reference's; light times 2**ev; noise on the encoded samples."""
    reach = np.array([[0, 0], [size[0], 0], [0, size[1]], size]) @ back[:, :2].T + back[:, 2]
    if reach.min() < 4 - MARGIN or (reach - np.array(size)).max() > MARGIN - 4:
        raise ValueError(f"the frame moves farther than the canvas's margin of {MARGIN} px allows")
    linear = light.light_of_16bit()[np.asarray(canvas)]
    at = back.copy()
    at[:, 2] += MARGIN
    seen = resample.by_map(linear, at, size)
    encoded = light.encode(seen * np.float32(2.0**ev))
    random = np.random.default_rng(seed)
    grain = random.standard_normal(encoded.shape, np.float32)
    sigma: Floats | np.float32 = np.float32(noise)
    if shot:
        seen_shot = np.float32(shot) * np.sqrt(light.decode(encoded)) * light.encode_slope(encoded)
        sigma = np.sqrt(sigma * sigma + seen_shot * seen_shot)
    return np.rint(np.clip(encoded + sigma * grain, 0, 1) * 65535).astype(np.uint16)
