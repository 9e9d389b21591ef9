"""The demonstration: drawer 37 of an invented clockmaker's bench, a dozen frames from its front to its back.

``python -m tests.scenes.demo FOLDER [--frames N] [--no-divider]`` writes the JPEG frames, the last of them a hand
held before the lens to end the sequence. The same pictures come out every time.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import files, light, resample, shapes, strangers, textures
from tests.scenes.layers import Lens, Stage, Surface
from tests.scenes.light import Floats
from tests.scenes.scene import MARGIN, Scene, expose, true_poses
from tests.scenes.tags import Camera
from tests.scenes.textures import Random

SIZE = (1536, 1024)
FRAMES = 12
REACH = 26.0
NOISE = 0.004
FLAT = 0.72
"""How much a thing that lies in the drawer is foreshortened, seen from above the front edge."""
BRASS, STEEL, COPPER = (0.52, 0.34, 0.10), (0.36, 0.38, 0.41), (0.45, 0.17, 0.08)
CAMERA = Camera(
    make="Ulmstead Works",
    model="Bench 3",
    focal_length=Fraction(60),
    f_number=Fraction(4),
    exposure=Fraction(1, 15),
    iso=100,
    start=datetime(2031, 10, 5, 16, 20, 11, 250000),
    interval=0.8,
)


def _polar(g: shapes.Grid) -> tuple[Floats, Floats]:
    return np.hypot(g[0], g[1]), np.arctan2(g[1], g[0])


def _metal(
    random: Random, r: Floats, turn: Floats, colour: tuple[float, float, float], size: float
) -> Floats:
    """Turned metal: fine rings, and the bright fans that a lamp draws on them."""
    rings = random.normal(0, 1, int(size * 3) + 8)
    brushed = np.interp(r, np.arange(len(rings)) / 2, rings)
    speck = textures.fractal(random, r.shape, fall=0.9, octaves=5) - 0.5
    fan = np.abs(np.cos(turn - random.uniform(0.3, 0.9))) ** 6 + 0.4 * np.abs(np.cos(turn + 0.8)) ** 12
    value = (0.35 + 0.75 * fan) * (1 + 0.10 * brushed + 0.5 * speck)
    return np.asarray(np.clip(value, 0.02, 1.6)[..., None] * np.array(colour), np.float32)


def gear(
    random: Random, size: float, teeth: int, colour: tuple[float, float, float]
) -> tuple[Floats, Floats]:
    """Colour and coverage of a toothed wheel with spokes, lying flat."""
    side = int(2 * size + 12)
    high = int(side * FLAT)
    x, y = shapes.grid(high, side)
    r, turn = _polar((x, y / FLAT))
    tooth = np.clip(1.6 * np.sin(teeth * turn + random.uniform(0, 6)), -1, 1)
    outside = size * (0.93 + 0.055 * tooth) - r
    spokes = int(random.integers(4, 7))
    window = np.minimum(
        np.minimum(size * 0.74 - r, r - size * 0.33),
        size * 0.5 * (np.abs(np.sin(turn * spokes / 2 + 0.7)) - 0.3),
    )
    inside = np.minimum(np.minimum(outside, -window), r - size * 0.12).astype(np.float32)
    metal = _metal(random, r, turn, colour, size)
    dy, dx = np.gradient(cv2.GaussianBlur(inside, (0, 0), 1.0))
    bevel = np.clip(1 - np.abs(inside - 1.8) / 2.2, 0, 1)
    metal = metal * (1 + bevel * np.clip(1.2 * dx + 1.5 * dy, -0.75, 1.8))[..., None]
    groove = np.clip(1 - np.abs(np.abs(r - size * 0.83) - 1) / 1.2, 0, 1)
    return np.clip(metal * (1 - 0.6 * groove[..., None]), 0.004, 0.97).astype(np.float32), shapes.cover(
        inside * FLAT
    )


def screw(random: Random, size: float) -> tuple[Floats, Floats]:
    """Colour and coverage of a blued or bare screw head with a slot."""
    side = int(2 * size + 8)
    x, y = shapes.grid(int(side * FLAT), side)
    y = y / FLAT
    r, turn = _polar((x, y))
    colour = (0.05, 0.09, 0.34) if random.random() < 0.5 else STEEL
    metal = _metal(random, r, turn, colour, size)
    way = random.uniform(0, np.pi)
    slot = np.abs(x * np.sin(way) - y * np.cos(way)) - size * 0.12
    edge = np.clip(1 - np.abs(size - r - 1.5) / 2, 0, 1)
    metal = metal * (1 + edge * np.clip(-(x + y) / size, -0.7, 1.5))[..., None]
    metal = (
        metal * np.where(slot < 0, 0.15, 1.0)[..., None]
        + 0.25 * np.clip(1 - np.abs(slot) / 1.2, 0, 1)[..., None] * (y > 0)[..., None]
    )
    return np.clip(metal, 0.004, 0.97).astype(np.float32), shapes.cover(
        ((size - r) * FLAT).astype(np.float32)
    )


def _floor_depth(shape: tuple[int, int], last: int) -> Floats:
    """The drawer's bottom rises away from the viewer: near at the lower edge, far at the upper."""
    y = np.linspace(1, 0, shape[0], dtype=np.float32)[:, None]
    return np.broadcast_to((0.12 + 0.86 * y) * last, shape).astype(np.float32)


