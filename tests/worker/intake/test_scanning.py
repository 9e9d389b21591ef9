"""Which files below a watched folder are frames of which stack, and which are passed over: real files, our own clock."""

from __future__ import annotations

import os
import unicodedata
from pathlib import Path

import pytest

from nearfar.intake.state import InboxState, StateWriter, read_state, readable
from nearfar.places import places_of
from nearfar.server_settings import load_server
from tests.worker.frames.makers import jpeg_bytes, picture, write_dng, write_tiff
from tests.worker.intake.watched import Watching, ignored, lay_frames, names_of


def test_every_folder_with_frames_in_it_is_a_stack_at_any_depth(watching: Watching) -> None:
    lay_frames(watching.root / "moss", "1.tif", "2.tif")
    lay_frames(watching.root / "day" / "beetle" / "a", "1.tif", "2.tif", first=7)
    (watching.root / "empty").mkdir()
    found = watching.settle()
    assert {path: each.entry.stack for path, each in found.items()} == {
        "moss": "moss",
        "day/beetle/a": "day-beetle-a",
    }
    assert all(each.arrival for each in found.values())


def test_a_folder_moved_in_as_a_whole_is_found_with_all_that_is_in_it(
    watching: Watching, tmp_path: Path
) -> None:
    lay_frames(tmp_path / "elsewhere" / "deep" / "down", "1.tif", "2.tif")
    watching.look()
    (tmp_path / "elsewhere").rename(watching.root / "shoot")
    assert names_of(watching.settle()["shoot/deep/down"]) == ["1.tif", "2.tif"]


@pytest.mark.parametrize(
    "name",
    [
        "two\nlines",
        'it\'s "quoted"',
        unicodedata.normalize("NFD", "Käfer"),
        "50 % of; it",
        os.fsdecode(b"caf\xe9"),
    ],
)
def test_any_name_that_a_disk_can_hold_works(watching: Watching, name: str) -> None:
    lay_frames(watching.root / name, f"{name} 1.tif", f"{name} 2.tif")
    found = watching.settle()[name]
    assert len(names_of(found)) == 2
    found.entry.stack.encode("utf-8")
    assert "\n" not in found.entry.stack
    assert unicodedata.is_normalized("NFC", found.entry.stack)
    places = places_of(load_server({"server": {"data": watching.state.parent}}, environment={}))
    state = InboxState(entries=[found.entry])
    assert StateWriter(places).write(state, now=0.0, wall=1.0)
    assert [entry.path for entry in read_state(places).entries] == [readable(str(watching.root / name))]
    readable(str(watching.root / name)).encode("utf-8")


def test_frames_come_in_the_order_they_were_taken_past_the_roll_over_of_the_counter(
    watching: Watching,
) -> None:
    lay_frames(watching.root / "a", "DSC_9998.tif", "DSC_9999.tif", "DSC_0001.tif", "DSC_0002.tif")
    assert names_of(watching.settle()["a"]) == [
        "DSC_9998.tif",
        "DSC_9999.tif",
        "DSC_0001.tif",
        "DSC_0002.tif",
    ]


def test_ten_comes_after_two(watching: Watching) -> None:
    lay_frames(watching.root / "a", "10.tif", "2.tif", "1.tif")
    assert names_of(watching.settle()["a"]) == ["1.tif", "2.tif", "10.tif"]


def test_raw_and_jpeg_of_one_exposure_are_one_frame(watching: Watching) -> None:
    folder = watching.root / "a"
    folder.mkdir()
    for number in range(2):
        write_dng(folder / f"{number}.dng", height=32, width=32)
        (folder / f"{number}.jpg").write_bytes(jpeg_bytes(picture(height=8, width=8, seed=number)))
    (folder / "nearfar.expect").write_text("2\n")
    found = watching.settle()["a"]
    assert names_of(found) == ["0.dng", "1.dng"]
    assert "same exposure" in ignored(found.entry)["0.jpg"]
    assert found.arrival is not None
    assert [Path(path).name for path in found.arrival.contents.companions] == ["0.jpg", "1.jpg"]


