"""Mends carried out: new tiles in a new file, the old version kept, undo to the very bytes."""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from nearfar.frames.delivered import Delivered
from nearfar.jobs import MendState
from nearfar.merge.mending import frames
from nearfar.runner.results.sweep import DAY, Sweeper
from nearfar.runner.results.versions import earlier, first_picture
from nearfar.server_tables import KeepTable
from tests.worker.runner.mending.mended import BOX, SIZE, Mending
from tests.worker.runner.serving import settings_for


def test_a_mend_changes_its_region_and_nothing_else(mending: Mending) -> None:
    before = mending.pixels()
    mending.mend(use="frame", frame=1, edge=10)
    after = mending.pixels()
    changed = (before != after).any(axis=2)
    x, y, w, h = BOX
    assert changed[y : y + h, x : x + w].mean() > 0.3
    changed[y - 10 : y + h + 10, x - 10 : x + w + 10] = False
    assert not changed.any()


def test_other_tiles_keep_their_bytes_and_the_levels_follow(mending: Mending) -> None:
    first = mending.picture.read_bytes()
    mending.mend(use="frame", frame=1)
    kept = earlier(mending.picture)[0]
    assert kept.picture.read_bytes() == first
    with Delivered(kept.picture) as old, Delivered(mending.picture) as new:
        assert len(new.levels) == len(old.levels) == 2
        same = [
            [old.coded((n, k)) == new.coded((n, k)) for k in range(len(level.counts))]
            for n, level in enumerate(new.levels)
        ]
    assert same == [[False, True, True, True], [False]]
    whole = mending.pixels().astype(np.uint32)
    with tifffile.TiffFile(mending.picture) as file:
        half = file.series[0].levels[1].asarray()
    means = (whole[::2, ::2] + whole[1::2, ::2] + whole[::2, 1::2] + whole[1::2, 1::2] + 2) // 4
    assert np.array_equal(half, means)


def test_undo_to_none_gives_back_the_very_bytes(mending: Mending) -> None:
    first = mending.picture.read_bytes()
    one = mending.mend(use="smooth")
    shown = mending.picture.read_bytes()
    two = mending.mend(use="quiet", box=[300, 200, 100, 100])
    mending.store.undo_mend(mending.job, two, who="ada")
    mending.carry_out()
    assert mending.picture.read_bytes() == shown
    mending.store.undo_mend(mending.job, one, who="ada")
    mending.carry_out()
    assert mending.picture.read_bytes() == first
    assert mending.state is MendState.NONE
    mending.store.redo_mend(mending.job, one, who="ada")
    mending.carry_out()
    assert mending.picture.read_bytes() == shown
    assert mending.made() == 0, "the tiles are there, in a version that is kept"


def test_further_mends_make_only_the_tiles_that_they_touch(mending: Mending) -> None:
    mending.mend(use="frame", frame=1)
    assert mending.made() == 2  # one of the finest level, one of the next
    mending.mend(use="frame", frame=2, box=[600, 530, 50, 20])
    assert mending.made() == 2
    assert len(mending.report()["mends"]) == 2


def test_the_report_tells_what_was_mended_by_whom_and_when(mending: Mending) -> None:
    first = mending.report()
    number = mending.mend(use="frame", frame=2, edge=7)
    told = mending.report()
    (mend,) = told.pop("mends")
    assert told.pop("version")["number"] == 2
    assert told == first
    assert mend.pop("when") == mending.store.mends(mending.job)[0].made
    name = mending.subject.frames[2]
    assert mend == {
        "number": number,
        "region": "xywh=40,60,200,150",
        "use": "frame",
        "frame": name,
        "edge": 7,
        "who": "ada",
    }
    text = mending.picture.with_name(f"{mending.picture.stem}.report.txt").read_text(encoding="utf-8")
    assert f"{name} in xywh=40,60,200,150" in text


def test_profile_camera_data_and_preview_come_along(mending: Mending) -> None:
    preview = mending.picture.with_name(f"{mending.picture.stem}.preview.jpg")
    before = preview.read_bytes()
    with Delivered(mending.picture) as old:
        mending.mend(use="frame", frame=1)
        with Delivered(mending.picture) as new:
            assert (new.icc, new.exif, new.gps) == (old.icc, old.exif, old.gps)
            places = {324, 325, 330, 34665, 34853}
            for a, b in zip(old.levels, new.levels, strict=True):
                assert {k: v for k, v in a.tags.items() if k not in places} == {
                    k: v for k, v in b.tags.items() if k not in places
                }
    after = preview.read_bytes()
    assert after != before
    icc, exif = before.index(b"ICC_PROFILE"), before.index(b"Exif")
    assert after[: max(icc, exif) + 100] == before[: max(icc, exif) + 100]


def test_older_versions_go_but_the_first_one_stays(mending: Mending) -> None:
    object.__setattr__(mending.mender, "settings", settings_for(mending.places.data, keep={"versions": 1}))
    first = mending.picture.read_bytes()
    for k in range(4):
        mending.mend(use="smooth", box=[10 + 20 * k, 10, 15, 15])
    found = earlier(mending.picture)
    assert [version.number for version in found] == [1, 4]
    assert found[0].picture.read_bytes() == first
    assert found[1].mends == (1, 2, 3)
    assert first_picture(mending.picture) == found[0].picture


