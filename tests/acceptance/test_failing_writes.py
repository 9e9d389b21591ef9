"""Disks that fail: whichever write, sync or rename goes wrong, no half file stands under a final name, and the next
run makes the same picture.
"""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from nearfar.cli import command as cli
from tests.acceptance.command import SIDE_FILES, environment, lay, nearfar, nothing_made, side_files
from tests.bench.running import nearfar_command
from tests.failing import Failing
from tests.scenes import Scene

TOLD_ANEW = {"report.json", "report.txt"}


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, int | None], Failing]:
    """Make the n-th call of ``os.NAME`` fail until the next one is asked for."""
    real = {name: getattr(os, name) for name in ("fsync", "replace", "write", "posix_fallocate")}

    def make(name: str, at: int | None) -> Failing:
        for each, call in real.items():
            monkeypatch.setattr(os, each, call)
        counter = Failing(at)
        monkeypatch.setattr(os, name, counter.wrap(real[name]))
        return counter

    return make


@pytest.fixture(scope="module")
def small(scene: Scene, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two JPEG frames of 192 x 144 pixels."""
    folder = tmp_path_factory.mktemp("small") / "frames"
    lay(scene.frames[2:4, 100:244, 150:342], folder, format="jpeg")
    return folder


@pytest.mark.parametrize("name", ["fsync", "replace", "write", "posix_fallocate"])
def test_each_call_may_fail_and_nothing_half_is_left(
    name: str,
    small: Path,
    failing: Callable[[str, int | None], Failing],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The command runs in this process: exit code 4 whichever call fails; then the same bytes as ever."""

    def run(folder: Path, scratch: str) -> int:
        out = folder / "picture.tif"
        return cli.main(
            [
                "merge",
                str(small),
                "--out",
                str(out),
                "--scratch",
                str(tmp_path / scratch),
                "--threads",
                "1",
                "--quiet",
            ]
        )

    (tmp_path / "whole").mkdir()
    (tmp_path / "made").mkdir()
    counter = failing(name, None)
    assert run(tmp_path / "whole", "first") == 0
    calls = counter.calls
    assert calls > 0
    wanted = side_files(tmp_path / "whole" / "picture.tif")
    out = tmp_path / "made" / "picture.tif"
    for at in range(1, calls + 1):
        failing(name, at)
        code = run(tmp_path / "made", f"scratch{at}")
        assert code == 4
        said = capsys.readouterr().err
        assert re.fullmatch(r"nearfar: /\S+: Input/output error\. Check the disk .*\n", said)
        # the last sync is that of the folder, behind the rename: the picture is whole by then
        assert not out.exists() or (name == "fsync" and at == calls)
        for ending, path in side_files(out).items():
            if path.exists() and ending not in TOLD_ANEW:
                assert path.read_bytes() == wanted[ending].read_bytes()
            path.unlink(missing_ok=True)
        out.unlink(missing_ok=True)
        assert nothing_made(out)
        assert not list((tmp_path / f"scratch{at}").rglob("*.part"))
    failing(name, None)
    assert run(tmp_path / "made", f"scratch{calls}") == 0
    assert out.read_bytes() == (tmp_path / "whole" / "picture.tif").read_bytes()


@pytest.mark.parametrize("blocks", [1, 40, 120])
def test_files_that_may_not_grow_end_the_run_in_words(blocks: int, small: Path, tmp_path: Path) -> None:
    """The shell's limit on file sizes, in kilobytes, makes real writes fail at any depth."""
    out = tmp_path / "picture.tif"
    arguments: list[str | Path] = ["merge", small, "--out", out, "--scratch", tmp_path / "scratch", "--quiet"]
    command = [*nearfar_command(), *map(str, arguments)]
    done = subprocess.run(
        ["bash", "-c", f'ulimit -f {blocks}; exec "$@"', "bash", *command],
        capture_output=True,
        text=True,
        env=environment(),
        timeout=60,
    )
    assert done.returncode == 4
    assert done.stderr.startswith("nearfar: ")
    assert "File too large" in done.stderr
    assert nothing_made(out) or not out.exists()
    assert nearfar(*arguments).code == 0
    assert all(side_files(out)[e].exists() for e in SIDE_FILES)
