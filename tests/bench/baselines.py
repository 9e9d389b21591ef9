"""The textbook merge to compare with: a Laplacian pyramid (Burt and Adelson 1983) over the whole frame.

In each band, at each place, the frame with the largest local energy wins; the rest below the last band goes with
that band's energy. Frames come in by their true poses (cubic warp), nothing is done about exposure or noise.
``python -m tests.bench.baselines FRAMES TRUTH.json OUT.tif [LEVELS]`` runs it on a folder, for timing.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from pathlib import Path

import cv2
import numpy as np
import simplejpeg
import tifffile
from numpy.typing import NDArray

from tests.scenes.light import Floats

LUMA = np.array([0.299, 0.587, 0.114], np.float32)


def warp(frame: Floats, pose: NDArray[np.float64]) -> Floats:
    """Frame in the reference's geometry: out(x, y) = frame(pose (x, y)), cubic."""
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(frame, pose, frame.shape[1::-1], flags=flags, borderMode=cv2.BORDER_REFLECT)


def pyramid(picture: Floats, levels: int) -> list[Floats]:
    """Bands from fine to coarse, then what is left."""
    out = []
    for _ in range(levels):
        small = cv2.pyrDown(picture)
        out.append(cv2.subtract(picture, cv2.pyrUp(small, dstsize=picture.shape[1::-1])))
        picture = small
    return [*out, picture]


def collapse(bands: list[Floats]) -> Floats:
    out = bands[-1]
    for band in bands[-2::-1]:
        out = cv2.add(cv2.pyrUp(out, dstsize=band.shape[1::-1]), band)
    return out


def energies(bands: list[Floats]) -> list[Floats]:
    """Squared luma of each band over its close surroundings; the rest takes the last band's, halved in size."""
    out = [cv2.GaussianBlur((band @ LUMA) ** 2, (0, 0), 1.0) for band in bands[:-1]]
    return [*out, cv2.pyrDown(out[-1])]


def plain(frames: Iterable[Floats], *, levels: int) -> Floats:
    """Merge float32 frames that lie on each other; one frame is held at a time."""
    best: list[Floats] = []
    most: list[Floats] = []
    for frame in frames:
        bands = pyramid(frame, levels)
        strengths = energies(bands)
        if not best:
            best, most = bands, strengths
            continue
        for kept, top, band, strength in zip(best, most, bands, strengths, strict=True):
            wins = strength > top
            kept[wins] = band[wins]
            top[wins] = strength[wins]
    return np.clip(collapse(best), 0, 1)


def main() -> None:
    folder, truth, out, *levels = sys.argv[1:]
    poses = np.array(json.loads(Path(truth).read_text())["poses"])
    paths = sorted(Path(folder).iterdir())

    def frames() -> Iterable[Floats]:
        for path, pose in zip(paths, poses, strict=True):
            yield warp(simplejpeg.decode_jpeg(path.read_bytes()).astype(np.float32) / 255, pose)

    merged = plain(frames(), levels=int(levels[0]) if levels else 6)
    tifffile.imwrite(
        out,
        np.rint(merged * 65535).astype(np.uint16),
        tile=(512, 512),
        compression="adobe_deflate",
        compressionargs={"level": 1},
        predictor=True,
        photometric="rgb",
    )


if __name__ == "__main__":
    main()
