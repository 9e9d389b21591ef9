from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.acceptance.command import HOME, end_server, lay, merged, quality
from tests.scenes import Scene, render


@pytest.fixture(scope="session", autouse=True)
def _own_home() -> Iterator[None]:
    yield
    end_server()
    shutil.rmtree(HOME, ignore_errors=True)


@pytest.fixture(scope="session")
def scene() -> Scene:
    """Seven frames of 480 x 360 pixels; the middle one's geometry is the truth's."""
    return render("occlusion", frames=7, size=(480, 360), seed=3)


@dataclass(frozen=True, kw_only=True)
class Undisturbed:
    """The scene's frames as plain TIFF, merged once and never touched again."""

    frames: Path
    out: Path
    report: dict[str, Any]
    psnr: float


@pytest.fixture(scope="session")
def undisturbed(scene: Scene, tmp_path_factory: pytest.TempPathFactory) -> Undisturbed:
    folder = tmp_path_factory.mktemp("undisturbed")
    lay(scene.frames, folder / "frames")
    out = folder / "picture.tif"
    report = merged(folder / "frames", out)
    return Undisturbed(frames=folder / "frames", out=out, report=report, psnr=quality(scene, out))


@pytest.fixture(scope="session")
def large() -> Scene:
    """Five frames of 640 x 560 pixels: four tiles, and a reduced level."""
    return render("occlusion", frames=5, size=(640, 560), seed=12)


@pytest.fixture
def frames(scene: Scene, tmp_path: Path) -> Callable[..., Path]:
    """A folder of its own with the scene's frames; ``count`` of them, ``format`` and ``camera`` as in `lay`."""

    def make(name: str = "frames", *, count: int = 7, **change: Any) -> Path:
        lay(scene.frames[:count], tmp_path / name, **change)
        return tmp_path / name

    return make