def _felt(random: Random, shape: tuple[int, int]) -> Floats:
    fibre = textures.spread(textures.fractal(random, shape, fall=0.95, octaves=5))
    worn = textures.spread(textures.fractal(random, shape, fall=0.5))
    value = np.clip(0.25 + 0.55 * fibre + 0.3 * (worn - 0.5), 0, 1)
    return textures.ramp(value, (0.004, 0.02, 0.016), (0.012, 0.075, 0.055), (0.07, 0.2, 0.15))


def _label(random: Random) -> tuple[Floats, Floats]:
    """A paper label with the drawer's number, lying on the felt."""
    h, w = 190, 400
    page = np.zeros((h * 2, w * 2), np.uint8)
    for text, y, scale, thick in [
        ("DRAWER 37", 150, 3.0, 6),
        ("wheels of eight days", 225, 1.5, 2),
        ("kept by O. Velm", 300, 1.5, 2),
    ]:
        cv2.putText(page, text, (60, y), cv2.FONT_HERSHEY_TRIPLEX, scale, 255, thick, cv2.LINE_AA)
    cv2.rectangle(page, (22, 22), (2 * w - 22, 2 * h - 22), 200, 3, cv2.LINE_AA)
    flat = (w, int(h * FLAT))
    ink = cv2.resize(page, flat, interpolation=cv2.INTER_AREA).astype(np.float32)[..., None] / 255
    paper = textures.plaster(random, flat[::-1], level=0.62, grain=0.025)
    return (paper * (1 - 0.94 * ink)).astype(np.float32), np.ones(flat[::-1], np.float32)


