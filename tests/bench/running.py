"""Run a program, watch its memory, and read what ``nearfar merge`` wrote."""

from __future__ import annotations

import json
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import tifffile

from tests.scenes.light import Floats

LOOK = 0.03
"""Seconds between two looks at memory; VmHWM keeps the peak between them."""


@dataclass(frozen=True, kw_only=True)
class Run:
    """``seconds`` wall time; ``peak`` bytes, sum of the highest resident sizes of the process and its children."""

    seconds: float
    peak: int
    code: int
    error: str


def run(command: Sequence[str | Path]) -> Run:
    """Run to the end; standard error is kept for the message of a failure."""
    start = time.perf_counter()
    peaks: dict[int, int] = {}
    with subprocess.Popen(
        [str(c) for c in command], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    ) as process:
        watched = psutil.Process(process.pid)
        while process.poll() is None:
            _look(watched, peaks)
            try:
                process.wait(LOOK)
            except subprocess.TimeoutExpired:
                continue
        seconds = time.perf_counter() - start
        assert process.stderr is not None
        error = process.stderr.read().decode(errors="replace")
    return Run(seconds=seconds, peak=sum(peaks.values()), code=process.returncode, error=error)


def _look(process: psutil.Process, peaks: dict[int, int]) -> None:
    try:
        family = [process, *process.children(recursive=True)]
    except psutil.Error:
        return
    for one in family:
        try:
            text = Path(f"/proc/{one.pid}/status").read_text()
        except OSError:
            continue
        for line in text.splitlines():
            if line.startswith("VmHWM"):
                peaks[one.pid] = max(peaks.get(one.pid, 0), int(line.split()[1]) * 1024)


@dataclass(frozen=True, kw_only=True)
class Merged:
    """One run of ``nearfar merge``: the run, the picture's path and the report."""

    run: Run
    out: Path
    report: dict[str, Any]

    def picture(self) -> Floats:
        """(h, w, 3) float32, encoded 0..1."""
        return tifffile.imread(self.out, key=0).astype(np.float32) / 65535


def nearfar_command() -> list[str]:
    """The command beside this Python, or the one on the path."""
    beside = Path(sys.executable).with_name("nearfar")
    found = str(beside) if beside.exists() else shutil.which("nearfar")
    if found is None:
        raise SystemExit(
            "The command nearfar was not found beside this Python nor on the path: install the project."
        )
    return [found]


def merge(frames: Path, out: Path, *, command: str | None = None, options: Sequence[str] = ()) -> Merged:
    """Merge a folder into ``out``; raises RuntimeError with the command's own words if it fails."""
    report = out.with_suffix(".report.json")
    for old in (out, report):
        old.unlink(missing_ok=True)
    start = shlex.split(command) if command else nearfar_command()
    done = run([*start, "merge", frames, "--out", out, "--report", report, *options])
    if done.code:
        raise RuntimeError(f"nearfar merge {frames} ended with {done.code}: {done.error.strip()[-600:]}")
    return Merged(run=done, out=out, report=json.loads(report.read_text()))
