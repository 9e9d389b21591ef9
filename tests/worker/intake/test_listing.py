"""What is a frame and what is not, by name, place and mark; and in which order frames were taken."""

from __future__ import annotations

import os
import unicodedata
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from nearfar.errors import FrameRefused, InputRefused, StackRefused
from nearfar.frames.camera import CameraData
from nearfar.frames.headers import FrameHeader
from nearfar.intake.listing import gather, in_sequence, list_frames, natural, why_not
from tests.acceptance.command import lay
from tests.worker.frames.makers import exif_bytes, jpeg_bytes, picture

AN_HOUR = timedelta(hours=1)


def touch(folder: Path, *names: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / name).write_bytes(b"x")
    return folder


def header(name: str, taken: datetime | None = None, *, offset: timedelta | None = None) -> FrameHeader:
    return FrameHeader(
        path=Path("card") / name,
        kind="jpeg",
        width=30,
        height=20,
        channels=3,
        bits=8,
        stored_bits=8,
        orientation=1,
        icc=None,
        camera=CameraData(date_time=taken, offset=offset),
        in_parts=True,
        plain=None,
        notes=(),
        decode_bytes=0,
    )


def at(second: float) -> datetime:
    return datetime(2031, 3, 14, 9, 0) + timedelta(seconds=second)


@pytest.mark.parametrize(
    "names",
    [
        ["a2.jpg", "a10.jpg", "a100.jpg"],
        ["A1.jpg", "a2.jpg", "B1.jpg"],
        ["1.jpg", "02.jpg", "3.jpg"],
        ["x.jpg", "x1.jpg", "xa.jpg"],
        ["é1.jpg", unicodedata.normalize("NFD", "é2.jpg"), "é3.jpg"],
    ],
)
def test_names_sort_as_a_person_would(names: list[str]) -> None:
    shuffled = [*names[1:], names[0]]
    assert sorted(shuffled, key=natural) == names


@pytest.mark.parametrize(
    "name",
    [
        *("a.jpg", "A.JPEG", "b.png", "c.tif", "d.TIFF", "e.heic", "f.HIF"),
        *("g.dng", "h.CR2", "i.cr3", "j.NEF", "k.arw", "l.RAF", "m.orf", "n.rw2", "o.pef", "p.3fr", "q.iiq"),
        *("café (1).jpg", "no.dots.here.tif", "$$.png"),
    ],
)
def test_pictures_are_taken_by_their_ending_however_it_is_written(name: str, tmp_path: Path) -> None:
    assert why_not(touch(tmp_path, name) / name) is None


@pytest.mark.parametrize(
    ("name", "words"),
    [
        *(
            (n, "left behind")
            for n in ("._a.jpg", ".DS_Store", "Thumbs.db", "THUMBS.DB", "desktop.ini", "~a.tif")
        ),
        *((n, "left behind") for n in ("a.jpg.part", "b.crdownload", "c.TMP", "d.partial")),
        *(
            (n, "not a picture by its ending")
            for n in ("notes.txt", "a.xmp", "b.mov", "noending", "a.tif.bak", "c.jpg_o")
        ),
    ],
)
def test_everything_else_is_passed_over_with_the_reason(name: str, words: str, tmp_path: Path) -> None:
    assert words in str(why_not(touch(tmp_path, name) / name))


def test_a_sub_folder_is_none_of_the_frames_whatever_its_name(tmp_path: Path) -> None:
    touch(tmp_path, "a.tif")
    (tmp_path / "b.tif").mkdir()
    found = list_frames([tmp_path])
    assert [p.name for p in found.frames] == ["a.tif"]
    assert found.passed_over == ((tmp_path / "b.tif", "a sub-folder"),)


def test_a_file_that_is_named_is_taken_whatever_its_ending(tmp_path: Path) -> None:
    folder = touch(tmp_path, "frame.dat", "other.dat")
    assert list_frames([folder / "frame.dat"]).frames == (folder / "frame.dat",)