def surfaces(random: Random, shape: tuple[int, int], last: int) -> list[Surface]:
    """Everything in the drawer, far to near."""
    floor = _floor_depth(shape, last)
    felt = _felt(random, shape)
    things: list[tuple[int, int, float, Floats, Floats]] = []
    h, w = shape
    wheels = [
        (0.20, 0.20, 120, 34),
        (0.52, 0.14, 96, 28),
        (0.83, 0.24, 150, 44),
        (0.34, 0.42, 170, 52),
        (0.66, 0.50, 128, 36),
        (0.12, 0.60, 110, 30),
        (0.90, 0.62, 105, 26),
        (0.50, 0.76, 190, 60),
        (0.18, 0.88, 120, 32),
        (0.82, 0.90, 140, 40),
    ]
    for i, (u, v, size, teeth) in enumerate(wheels):
        colour, alpha = gear(random, float(size), teeth, (BRASS, BRASS, STEEL, COPPER)[i % 4])
        things.append((int(u * w), int(v * h), float(random.uniform(2, 9)), colour, alpha))
        if i % 3 == 0:
            colour, alpha = gear(random, size * 0.5, teeth // 2, STEEL if i % 4 != 2 else BRASS)
            things.append((int(u * w + size * 0.25), int(v * h - 6), 22.0, colour, alpha))
    for _ in range(26):
        colour, alpha = screw(random, float(random.uniform(12, 22)))
        things.append(
            (int(random.uniform(0.03, 0.97) * w), int(random.uniform(0.04, 0.96) * h), 5.0, colour, alpha)
        )
    colour, alpha = _label(random)
    things.append((int(0.3 * w), int(0.66 * h), 1.0, colour, alpha))
    shade = np.zeros(shape, np.float32)
    placed = []
    for x, y, lift, colour, alpha in sorted(things, key=lambda t: t[1]):
        at = x - alpha.shape[1] // 2, y - alpha.shape[0] // 2 - int(lift)
        _cast(shade, alpha, (at[0] + int(4 + lift * 0.8), at[1] + int(3 + lift)))
        rows = np.clip(np.arange(at[1], at[1] + alpha.shape[0]) + int(lift), 0, h - 1)
        depth = np.maximum(floor[rows, 0][:, None] - lift * last / h * 2.2, 0)
        deep = np.broadcast_to(depth, alpha.shape).astype(np.float32)
        placed.append(Surface(colour=colour, alpha=alpha, depth=deep, at=at))
    lamp = 1.15 - 0.5 * np.hypot(*shapes.grid(h, w)) / w
    dark = cv2.GaussianBlur(shade, (0, 0), 5)
    felt = felt * (lamp * (1 - 0.75 * np.clip(dark, 0, 1)))[..., None]
    ground = Surface(colour=felt.astype(np.float32), alpha=np.ones(shape, np.float32), depth=floor)
    return [ground, *placed, *_springs(random, shape, last)]


def _cast(shade: Floats, alpha: Floats, at: tuple[int, int]) -> None:
    y0, x0 = max(0, at[1]), max(0, at[0])
    y1, x1 = min(shade.shape[0], at[1] + alpha.shape[0]), min(shade.shape[1], at[0] + alpha.shape[1])
    if y1 > y0 and x1 > x0:
        part = alpha[y0 - at[1] : y1 - at[1], x0 - at[0] : x1 - at[0]]
        shade[y0:y1, x0:x1] = np.maximum(shade[y0:y1, x0:x1], part)


def _springs(random: Random, shape: tuple[int, int], last: int) -> list[Surface]:
    """Two mainsprings that stand up out of the drawer, and loose wires and bristles above everything."""
    h, w = shape
    out = []
    for u, v, size in [(0.66, 0.30, 70.0), (0.30, 0.80, 90.0)]:
        t = np.linspace(0, 9 * np.pi, 260)
        grow = size * (0.15 + 0.85 * t / t.max())
        path = np.stack([u * w + grow * np.cos(t), v * h - 70 + grow * np.sin(t) * FLAT + 1.6 * t], 1)
        z = max(0.0, (0.98 - 0.86 * v) - 0.22)
        out.append(
            shapes.hair(
                random,
                path,
                width=4.0,
                taper=0.2,
                depth=(z * last, (z + 0.12) * last),
                colour=(0.28, 0.30, 0.36),
            )
        )
    for _ in range(14):
        start = float(random.uniform(0.05, 0.95) * w), float(random.uniform(0.1, 0.95) * h)
        z = max(0.02, 0.98 - 0.86 * start[1] / h - random.uniform(0.1, 0.35))
        path = shapes.hair_path(random, start, float(random.uniform(150, 380)))
        colour = COPPER if random.random() < 0.5 else (0.02, 0.018, 0.015)
        end = float(np.clip(z + random.normal(0, 0.08), 0, 1))
        out.append(
            shapes.hair(
                random,
                path,
                width=float(random.uniform(1.2, 3.2)),
                taper=0.3,
                depth=(z * last, end * last),
                colour=colour,
            )
        )
    return sorted(out, key=lambda s: -float(s.depth.mean()))


def drawer(frames: int = FRAMES, *, size: tuple[int, int] | None = None, seed: int = 37) -> Scene:
    """The bracket with its truth, like `scene.render`'s."""
    w, h = size = size or SIZE
    canvas = h + 2 * MARGIN, w + 2 * MARGIN
    random = np.random.default_rng(seed)
    lens = Lens(aperture=REACH / (frames - 1), most=REACH)
    stage = Stage(
        surfaces(random, canvas, frames - 1),
        lens,
        canvas,
        ((canvas[1] - 1) / 2, (canvas[0] - 1) / 2),
        frames // 2,
    )
    stage.prepare()
    poses = true_poses(random, frames, size, jitter=0.9, roll=0.0003, breathing=0.004, rail=0.0)
    gains = random.normal(0, 0.01, frames)
    gains -= gains.mean()

    def one(k: int) -> NDArray[np.uint16]:
        seen = np.rint(light.encode(stage.frame(k)) * 65535).astype(np.uint16)
        return expose(
            seen, resample.inverse(poses[k]), size, ev=float(gains[k]), noise=NOISE, shot=0.0, seed=1000 + k
        )

    with ThreadPoolExecutor(2) as pool:
        made = np.stack(list(pool.map(one, range(frames))))
    still, depth = stage.still()
    inner = slice(MARGIN, MARGIN + h), slice(MARGIN, MARGIN + w)
    return Scene(
        kind="drawer",
        frames=made,
        truth=light.encode(still)[inner],
        depth=depth[inner],
        poses=poses,
        gains_ev=gains,
        noise=NOISE,
        shot=0.0,
        reference=frames // 2,
        aperture=lens.aperture,
        reach=REACH,
        moving=np.zeros((h, w), bool),
    )


def write_demo(folder: Path, *, frames: int = FRAMES, divider: bool = True) -> list[Path]:
    """Write the drawer's frames, and the hand that ends the sequence; returns the paths in order."""
    scene = drawer(frames)
    paths = files.write(scene, folder, quality=94, camera=CAMERA)
    if divider:
        path = folder / f"F{frames + 1:04d}.jpg"
        path.write_bytes(
            files.frame_bytes(strangers.hand(scene), "jpeg", number=frames, camera=CAMERA, quality=94)
        )
        paths.append(path)
    return paths


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.scenes.demo", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--frames", type=int, default=FRAMES)
    parser.add_argument("--no-divider", action="store_true", help="leave out the hand that ends the sequence")
    options = parser.parse_args()
    paths = write_demo(options.folder, frames=options.frames, divider=not options.no_divider)
    print(f"{len(paths)} frames in {options.folder}")


if __name__ == "__main__":
    main()