def test_twins_that_differ_in_case_alone_are_two_frames(watching: Watching) -> None:
    folder = watching.root / "a"
    folder.mkdir()
    for number, name in enumerate(["1.JPG", "1.jpg"]):
        (folder / name).write_bytes(jpeg_bytes(picture(height=8, width=8, seed=number)))
    assert sorted(names_of(watching.settle()["a"])) == ["1.JPG", "1.jpg"]


JUNK = ["._1.tif", ".DS_Store", "Thumbs.db", "desktop.ini", "notes.txt", "~$doc", "1.xmp", "1.tif.xmp"]


def test_junk_is_passed_over_and_listed_with_the_reason(watching: Watching) -> None:
    folder = watching.root / "a"
    lay_frames(folder, "1.tif", "2.tif")
    for name in JUNK:
        (folder / name).write_bytes(b"x")
    for name in (".AppleDouble", ".Trashes", ".Spotlight-V100", "@eaDir", "#recycle", ".stfolder"):
        lay_frames(folder / name, "1.tif")
    found = watching.settle()
    assert list(found) == ["a"]
    assert names_of(found["a"]) == ["1.tif", "2.tif"]
    listed = ignored(found["a"].entry)
    assert listed.keys() >= {*JUNK, ".AppleDouble", "@eaDir", "#recycle"}
    assert all(listed.values())


def test_own_patterns_are_passed_over_too(tmp_path: Path) -> None:
    watching = Watching(tmp_path, ignore=["*_Proof.tif"])
    lay_frames(watching.root / "a", "1.tif", "2.tif", "1_proof.tif")
    found = watching.settle()["a"]
    assert names_of(found) == ["1.tif", "2.tif"]
    assert "inbox.ignore" in ignored(found.entry)["1_proof.tif"]


def test_a_folder_of_junk_alone_says_so(watching: Watching) -> None:
    (watching.root / "a").mkdir()
    (watching.root / "a" / "notes.txt").write_text("x")
    entry = watching.settle()["a"].entry
    assert (entry.state, entry.why) == ("ignored", "there is no frame in it")


def test_links_out_of_the_tree_are_not_followed_and_named(watching: Watching, tmp_path: Path) -> None:
    outside = lay_frames(tmp_path / "outside", "x.tif")[0]
    folder = watching.root / "a"
    frames = lay_frames(folder, "1.tif", "2.tif")
    (folder / "out.tif").symlink_to(outside)
    (folder / "out").symlink_to(outside.parent)
    (folder / "nowhere.tif").symlink_to(watching.root / "gone.tif")
    (folder / "loop").symlink_to(watching.root)
    (folder / "in.tif").symlink_to(frames[0])
    found = watching.settle()
    assert list(found) == ["a"]
    # a link within the tree shows a frame that is there already
    assert names_of(found["a"]) == ["1.tif", "2.tif"]
    listed = ignored(found["a"].entry)
    assert "leads out" in listed["out.tif"]
    assert "leads out" in listed["out"]
    assert "link to a file in" in listed["nowhere.tif"]
    assert "link to a folder" in listed["loop"]
    assert "same file" in listed["in.tif"]


def test_results_of_nearfar_are_no_frames(watching: Watching) -> None:
    folder = watching.root / "a"
    lay_frames(folder, "1.tif", "2.tif")
    write_tiff(folder / "sharp.tif", picture(height=8, width=8, seed=9), software="Nearfar 1.0")
    found = watching.settle()["a"]
    assert names_of(found) == ["1.tif", "2.tif"]
    assert ignored(found.entry)["sharp.tif"] == "a result of Nearfar, not a frame"
    for name in ("1.tif", "2.tif"):
        (folder / name).unlink()
    assert watching.settle()["a"].entry.state == "ignored"


def test_folders_that_are_excluded_are_not_looked_into(tmp_path: Path) -> None:
    inner = tmp_path / "inbox" / "inner"
    watching = Watching(tmp_path, excluded=[str(inner)])
    lay_frames(inner, "1.tif")
    assert "inner" not in watching.settle()