def test_what_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="there is no such file or folder"):
        list_frames([tmp_path / "gone"])


def test_a_folder_that_cannot_be_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Path) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "iterdir", refuse)
    with pytest.raises(InputRefused, match=r"the folder cannot be read \(Permission denied\)"):
        list_frames([tmp_path])


def test_nothing_but_other_files_says_which_kinds_there_are(tmp_path: Path) -> None:
    touch(tmp_path, "a.bmp", "b.bmp", "readme")
    with pytest.raises(StackRefused, match=r"no frames found \(3 other entries: .bmp, without an ending\)"):
        list_frames([tmp_path])


@pytest.mark.parametrize(("raw", "twin"), [("D1.NEF", "D1.JPG"), ("d2.cr3", "D2.HIF"), ("a.dng", "a.jpeg")])
def test_of_a_raw_file_and_its_twin_the_raw_file_is_taken(raw: str, twin: str, tmp_path: Path) -> None:
    touch(tmp_path, raw, twin)
    found = list_frames([tmp_path])
    assert [p.name for p in found.frames] == [raw]
    why = f"the same exposure as its raw file ({Path(raw).suffix}), which is taken"
    assert found.passed_over == ((tmp_path / twin, why),)


def test_a_tiff_beside_a_raw_file_is_no_twin(tmp_path: Path) -> None:
    """Somebody developed it on purpose: both are told apart by `check_alike` later."""
    touch(tmp_path, "a.dng", "a.tif")
    assert len(list_frames([tmp_path]).frames) == 2


def test_twins_in_different_folders_are_no_twins(tmp_path: Path) -> None:
    one, two = touch(tmp_path / "one", "a.dng"), touch(tmp_path / "two", "a.jpg")
    assert len(list_frames([one, two]).frames) == 2


def test_one_file_under_two_names_is_one_frame_and_the_link_gives_way(tmp_path: Path) -> None:
    folder = touch(tmp_path / "frames", "b.tif", "c.tif")
    (folder / "a.tif").symlink_to(folder / "b.tif")
    os.link(folder / "c.tif", folder / "d.tif")
    found = list_frames([folder, folder / "b.tif", tmp_path / "frames" / ".." / "frames" / "c.tif"])
    assert [p.name for p in found.frames] == ["b.tif", "c.tif"]
    assert {p.name for p, reason in found.passed_over if reason.startswith("the same file as")} >= {
        "a.tif",
        "d.tif",
    }


def test_a_link_to_a_folder_is_a_folder(tmp_path: Path) -> None:
    folder = touch(tmp_path / "frames", "a.tif")
    (tmp_path / "link").symlink_to(folder)
    assert [p.name for p in list_frames([tmp_path / "link"]).frames] == ["a.tif"]


def test_a_link_to_nothing_stays_so_that_it_is_noticed(tmp_path: Path) -> None:
    (tmp_path / "a.tif").symlink_to(tmp_path / "gone.tif")
    assert len(list_frames([tmp_path]).frames) == 1
    with pytest.raises(FrameRefused, match="a link to nothing"):
        gather([tmp_path])


def test_what_carries_our_mark_is_no_frame(tmp_path: Path) -> None:
    """Tag 0x0131 of TIFF 6.0 and Exif 3.0: Software."""
    (tmp_path / "ours.jpg").write_bytes(jpeg_bytes(picture(), exif=exif_bytes(t305="Nearfar 7.1")))
    (tmp_path / "theirs.jpg").write_bytes(jpeg_bytes(picture(), exif=exif_bytes(t305="Ulmstead firmware 2")))
    found = gather([tmp_path])
    assert [h.path.name for h in found.headers] == ["theirs.jpg"]
    assert found.passed_over == ((tmp_path / "ours.jpg", "a result of Nearfar, not a frame"),)


