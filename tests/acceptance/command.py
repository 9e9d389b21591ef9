"""The command ``nearfar`` as a person runs it, and checks of folders before and after."""

from __future__ import annotations

import functools
import hashlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from tests.bench import metrics
from tests.bench.running import nearfar_command
from tests.scenes import Camera, Scene, frame_bytes
from tests.scenes.files import SUFFIX
from tests.scenes.light import Floats

HOME = Path(tempfile.gettempdir()) / f"nearfar-acceptance-{os.getpid()}"
"""Home folder of every run, with its scratch and settings; removed at the end of the session."""
SIDE_FILES = ("preview.jpg", "focus.tif", "doubt.tif", "focus.png", "report.txt", "report.png", "report.json")


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """How a run ended: exit code (negative: killed by that signal), both outputs, seconds of wall time."""

    code: int
    out: str
    err: str
    seconds: float

    @property
    def message(self) -> str:
        """The one line that begins with the command's name; a run that ends in anything but 0 has exactly one."""
        lines = [line for line in self.err.splitlines() if line.startswith("nearfar: ")]
        assert len(lines) == 1, self.err
        return lines[0].removeprefix("nearfar: ")


def environment(env: Mapping[str, str] | None = None) -> dict[str, str]:
    """This process's environment without settings of ours."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith("NEARFAR_") or k == "NEARFAR_KERNEL"}
    return {
        **kept,
        "XDG_CACHE_HOME": str(HOME / "cache"),
        "XDG_CONFIG_HOME": str(HOME / "config"),
        **(env or {}),
    }


def start(*arguments: str | Path, env: Mapping[str, str] | None = None) -> subprocess.Popen[str]:
    """The command, running, with pipes at both outputs."""
    return subprocess.Popen(
        [*nearfar_command(), *(str(a) for a in arguments)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        errors="surrogateescape",
        env=environment(env),
    )


def anew(*arguments: str | Path, env: Mapping[str, str] | None = None, timeout: float = 120) -> Outcome:
    """Run the command to its end as a shell would; ``env`` goes on top of its environment."""
    began = time.monotonic()
    with start(*arguments, env=env) as process:
        try:
            out, err = process.communicate(timeout=timeout)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
    return Outcome(code=process.returncode, out=out, err=err, seconds=time.monotonic() - began)


@functools.cache
def _server() -> subprocess.Popen[str]:
    """`tests.acceptance.forked`, started once."""
    return subprocess.Popen(
        [sys.executable, "-m", "tests.acceptance.forked"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).resolve().parents[2],
        env=environment({"OPENBLAS_NUM_THREADS": "1"}),  # no threads before a fork
    )


def end_server() -> None:
    """End it at the end of the session."""
    if _server.cache_info().currsize:
        with _server() as process:
            process.communicate()
        _server.cache_clear()


def nearfar(
    *arguments: str | Path, env: Mapping[str, str] | None = None, after: float | None = None
) -> Outcome:
    """Run the command in a process of its own, libraries loaded already; killed ``after`` seconds if given."""
    server = _server()
    assert server.stdin is not None
    assert server.stdout is not None
    HOME.mkdir(exist_ok=True)
    outputs = {"out": str(HOME / "stdout"), "err": str(HOME / "stderr")}
    order = {
        "arguments": [str(a) for a in arguments],
        "env": environment(env),
        "after": 120 if after is None else after,
        **outputs,
    }
    server.stdin.write(json.dumps(order) + "\n")
    server.stdin.flush()
    answer = json.loads(server.stdout.readline())
    assert after is not None or answer["code"] != -signal.SIGKILL, "took too long"
    texts = {k: Path(p).read_text(encoding="utf-8", errors="surrogateescape") for k, p in outputs.items()}
    return Outcome(code=answer["code"], seconds=answer["seconds"], **texts)


def merge(
    frames: Path | Sequence[Path], out: Path, *options: str | Path, env: Mapping[str, str] | None = None
) -> Outcome:
    """``nearfar merge`` of a folder or of frames."""
    given = [frames] if isinstance(frames, Path) else list(frames)
    return nearfar("merge", *given, "--out", out, *options, env=env)


def merged(frames: Path | Sequence[Path], out: Path, *options: str | Path) -> dict[str, Any]:
    """The report of a merge that has to work."""
    done = merge(frames, out, *options)
    assert done.code == 0, done.err
    return report_of(out)


def report_of(out: Path) -> dict[str, Any]:
    """The report beside a picture."""
    found: dict[str, Any] = json.loads(out.with_name(f"{out.stem}.report.json").read_text(encoding="utf-8"))
    return found


def samples(out: Path) -> NDArray[np.uint16]:
    """The picture's own samples, by tifffile."""
    return np.asarray(tifffile.imread(out, key=0))


def tags_of(path: Path) -> dict[int, Any]:
    """Numbers and values of the first directory of a TIFF, by tifffile."""
    with tifffile.TiffFile(path) as file:
        return {tag.code: tag.value for tag in file.pages.first.tags.values()}


def picture(out: Path) -> Floats:
    """The picture, encoded 0..1."""
    return samples(out).astype(np.float32) / np.float32(65535)


def quality(scene: Scene, out: Path) -> float:
    """PSNR of a picture against the truth, away from its edges, dB."""
    return metrics.psnr(picture(out), scene.truth, metrics.interior(scene.truth.shape))


def side_files(out: Path) -> dict[str, Path]:
    """All that belongs to a picture besides itself, by ending."""
    return {ending: out.with_name(f"{out.stem}.{ending}") for ending in SIDE_FILES}


def digests(folder: Path) -> dict[str, tuple[str, int]]:
    """Digest and time of the last change of every file in a folder, links followed."""
    return {
        p.name: (hashlib.sha256(p.read_bytes()).hexdigest(), p.stat().st_mtime_ns)
        for p in sorted(folder.iterdir())
        if p.is_file()
    }


def nothing_made(out: Path) -> bool:
    """Whether there is no picture, none of its side files, and no temporary file."""
    left = [p for p in (out, *side_files(out).values()) if p.exists()]
    return not left and not list(out.parent.glob(".nearfar-*"))


def lay(
    frames: NDArray[np.uint16],
    folder: Path,
    *,
    format: str = "tiff16",
    camera: Camera | None = None,
    names: Sequence[str] | None = None,
) -> list[Path]:
    """Write frames into a folder (made if missing) under the given names, or as F0001, F0002 ...; paths in order."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for k, frame in enumerate(frames):
        path = folder / (names[k] if names else f"F{k + 1:04d}{SUFFIX[format]}")
        path.write_bytes(frame_bytes(frame, format, number=k, camera=camera or Camera()))
        paths.append(path)
    return paths
