"""Five hundred broken pictures at a running server: it stays up, takes little memory, and tells of each what is wrong."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import httpx
import numpy as np
import pytest

from tests.acceptance.command import environment
from tests.acceptance.serving import Served, processes_of, served
from tests.bench.running import nearfar_command
from tests.scenes import render, write
from tests.worker.frames.test_fuzz import KINDS, _mutated

FORMATS = {"jpeg": "jpg", "png": "png", "deflate tiff": "tif", "dng": "dng", "heif": "heic"}
EACH = 100
A_JOB = 50
MOST = 600 << 20
"""Bytes that any one process of the server may have had at its peak."""


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folders of 50 files each, all of one format, each file broken in its own way."""
    folder = tmp_path_factory.mktemp("corpus")
    for kind, ending in FORMATS.items():
        whole = folder / "whole"
        KINDS[kind](whole)
        data = whole.read_bytes()
        whole.unlink()
        rng = np.random.default_rng(len(kind))
        for number in range(EACH):
            stack = folder / f"{ending}-{number // A_JOB}"
            stack.mkdir(exist_ok=True)
            broken = data
            while broken == data:
                broken = _mutated(data, rng)
            (stack / f"NF_{number:04d}.{ending}").write_bytes(broken)
    return folder


def peak(process: int) -> int:
    """Bytes that a process had at its peak: proc(5), VmHWM."""
    try:
        lines = Path(f"/proc/{process}/status").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) << 10 for line in lines if line.startswith("VmHWM")), 0)


def submit(server: Served, folder: Path) -> int:
    answer = httpx.post(f"{server.url}/api/v1/jobs", json={"folder": str(folder)}, timeout=60)
    return int(answer.raise_for_status().json()["id"])


@pytest.mark.slow
def test_a_server_survives_them_and_goes_on_merging(corpus: Path, tmp_path: Path) -> None:
    scene = render("micro", frames=3, size=(160, 120), seed=5)
    good = tmp_path / "good"
    write(scene, good)
    with served(tmp_path / "data", NEARFAR_SERVER_SHARED=json.dumps([str(corpus), str(tmp_path)])) as server:
        before = set(processes_of(server.data))
        jobs = [submit(server, folder) for folder in sorted(corpus.iterdir())]
        server.wait(
            lambda: all(server.state(job) in {"failed", "done", "held"} for job in jobs),
            what="all came to an end",
        )
        for job in jobs:
            told = server.get(f"/jobs/{job}")
            if told["state"] == "failed":
                assert len(told["reason"]) > 20, told
                assert "mistake" not in told["reason"], told
            frames = server.get(f"/jobs/{job}/frames")["frames"]
            assert all(frame["reason"] for frame in frames if frame["state"] in {"refused", "left_out"})
        last = submit(server, good)
        server.wait(lambda: server.state(last) in {"failed", "done"}, what="the good one")
        assert server.state(last) == "done"
        now = processes_of(server.data)
        assert len(before & set(now)) >= 4, "the processes are those that were there before"
        assert max(peak(process) for process in now) < MOST
        assert "Traceback" not in server.log.read_text()


@pytest.mark.slow
def test_each_file_of_a_card_of_them_is_in_a_stack_or_has_its_reason(corpus: Path, tmp_path: Path) -> None:
    card = tmp_path / "card"
    card.mkdir()
    for path in corpus.rglob("NF_*"):
        shutil.copy(path, card / f"{path.suffix[1:]}_{path.name}")
    done = subprocess.run(
        [*nearfar_command(), "sort", str(card), "--json"],
        env=environment({"NEARFAR_MEMORY": "1GiB"}),
        capture_output=True,
        text=True,
        timeout=200,
        check=True,
    )
    found = json.loads(done.stdout)
    told = [path for stack in found["stacks"] for path in stack["frames"]]
    left_out = {entry["path"]: entry["why"] for entry in found["left_out"]}
    assert sorted(Path(path).name for path in (*told, *left_out)) == sorted(p.name for p in card.iterdir())
    assert all(len(why) > 10 for why in left_out.values())
    assert len(left_out) > EACH
