"""The plan: what fits is planned within its limit, what does not is refused with the limit that would do."""

from __future__ import annotations

import re
import resource
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from nearfar.errors import DoesNotFit
from nearfar.frames.camera import CameraData
from nearfar.frames.headers import FrameHeader, PlainRows
from nearfar.merge import plan as planning
from nearfar.merge.plan import (
    Plan,
    allow_open_files,
    check_disk,
    make_plan,
)

MIB = 1 << 20
GIB = 1 << 30


def header(**change: Any) -> FrameHeader:
    values: dict[str, Any] = {
        "path": Path("F1.jpg"),
        "kind": "jpeg",
        "width": 6000,
        "height": 4000,
        "channels": 3,
        "bits": 8,
        "stored_bits": 8,
        "orientation": 1,
        "icc": None,
        "camera": CameraData(),
        "in_parts": False,
        "plain": None,
        "notes": (),
        "decode_bytes": 20 * MIB,
    }
    return FrameHeader(**values | change)


def plan(
    count: int = 12, *, limit: int = 2 * GIB, threads: int = 4, base: int = 60 * MIB, **change: Any
) -> Plan:
    return make_plan([header(**change)] * count, limit=limit, threads=threads, tile=256, base=base)


@pytest.mark.parametrize("limit", [400 * MIB, 700 * MIB, 2 * GIB, 64 * GIB])
@pytest.mark.parametrize("count", [1, 12, 120, 1000])
def test_what_is_planned_stays_within_the_limit(count: int, limit: int) -> None:
    made = plan(count, limit=limit)
    assert 0 < made.peak <= limit
    assert made.ceiling < limit
    assert 1 <= made.threads <= 4
    assert 1 <= made.survey_threads <= 4


def test_memory_does_not_depend_on_the_number_of_frames() -> None:
    few, many = plan(3), plan(3000)
    assert replace(few, scratch=0) == replace(many, scratch=0)
    assert many.scratch == 3000 * (few.scratch - 12 * 24_000_000) // 3 + 12 * 24_000_000


def test_less_memory_means_fewer_threads_before_it_means_no() -> None:
    threads = [plan(limit=limit * MIB, threads=16).survey_threads for limit in (350, 500, 900, 2000, 4000)]
    assert threads == sorted(threads)
    assert threads[0] < threads[-1] == 16


def test_more_threads_than_asked_for_are_never_planned() -> None:
    made = plan(limit=64 * GIB, threads=3)
    assert (made.threads, made.survey_threads) == (3, 3)


@pytest.mark.parametrize(
    "change", [{}, {"bits": 16}, {"width": 12_000, "height": 9000}, {"decode_bytes": 3 * GIB}]
)
def test_the_limit_that_would_do_does_and_a_little_less_does_not(change: dict[str, Any]) -> None:
    with pytest.raises(DoesNotFit) as refused:
        plan(limit=64 * MIB, **change)
    assert refused.value.exit_code == 5
    found = re.search(r"Give --memory (\d+)MiB or more\.", str(refused.value))
    assert found is not None
    enough = int(found[1]) * MIB
    assert plan(limit=enough, **change).peak <= enough
    with pytest.raises(DoesNotFit):
        plan(limit=enough - 32 * MIB, **change)


def test_the_refusal_says_what_was_to_be_merged() -> None:
    with pytest.raises(
        DoesNotFit, match=r"^12 frames of 6000 x 4000 pixels: 64 MiB of memory is not enough; the least "
    ):
        plan(limit=64 * MIB)


def test_frames_that_can_be_mapped_need_no_scratch_for_their_pixels() -> None:
    rows = PlainRows(offset=8, row_stride=6000 * 6, pixel_stride=6, plane_stride=2)
    mapped, laid = plan(10, bits=16, plain=rows), plan(10, bits=16)
    assert laid.scratch - mapped.scratch == pytest.approx(10 * 6000 * 4000 * 6, rel=0.02)


def test_the_result_is_counted_with_its_reduced_levels() -> None:
    """A pyramid takes a third more; Deflate may not shrink noise at all."""
    assert plan().result >= 6000 * 4000 * 6 * 4 / 3
    assert plan(channels=1).result == plan().result // 3


def test_a_full_disk_is_refused_with_what_is_free_and_what_is_needed(tmp_path: Path) -> None:
    made = plan(2)
    check_disk(made, scratch=tmp_path, there=0, out=tmp_path)
    vast = replace(made, scratch=1 << 60)
    with pytest.raises(
        DoesNotFit, match=r"of disk are free, 1048576 TiB are needed\. Make room there, or name a "
    ):
        check_disk(vast, scratch=tmp_path, there=0, out=tmp_path)
    check_disk(vast, scratch=tmp_path, there=1 << 60, out=tmp_path)


def test_a_small_picture_needs_little_more_than_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With 30 MiB free a picture of 2 MB was refused: 256 MiB were to stay free, whatever its size."""
    small = plan(6, width=600, height=400)
    need = small.scratch + small.result
    assert need < 11 * MIB
    usage = SimpleNamespace(free=need + need // 8 + 8 * MIB)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    check_disk(small, scratch=tmp_path, there=0, out=tmp_path)
    usage.free -= 1
    with pytest.raises(DoesNotFit, match=r"are needed"):
        check_disk(small, scratch=tmp_path, there=0, out=tmp_path)


def test_on_one_disk_scratch_and_result_count_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = replace(plan(2), scratch=GIB, result=GIB)
    (tmp_path / "out").mkdir()
    free = 2 * GIB + planning.SPARE_DISK

    usage = SimpleNamespace(free=free)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    check_disk(made, scratch=tmp_path, there=0, out=tmp_path / "out")
    usage.free = free - 1
    for out in (tmp_path, tmp_path / "out"):
        with pytest.raises(DoesNotFit):
            check_disk(made, scratch=tmp_path, there=0, out=out)


@pytest.fixture
def open_files() -> Iterator[tuple[int, int]]:
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    yield before
    resource.setrlimit(resource.RLIMIT_NOFILE, before)


def test_the_limit_of_open_files_is_raised_where_it_would_not_do(open_files: tuple[int, int]) -> None:
    hard = open_files[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (300, hard))
    allow_open_files(100)
    assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] == 300
    allow_open_files(250)
    assert resource.getrlimit(resource.RLIMIT_NOFILE) == (250 + planning.OTHER_FILES, hard)


def test_more_frames_than_files_may_be_open_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resource, "getrlimit", lambda _: (256, 1024))
    with pytest.raises(DoesNotFit, match=r"1000 frames: the system allows 1024 open files, 1128 are needed"):
        allow_open_files(1000)