@pytest.mark.parametrize("touched", [False, True])
def test_earlier_versions_go_with_their_result_and_what_a_person_keeps_there_stays(
    mending: Mending, touched: bool
) -> None:
    mending.mend(use="smooth")
    mending.mend(use="smooth", box=[300, 200, 30, 30])
    folder = mending.picture.parent
    late = time.time() + 3 * DAY
    kept = folder / "earlier" / "2" / mending.picture.name
    if touched:
        os.utime(kept, (late, late))
    keep = KeepTable(results=1.0)
    Sweeper(store=mending.store, places=mending.places, keep=keep, now=lambda: late).later()
    assert [path for path in folder.rglob("*") if path.is_file()] == ([kept] if touched else [])
    assert folder.exists() == touched


def test_a_frame_that_is_gone_is_told_of_and_the_picture_stays(mending: Mending) -> None:
    before = mending.picture.read_bytes()
    path = Path(mending.store.frames(mending.job)[0].path)
    moved = path.rename(path.with_suffix(".gone"))
    mending.want(use="frame", frame=1)
    for _ in range(3):
        mending.mender.turn()
    found = mending.store.mending([mending.job])[mending.job]
    assert found.state is MendState.FAILED
    assert path.name in str(found.reason)
    assert "put it back" in str(found.reason)
    assert mending.picture.read_bytes() == before
    moved.rename(path)
    mending.mend(use="smooth", box=[300, 300, 20, 20])
    assert len(mending.report()["mends"]) == 2, "what was wanted before is not forgotten"


def test_frames_that_were_moved_after_the_merge_are_found(mending: Mending) -> None:
    paths = [Path(frame.path) for frame in mending.store.frames(mending.job)]
    target = mending.places.moved / mending.picture.parent.name
    target.mkdir(parents=True)
    (target / paths[0].name).write_bytes(b"another file of that name")
    target = target.with_name(f"{target.name}-2")
    target.mkdir()
    for path in paths:
        path.rename(target / path.name)
    before = mending.picture.read_bytes()
    mending.mend(use="frame", frame=1)
    assert mending.picture.read_bytes() != before


def test_a_frame_that_is_another_now_is_refused(mending: Mending) -> None:
    paths = [Path(frame.path) for frame in mending.store.frames(mending.job)]
    paths[0].write_bytes(paths[1].read_bytes())
    mending.want(use="frame", frame=1)
    mending.mender.turn()
    found = mending.store.mending([mending.job])[mending.job]
    assert found.state is MendState.FAILED
    assert "other contents" in str(found.reason)


def test_without_the_first_picture_nothing_is_mended(mending: Mending) -> None:
    mending.mend(use="smooth")
    shutil.rmtree(mending.picture.parent / "earlier")
    before = mending.picture.read_bytes()
    mending.want(use="smooth", box=[300, 300, 20, 20])
    for _ in range(3):
        mending.mender.turn()
    assert "first picture is not there" in str(mending.store.mending([mending.job])[mending.job].reason)
    assert mending.picture.read_bytes() == before


def test_bytes_are_the_same_for_any_number_of_threads(mending: Mending) -> None:
    mending.mend(use="quiet", box=[400, 100, 200, 400])
    first = mending.picture.read_bytes()
    mending.store.undo_mend(mending.job, 1, who="ada")
    mending.carry_out()
    shutil.rmtree(mending.places.state / "mends")
    mending.mender.threads = 1
    mending.store.redo_mend(mending.job, 1, who="ada")
    mending.carry_out()
    assert mending.made() > 0
    assert mending.picture.read_bytes() == first


def test_frames_beyond_what_fits_in_memory_lie_in_scratch(
    mending: Mending, monkeypatch: pytest.MonkeyPatch
) -> None:
    mending.mend(use="map", box=[100, 100, 300, 300])
    first = mending.picture.read_bytes()
    mending.store.undo_mend(mending.job, 1, who="ada")
    mending.carry_out()
    shutil.rmtree(mending.places.state / "mends")
    monkeypatch.setattr("nearfar.runner.mending.work.IN_MEMORY", 0)
    mending.store.redo_mend(mending.job, 1, who="ada")
    mending.carry_out()
    assert mending.picture.read_bytes() == first
    assert not [p for p in mending.places.scratch.iterdir() if p.is_file()]


def test_stopping_hands_back_what_is_carried_out_later(
    mending: Mending, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = mending.picture.read_bytes()
    carried = frames.Carrier.carried

    def stops(self: Any, box: Any) -> Any:
        mending.mender.stop.set()
        return carried(self, box)

    mending.want(use="frame", frame=1, box=[0, 0, *SIZE])
    with monkeypatch.context() as patched:
        patched.setattr(frames.Carrier, "carried", stops)
        mending.mender.threads = 1
        assert mending.mender.turn()
    assert mending.state is MendState.WORKING
    assert mending.picture.read_bytes() == before
    assert mending.bench.parts() == []
    mending.mender.stop.clear()
    mending.carry_out()
    assert mending.picture.read_bytes() != before
