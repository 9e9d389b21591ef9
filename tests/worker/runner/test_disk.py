"""Space on disks: told when it runs short and when it is back, and believed only while someone looks."""

from __future__ import annotations

import json
import shutil
import time
from pathlib import Path

import pytest

from nearfar.places import Places
from nearfar.runner import disk
from nearfar.runner.disk import DiskWatch, free_bytes, read_disk, short_of_space, write_whole

GIB = 1 << 30


class Disks:
    """Free bytes by folder."""

    def __init__(self) -> None:
        self.free: dict[Path, int] = {}

    def __call__(self, folder: Path) -> int:
        return self.free.get(folder, 1000 * GIB)


def test_a_disk_that_runs_short_is_told_of_with_figures_and_with_what_to_do(places: Places) -> None:
    disks = Disks()
    watch = DiskWatch(places, 2 * GIB, free=disks)
    assert not watch.look().low
    assert not read_disk(places).low
    disks.free[places.work] = GIB
    assert watch.look().low
    told = read_disk(places)
    assert told.low
    for part in (str(places.work), "1 GiB free", "2 GiB are to stay", "Make room", "worker.spare_disk"):
        assert part in str(told.reason)


def test_all_goes_on_once_there_is_clearly_enough_again(places: Places) -> None:
    disks = Disks()
    watch = DiskWatch(places, 100 * GIB, free=disks)
    disks.free[places.results] = 99 * GIB
    states = []
    for free in (99, 101, 104, 106, 101):
        disks.free[places.results] = free * GIB
        states.append(watch.look().low)
    assert states == [True, True, True, False, False]
    assert not read_disk(places).low


def test_what_nobody_renews_is_not_believed(places: Places) -> None:
    disks = Disks()
    disks.free[places.data] = 0
    watch = DiskWatch(places, GIB, free=disks)
    watch.look()
    file = places.state / disk.NAME
    told = json.loads(file.read_text())
    file.write_text(json.dumps(told | {"written": time.time() - disk.TRUSTED - 1}))
    assert not read_disk(places).low


@pytest.mark.parametrize(
    "content", ["", "{", "[]", '{"low": true}', '{"low": true, "reason": 1, "written": "x"}']
)
def test_what_cannot_be_read_says_nothing(places: Places, content: str) -> None:
    (places.state / disk.NAME).write_text(content)
    assert not read_disk(places).low


def test_a_state_that_lasts_is_written_again_now_and_then(
    places: Places, monkeypatch: pytest.MonkeyPatch
) -> None:
    disks = Disks()
    disks.free[places.data] = 0
    watch = DiskWatch(places, GIB, free=disks)
    first = watch.look().written
    assert watch.look().written == first
    real = time.time
    monkeypatch.setattr(time, "time", lambda: real() + disk.TOLD_AGAIN + 1)
    assert watch.look().written > first


def test_free_bytes_are_those_of_the_standard_library(tmp_path: Path) -> None:
    assert abs(free_bytes(tmp_path) - shutil.disk_usage(tmp_path).free) < GIB
    assert abs(free_bytes(tmp_path / "not" / "there") - shutil.disk_usage(tmp_path).free) < GIB


def test_room_leaves_what_is_to_stay_free(places: Places) -> None:
    assert 0 < disk.room(places, GIB) < free_bytes(places.work)
    assert disk.room(places, 1 << 60) == 0


def test_a_small_file_is_whole_or_as_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "state.json"
    write_whole(file, "old")

    def full(self: Path, *_: object, **__: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(file, "new")
    assert file.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [file]


def test_a_disk_that_is_too_full_for_telling_is_seen_by_who_asks(
    places: Places, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert short_of_space(places, 1) is None
    real = shutil.disk_usage(places.data)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: real._replace(free=0))
    said = short_of_space(places, GIB)
    assert f"the disk of {places.data} has 0 B free and 1 GiB are to stay free" in str(said)
    DiskWatch(places, GIB, free=lambda _: GIB // 2).look()
    assert "has 512 MiB free" in str(short_of_space(places, GIB)), "what was told goes first"
