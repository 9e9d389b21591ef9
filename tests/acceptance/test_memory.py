"""Memory of the whole process, from its own report and from /proc: within a limit that is the same for any count."""

from __future__ import annotations

import re
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.acceptance.command import anew, report_of, start
from tests.scenes import Camera, textures
from tests.scenes.files import jpeg
from tests.scenes.tags import exif_block, srgb_profile

SIZE = (3000, 2000)


FEW, MANY = 8, 40


def _write_stack(folder: Path, count: int) -> None:
    """Frames of 6 megapixels of a slope: each sharp in a strip that moves down the picture, softer step by step away
    from it; fast rather than true to optics.
    """
    random = np.random.default_rng(6)
    part = textures.fractal(random, (SIZE[1] // 2, SIZE[0] // 2), fall=0.8, octaves=8)
    grey = cv2.resize(np.asarray(np.clip(part * 255, 0, 255), np.uint8), SIZE, interpolation=cv2.INTER_CUBIC)
    grain = random.integers(-20, 21, (SIZE[1], SIZE[0]), np.int16)
    sharp = np.clip(grey.astype(np.int16) + grain, 0, 255).astype(np.uint8)
    rungs = [sharp, *(cv2.GaussianBlur(sharp, (0, 0), sigma) for sigma in (1.0, 2.0, 4.0, 8.0))]
    noise = random.integers(0, 5, (SIZE[1] + 97, SIZE[0] + 61, 3), np.uint8)
    rows = np.arange(SIZE[1])
    folder.mkdir()
    for k in range(count):
        away = np.abs(rows - (k + 0.5) * SIZE[1] / count) - SIZE[1] / count
        rung = np.digitize(away, (0.0, 60.0, 150.0, 350.0))
        frame = np.concatenate([rungs[rung[y]][y : y + 40] for y in range(0, SIZE[1], 40)])
        y, x = 37 * k % 97, 23 * k % 61
        noisy: NDArray[Any] = cv2.add(np.dstack([frame] * 3), noise[y : y + SIZE[1], x : x + SIZE[0]])
        stream = jpeg(noisy, quality=90, exif=exif_block(Camera(), k), profile=srgb_profile())
        (folder / f"F{k + 1:04d}.jpg").write_bytes(stream)


@dataclass(frozen=True, kw_only=True)
class Watched:
    """Bytes of one run: ``peak`` resident, mapped pages of frames included; ``own`` without pages of any file."""

    peak: int
    own: int
    report: dict[str, Any]


def _status(pid: int, name: str) -> int:
    try:
        text = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0
    return next((int(line.split()[1]) << 10 for line in text.splitlines() if line.startswith(name)), 0)


def _watched(folder: Path, out: Path, *options: str) -> Watched:
    """Merge a folder, looking at the process in /proc every few milliseconds."""
    peak = own = 0
    with start("merge", folder, "--out", out, "--quiet", *options) as process:
        while process.poll() is None:
            peak = max(peak, _status(process.pid, "VmHWM"))
            own = max(own, _status(process.pid, "RssAnon"))
            time.sleep(0.002)
        _, said = process.communicate()
    assert process.returncode == 0, said
    return Watched(peak=peak, own=own, report=report_of(out))


def _least(folder: Path, out: Path) -> int:
    """The least limit that the command says would do, MiB."""
    refused = anew("merge", folder, "--out", out, "--memory", "64MiB")
    assert refused.code == 5
    found = re.search(r"Give --memory (\d+)MiB or more\.", refused.message)
    assert found is not None
    return int(found[1])


@pytest.fixture(scope="module")
def stacks(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    """Folders by the number of frames in them."""
    folder = tmp_path_factory.mktemp("stacks")
    for count in (FEW, MANY):
        _write_stack(folder / f"{count}", count)
    return {count: folder / f"{count}" for count in (FEW, MANY)}


@pytest.mark.slow
@pytest.mark.parametrize("threads", [1, 2])
def test_the_least_limit_is_kept_and_does_not_grow_with_the_number_of_frames(
    threads: int, stacks: dict[int, Path], tmp_path: Path
) -> None:
    """Frames are mapped, their pages come and go below the limit; with five times the frames five times as many are
    sharp in each tile, and the same limit has to do.
    """
    limits = []
    for count, frames in stacks.items():
        out = tmp_path / f"{count}.tif"
        limit = _least(frames, out)
        done = _watched(frames, out, "--memory", f"{limit}MiB", "--threads", str(threads))
        told: dict[str, Any] = done.report["memory"]
        assert len(done.report["frames"]) == count
        assert told["limit"] == limit << 20
        assert done.own < done.peak <= told["planned"] <= told["limit"]
        assert told["peak"] == pytest.approx(done.peak, rel=0.2)
        limits.append(limit)
    assert abs(limits[1] - limits[0]) <= 16  # it is told in steps of 16 MiB


def test_without_a_limit_the_plan_is_held_to_as_well(stacks: dict[int, Path], tmp_path: Path) -> None:
    done = _watched(stacks[FEW], tmp_path / "few.tif")
    assert done.peak <= done.report["memory"]["planned"]
