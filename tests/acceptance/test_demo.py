"""The demonstration, with a small stack in place of its own: a picture or a reason, and no server left behind."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.acceptance.command import lay
from tests.acceptance.serving import processes_of
from tests.scenes import Scene, demo_server


def test_it_says_where_the_picture_lies_and_stops_the_server(
    scene: Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(demo_server, "write_demo", lambda folder: lay(scene.frames, folder, format="jpeg"))
    assert demo_server.demonstrate(tmp_path / "demo") == 0
    picture = tmp_path / "demo" / "results" / "drawer-37" / "drawer-37.tif"
    assert f"The picture is {picture}" in capsys.readouterr().out
    assert picture.exists()
    changed = picture.stat().st_mtime_ns
    assert demo_server.demonstrate(tmp_path / "demo") == 0
    assert f"The picture is {picture}" in capsys.readouterr().out
    assert picture.stat().st_mtime_ns == changed  # it was there
    assert processes_of(tmp_path / "demo") == []


def test_a_job_that_fails_gives_its_reason_and_another_exit_code(
    scene: Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def odd_sizes(folder: Path) -> None:
        lay(scene.frames[:2], folder, format="jpeg")
        lay(np.full((1, 90, 120, 3), 9000, np.uint16), folder, names=["odd size.tif"])

    monkeypatch.setattr(demo_server, "write_demo", odd_sizes)
    assert demo_server.demonstrate(tmp_path / "demo") == 4
    said = capsys.readouterr().out
    assert "Job 1 (drawer-37) failed: the frames differ in size" in said
    assert processes_of(tmp_path / "demo") == []
