"""The scratch folder: whole outputs or none, one run at a time, nothing trusted from before the machine started."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.errors import WorkFailed
from nearfar.merge import scratch as scratch_module
from nearfar.merge.scratch import Scratch, folder_for, open_scratch

KEY = "0123456789abcdef"


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "results" / "Fern at noon.tif"


@pytest.fixture
def scratch(tmp_path: Path, out: Path) -> Iterator[Scratch]:
    with open_scratch(tmp_path / "scratch", out) as opened:
        yield opened


def names(folder: Path) -> set[str]:
    return {p.name for p in folder.iterdir()}


def test_an_output_is_there_once_it_is_whole(scratch: Scratch) -> None:
    assert not scratch.has(KEY, "rows")
    with scratch.writing(KEY, "rows") as part:
        part.write_bytes(b"12345")
        assert not scratch.has(KEY, "rows")
    assert scratch.has(KEY, "rows")
    assert scratch.has(KEY, "rows", 5)
    assert not scratch.has(KEY, "rows", 6), "of another size: not what was asked for"
    assert scratch.path(KEY, "rows").read_bytes() == b"12345"
    assert not scratch.has(KEY, "survey")
    assert not scratch.has("fedcba", "rows")


def test_a_failed_write_leaves_nothing_and_keeps_what_was(scratch: Scratch) -> None:
    with suppress(ZeroDivisionError), scratch.writing(KEY, "rows") as part:
        part.write_bytes(b"half")
        raise ZeroDivisionError
    assert names(scratch.folder) == {"lock", "boot"}
    with scratch.writing(KEY, "rows") as part:
        part.write_bytes(b"first")
    with suppress(ZeroDivisionError), scratch.writing(KEY, "rows") as part:
        part.write_bytes(b"second, half")
        raise ZeroDivisionError
    assert scratch.path(KEY, "rows").read_bytes() == b"first"
    assert names(scratch.folder) == {"lock", "boot", f"{KEY}.rows"}


def test_arrays_come_back_bit_for_bit_and_one_at_a_time(scratch: Scratch, rng: np.random.Generator) -> None:
    stored: dict[str, NDArray[Any]] = {
        "energy": rng.random((3, 4, 5)).astype(np.float32),
        "small": rng.integers(0, 65536, (7, 2)).astype(np.uint16),
        "lowest": np.array([[np.nan, 1.0]]),
    }
    scratch.save(KEY, "survey", stored)
    small, lowest = scratch.load(KEY, "survey", "small", "lowest")
    np.testing.assert_array_equal(small, stored["small"])
    assert small.dtype == np.uint16
    np.testing.assert_array_equal(lowest, stored["lowest"])


def test_text_comes_back_and_spoilt_text_counts_as_missing(scratch: Scratch) -> None:
    assert scratch.load_text(KEY, "register") is None
    value = {"frames": [1.5, None, "ä"], "pose": [[1.0, 0.1], [2.0, 1e-17]]}
    scratch.save_text(KEY, "register", value)
    assert scratch.load_text(KEY, "register") == value
    scratch.path(KEY, "register").write_text('{"frames": [1.5,', encoding="utf-8")
    assert scratch.load_text(KEY, "register") is None


@pytest.mark.parametrize("spoilt", [b"", b"PK\x03\x04 not a whole archive", b"rows"])
def test_spoilt_arrays_are_told_with_what_to_do(scratch: Scratch, spoilt: bytes) -> None:
    scratch.path(KEY, "survey").write_bytes(spoilt)
    with pytest.raises(WorkFailed, match="not readable.*remove the folder"):
        scratch.load(KEY, "survey", "energy")
    with pytest.raises(WorkFailed, match="not readable"):
        scratch.load("absent", "survey", "energy")


def test_an_array_of_another_name_is_told(scratch: Scratch) -> None:
    scratch.save(KEY, "survey", {"energy": np.zeros(3)})
    with pytest.raises(WorkFailed, match="colour"):
        scratch.load(KEY, "survey", "colour")


def test_parts_of_killed_runs_are_swept_and_outputs_stay(tmp_path: Path, out: Path) -> None:
    base = tmp_path / "scratch"
    with open_scratch(base, out) as before:
        before.save_text("other", "band", 1)
        before.save_text(KEY, "band", 2)
        (before.folder / f"{KEY}.rows.12345.part").write_bytes(b"half")
    with open_scratch(base, out) as now:
        assert names(now.folder) == {"lock", "boot", f"{KEY}.band", "other.band"}
        assert now.size() >= 2
        now.remove()
        assert not now.folder.exists()
    with open_scratch(base, out) as anew:
        assert names(anew.folder) == {"lock", "boot"}


def test_twin_frames_may_be_written_at_the_same_time(scratch: Scratch) -> None:
    """Two threads, one key: each writes its own part, and whichever is last stays."""

    def write(value: int) -> None:
        with scratch.writing(KEY, "rows") as part:
            meet.wait(60)
            part.write_bytes(bytes([value]) * 1000)
            meet.wait(60)

    meet = threading.Barrier(2)
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(write, (1, 2)))
    found = scratch.path(KEY, "rows").read_bytes()
    assert found in (b"\x01" * 1000, b"\x02" * 1000)
    assert names(scratch.folder) == {"lock", "boot", f"{KEY}.rows"}


def hold(base: Path, out: Path, ready: Event) -> None:
    """A run that writes and is then killed."""
    with open_scratch(base, out) as scratch, scratch.writing(KEY, "rows") as part:
        part.write_bytes(b"half")
        ready.set()
        time.sleep(60)


def test_a_killed_run_leaves_a_part_no_output_and_no_lock(tmp_path: Path, out: Path) -> None:
    base = tmp_path / "scratch"
    context = multiprocessing.get_context("spawn")
    ready = context.Event()
    process = context.Process(target=hold, args=(base, out, ready))
    process.start()
    try:
        assert ready.wait(60)
        with (
            pytest.raises(WorkFailed, match="Fern at noon.tif: another run is at work"),
            open_scratch(base, out),
        ):
            pass
    finally:
        assert process.pid is not None
        os.kill(process.pid, signal.SIGKILL)
        process.join()
    assert any(name.endswith(".part") for name in names(folder_for(base, out)))
    with open_scratch(base, out) as scratch:
        assert not scratch.has(KEY, "rows")
        assert names(scratch.folder) == {"lock", "boot"}


def test_a_second_run_on_the_same_picture_is_refused(tmp_path: Path, out: Path, scratch: Scratch) -> None:
    scratch.save_text(KEY, "band", 1)
    with (
        pytest.raises(WorkFailed, match="wait for it, or give --out another name; .*suspended goes on by fg"),
        open_scratch(tmp_path / "scratch", out),
    ):
        pass
    assert scratch.has(KEY, "band"), "the run that holds the lock keeps its outputs"
    with open_scratch(tmp_path / "scratch", out.with_name("Moss.tif")) as other:
        assert other.folder != scratch.folder


def test_after_the_block_the_lock_is_free_again(tmp_path: Path, out: Path) -> None:
    for _ in range(2):
        with open_scratch(tmp_path, out) as scratch:
            scratch.save_text(KEY, "band", 1)
            assert scratch.load_text(KEY, "band") == 1


def test_outputs_from_before_the_machine_started_are_not_trusted(
    tmp_path: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    boot = tmp_path / "boot_id"
    boot.write_text("monday\n", encoding="ascii")
    monkeypatch.setattr(scratch_module, "BOOT", boot)
    with open_scratch(tmp_path, out) as scratch:
        scratch.save_text(KEY, "band", 1)
    with open_scratch(tmp_path, out) as scratch:
        assert scratch.has(KEY, "band")
    boot.write_text("tuesday\n", encoding="ascii")
    with open_scratch(tmp_path, out) as scratch:
        assert names(scratch.folder) == {"lock", "boot"}
    boot.unlink()
    with open_scratch(tmp_path, out) as scratch:
        scratch.save_text(KEY, "band", 1)
    with open_scratch(tmp_path, out) as scratch:
        assert scratch.has(KEY, "band"), "where the system has no such file, outputs are kept"


def test_a_folder_that_cannot_be_written_is_told_with_what_to_do(tmp_path: Path, out: Path) -> None:
    file = tmp_path / "file"
    file.write_bytes(b"")
    with pytest.raises(WorkFailed, match="cannot be written.*--scratch"), open_scratch(file / "below", out):
        pass


def test_folders_are_named_after_the_picture_and_told_apart_by_its_path(tmp_path: Path) -> None:
    one = folder_for(tmp_path, Path("/a/Fern & moss.tif"))
    assert one.parent == tmp_path
    assert one.name.startswith("Fern___moss-")
    assert one != folder_for(tmp_path, Path("/b/Fern & moss.tif"))
    assert one == folder_for(tmp_path, Path("/a/Fern & moss.tif"))
    assert len(folder_for(tmp_path, Path("/a/" + 200 * "x" + ".tif")).name) < 60
    assert folder_for(tmp_path, Path("ab.tif")) == folder_for(tmp_path, Path.cwd() / "ab.tif")
