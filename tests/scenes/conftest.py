from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.scenes import Scene, render

SMALL = (300, 220)


@pytest.fixture(scope="session")
def make_scene(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Scene]:
    """`render` at a small size, without the cache unless asked for."""

    def make(kind: str = "occlusion", **change: object) -> Scene:
        return render(kind, **{"size": SMALL, "frames": 5, "use_cache": False, "seed": 3, **change})  # type: ignore[arg-type]

    return make


@pytest.fixture
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A cache folder of the test's own."""
    monkeypatch.setenv("NEARFAR_SCENES", str(tmp_path / "cache"))
    return tmp_path / "cache"