def test_the_results_that_a_run_will_write_anew_are_not_worth_a_word(tmp_path: Path) -> None:
    (tmp_path / "ours.jpg").write_bytes(jpeg_bytes(picture(), exif=exif_bytes(t305="Nearfar 7.1")))
    (tmp_path / "a.jpg").write_bytes(jpeg_bytes(picture()))
    own = [tmp_path / ".." / tmp_path.name / "ours.jpg", tmp_path / "not there yet.tif"]
    assert gather([tmp_path], own=own).passed_over == ()


def test_several_files_that_cannot_be_read_are_all_named(tmp_path: Path) -> None:
    touch(tmp_path, *(f"{k}.jpg" for k in range(7)))
    with pytest.raises(
        StackRefused, match=r"7 of 7 files cannot be used: 0.jpg: .* \| 4.jpg: .* \| and 2 more$"
    ):
        gather([tmp_path])


def test_two_frames_of_one_name_are_refused(tmp_path: Path) -> None:
    for name in ("one", "two"):
        lay(np.zeros((1, 20, 30, 3), np.uint16), tmp_path / name, names=["a.tif"])
    with pytest.raises(StackRefused, match=r"two frames called a.tif \(.*one/a.tif and .*two/a.tif\)"):
        gather([tmp_path / "one", tmp_path / "two"])


def names_in_order(*frames: FrameHeader) -> list[str]:
    return [h.path.name for h in in_sequence(frames)]


def test_the_clock_rules() -> None:
    assert names_in_order(header("a.jpg", at(3)), header("b.jpg", at(1)), header("c.jpg", at(2))) == [
        *("b.jpg", "c.jpg", "a.jpg"),
    ]


@pytest.mark.parametrize(
    "times",
    [(None, None, None), (at(3), None, at(1)), (at(1), at(1), at(1))],
    ids=["none", "one missing", "all alike"],
)
def test_names_rule_where_the_clock_cannot(times: tuple[datetime | None, ...]) -> None:
    frames = [header(name, time) for name, time in zip(("a10.jpg", "a9.jpg", "a11.jpg"), times, strict=True)]
    assert names_in_order(*frames) == ["a9.jpg", "a10.jpg", "a11.jpg"]


def test_clocks_with_and_without_a_zone_are_not_compared() -> None:
    frames = (header("a.jpg", at(3), offset=AN_HOUR), header("b.jpg", at(1)))
    assert names_in_order(*frames) == ["a.jpg", "b.jpg"]


def test_zones_count() -> None:
    frames = (header("a.jpg", at(60), offset=AN_HOUR), header("b.jpg", at(0), offset=timedelta(0)))
    assert names_in_order(*frames) == ["a.jpg", "b.jpg"]


@pytest.mark.parametrize("time", [None, at(0)])
def test_a_counter_goes_on_after_9999(time: datetime | None) -> None:
    """DCF (CIPA DC-009): four digits from 0001 to 9999, then from the start."""
    names = ["D_9998.jpg", "D_9999.jpg", "D_0001.jpg", "D_0002.jpg"]
    assert names_in_order(*(header(n, time) for n in sorted(names))) == names


def test_ties_of_a_clock_without_fractions_are_broken_by_the_counter() -> None:
    frames = [header("D_9999.jpg", at(1)), header("D_0001.jpg", at(1)), header("D_9998.jpg", at(0))]
    assert names_in_order(*frames) == ["D_9998.jpg", "D_9999.jpg", "D_0001.jpg"]


@pytest.mark.parametrize(
    "names",
    [
        ["D_0001.jpg", "D_0002.jpg", "D_9000.jpg"],
        ["D_0999.jpg", "D_4000.jpg", "D_8000.jpg", "D_9999.jpg"],
        ["D_00001.jpg", "D_09999.jpg"],
        ["scan 1.jpg", "scan 9999.jpg"],
    ],
)
def test_numbers_that_merely_lie_far_apart_did_not_start_again(names: list[str]) -> None:
    assert names_in_order(*(header(n) for n in reversed(names))) == names
