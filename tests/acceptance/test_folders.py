"""What lies in a folder besides frames, how frames are named, and in which order they come."""

from __future__ import annotations

import os
import shutil
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from tests.acceptance.command import (
    SIDE_FILES,
    anew,
    digests,
    lay,
    merge,
    merged,
    quality,
    report_of,
    samples,
    side_files,
    tags_of,
)
from tests.scenes import Camera, Scene, frame_bytes


def _names(report: dict[str, Any]) -> list[str]:
    return [f["name"] for f in report["frames"]]


def test_what_systems_and_copy_programs_leave_behind_is_passed_over_and_named(
    undisturbed: Any, frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder = frames()
    for name in (
        "._F0001.tif",
        "Thumbs.db",
        "F0009.tif.part",
        "notes.txt",
        "F0001.xmp",
        "~F0001.tif",
        ".DS_Store",
    ):
        (folder / name).write_bytes(b"junk")
    (folder / "rejected").mkdir()
    shutil.copy(folder / "F0001.tif", folder / "rejected" / "F0010.tif")
    done = merge(folder, tmp_path / "picture.tif")
    assert done.code == 0
    assert (samples(tmp_path / "picture.tif") == samples(undisturbed.out)).all()
    for name in ("._F0001.tif", "Thumbs.db", "F0009.tif.part", "notes.txt", "F0001.xmp", "rejected"):
        assert any(line.startswith("passed over ") and repr(name) in line for line in done.err.splitlines())
    assert any("notes.txt" in note for note in report_of(tmp_path / "picture.tif")["notes"])


def test_a_result_in_the_folder_of_its_frames_is_never_taken_for_one(
    undisturbed: Any, frames: Callable[..., Path]
) -> None:
    folder = frames()
    originals = digests(folder)
    for name in ("picture.tif", "another.tif", "picture.tif", "another.tif"):
        report = merged(folder, folder / name)
        assert _names(report) == [f"F000{k}.tif" for k in range(1, 8)]
        assert (samples(folder / name) == samples(undisturbed.out)).all()
    assert digests(folder).items() >= originals.items()


@pytest.mark.parametrize("ending", ["tif", *(e for e in SIDE_FILES if e.endswith(("tif", "jpg", "png")))])
def test_each_part_of_a_result_is_known_as_ours_even_alone_and_renamed(
    ending: str, undisturbed: Any, frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder = frames(count=2)
    source = undisturbed.out if ending == "tif" else side_files(undisturbed.out)[ending]
    stray = folder / f"a stray{source.suffix}"
    shutil.copy(source, stray)
    done = merge(folder, tmp_path / "picture.tif")
    assert f"passed over {stray.name!r}: a result of Nearfar, not a frame" in done.err
    assert _names(report_of(tmp_path / "picture.tif")) == ["F0001.tif", "F0002.tif"]


def test_a_result_that_an_editor_saved_under_its_own_name_is_still_no_frame(
    undisturbed: Any, frames: Callable[..., Path], tmp_path: Path
) -> None:
    """Editors write themselves into the tag Software and keep the XMP packet."""
    folder = frames(count=2)
    data = undisturbed.out.read_bytes()
    mark = str(tags_of(undisturbed.out)[305]).encode() + b"\0"
    (folder / "edited.tif").write_bytes(data.replace(mark, b"Oxgall 9".ljust(len(mark), b"\0")))
    assert tags_of(folder / "edited.tif")[305] == "Oxgall 9"
    done = merge(folder, tmp_path / "picture.tif")
    assert "passed over 'edited.tif': a result of Nearfar, not a frame" in done.err


def test_one_frame_is_no_stack(frames: Callable[..., Path], tmp_path: Path) -> None:
    done = merge(frames(count=1), tmp_path / "picture.tif")
    assert done.code == 3
    assert done.message.startswith("found 1 frame to merge; expected at least two")
    assert not (tmp_path / "picture.tif").exists()


def test_results_alone_are_no_stack(undisturbed: Any, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    shutil.copy(undisturbed.out, tmp_path / "folder" / "x.tif")
    done = merge(tmp_path / "folder", tmp_path / "picture.tif")
    assert done.code == 3
    assert "only results of Nearfar were found" in done.message


def test_a_picture_that_is_not_ours_is_not_written_over(frames: Callable[..., Path], tmp_path: Path) -> None:
    """It may be the original of another stack."""
    folder = frames(count=3)
    for target, out in (("other.tif", "other.tif"), ("picture.preview.jpg", "picture.tif")):
        kind = "jpeg" if target.endswith("jpg") else "tiff16"
        lay(np.zeros((1, 20, 30, 3), np.uint16), tmp_path, names=[target], format=kind)
        before = digests(tmp_path)
        done = merge(folder, tmp_path / out)
        assert done.code == 2
        assert done.message.startswith(f"{tmp_path / target} is a picture that Nearfar did not make")
        assert digests(tmp_path) == before


def test_anything_else_under_the_name_is_replaced(frames: Callable[..., Path], tmp_path: Path) -> None:
    (tmp_path / "picture.tif").write_text("old")
    merged(frames(count=2), tmp_path / "picture.tif")
    assert samples(tmp_path / "picture.tif").shape == (360, 480, 3)


ODD_NAMES = (
    *("line\nbreak.tif", "quote'\"`.tif", unicodedata.normalize("NFD", "Blüte é.tif"), "two  spaces .tif"),
    *(
        "\N{OWL} at night.tif",
        "-rf.tif",
        "$HOME;`ls`.tif",
        "100%s %d{x}.TIF",
        "\x1b[31mred.tif",
        "\u202egnp.tif",
    ),
)


def test_any_name_will_do(scene: Scene, tmp_path: Path) -> None:
    """Ten frames under names that shells, terminals and XML stumble over."""
    picked = [0, 1, 1, 2, 2, 3, 4, 5, 6, 6]
    lay(scene.frames[picked], tmp_path / "frames", names=ODD_NAMES)
    done = merge(tmp_path / "frames", tmp_path / "ü \N{OWL}'s.tif")
    assert done.code == 0
    report = report_of(tmp_path / "ü \N{OWL}'s.tif")
    assert _names(report) == list(ODD_NAMES)
    assert "\x1b" not in done.out + done.err
    text = side_files(tmp_path / "ü \N{OWL}'s.tif")["report.txt"].read_text(encoding="utf-8")
    assert "line\\nbreak.tif" in text
    assert "\x1b" not in text


def test_names_that_are_not_text_at_all_will_do(scene: Scene, tmp_path: Path) -> None:
    folder = tmp_path / "frames"
    lay(scene.frames[2:4], folder)
    (folder / "F0001.tif").rename(folder / os.fsdecode(b"\xff\xfe.tif"))
    done = anew("merge", folder, "--out", tmp_path / "picture.tif", env={"LC_ALL": "C.UTF-8"})
    assert done.code == 0, done.err
    assert sorted(_names(report_of(tmp_path / "picture.tif"))) == ["F0002.tif", "\udcff\udcfe.tif"]


def test_a_name_that_begins_with_a_dash_is_a_frame_after_two_dashes(scene: Scene, tmp_path: Path) -> None:
    lay(scene.frames[:2], tmp_path / "frames", names=["-a.tif", "-b.tif"])
    paths = sorted((tmp_path / "frames").iterdir())
    assert _names(merged(paths, tmp_path / "picture.tif")) == ["-a.tif", "-b.tif"]


def test_a_link_to_a_frame_is_a_frame_and_a_link_to_one_that_is_there_is_not_another(
    undisturbed: Any, scene: Scene, tmp_path: Path
) -> None:
    elsewhere = lay(scene.frames, tmp_path / "elsewhere")
    folder = tmp_path / "frames"
    folder.mkdir()
    for k, path in enumerate(elsewhere):
        if k % 2:
            shutil.copy(path, folder / path.name)
        else:
            (folder / path.name).symlink_to(path)
    (folder / "again.tif").symlink_to(folder / "F0002.tif")
    done = merge(folder, tmp_path / "picture.tif")
    assert "passed over 'again.tif': the same file as F0002.tif" in done.err
    assert (samples(tmp_path / "picture.tif") == samples(undisturbed.out)).all()


def test_a_link_to_nothing_is_refused_by_name(frames: Callable[..., Path], tmp_path: Path) -> None:
    folder = frames(count=2)
    (folder / "F0003.tif").symlink_to("gone.tif")
    done = merge(folder, tmp_path / "picture.tif")
    assert done.code == 3
    assert done.message.startswith("F0003.tif: found a link to nothing (gone.tif)")


def test_the_cameras_clock_goes_before_names(undisturbed: Any, scene: Scene, tmp_path: Path) -> None:
    names = ["f.tif", "c.tif", "g.tif", "a.tif", "e.tif", "b.tif", "d.tif"]
    lay(scene.frames, tmp_path / "frames", names=names)
    report = merged(tmp_path / "frames", tmp_path / "picture.tif")
    assert _names(report) == names
    assert (samples(tmp_path / "picture.tif") == samples(undisturbed.out)).all()


@pytest.mark.parametrize("interval", [0.4, 0.0], ids=["clock", "no clock"])
def test_the_counter_may_start_again_after_9999(interval: float, scene: Scene, tmp_path: Path) -> None:
    names = [f"_DSC{n:04d}.tif" for n in (9997, 9998, 9999, 1, 2, 3, 4)]
    lay(scene.frames, tmp_path / "frames", names=names, camera=Camera(interval=interval))
    assert _names(merged(tmp_path / "frames", tmp_path / "picture.tif")) == names


def test_without_a_clock_names_count_and_not_spell(scene: Scene, tmp_path: Path) -> None:
    names = [f"frame{n}.tif" for n in (8, 9, 10, 11)]
    lay(scene.frames[:4], tmp_path / "frames", names=names, camera=Camera(interval=0.0))
    assert _names(merged(tmp_path / "frames", tmp_path / "picture.tif")) == names


def test_frames_can_be_named_one_by_one_and_from_several_folders(
    undisturbed: Any, scene: Scene, tmp_path: Path
) -> None:
    paths = lay(scene.frames, tmp_path / "frames")
    (tmp_path / "second").mkdir()
    moved = [p.rename(tmp_path / "second" / p.name) for p in paths[4:]]
    merged([tmp_path / "second", *paths[:4], moved[0]], tmp_path / "picture.tif")
    assert (samples(tmp_path / "picture.tif") == samples(undisturbed.out)).all()


def test_two_frames_of_one_name_are_refused(scene: Scene, tmp_path: Path) -> None:
    for folder in ("one", "two"):
        lay(scene.frames[:2], tmp_path / folder)
    done = merge([tmp_path / "one", tmp_path / "two"], tmp_path / "picture.tif")
    assert done.code == 3
    assert "found two frames called F0001.tif" in done.message


def test_frames_are_not_touched(undisturbed: Any, tmp_path: Path) -> None:
    before = digests(undisturbed.frames)
    merged(undisturbed.frames, tmp_path / "picture.tif")
    assert digests(undisturbed.frames) == before
    assert len(list(undisturbed.frames.iterdir())) == 7


def test_a_result_can_be_opened_and_saved_on_and_stays_recognisable(undisturbed: Any) -> None:
    """The mark is the tag Software (305) of TIFF 6.0."""
    assert tags_of(undisturbed.out)[305].startswith("Nearfar ")
    with Image.open(side_files(undisturbed.out)["preview.jpg"]) as preview:
        assert preview.getexif()[305].startswith("Nearfar ")


def test_the_picture_is_as_good_from_a_messy_folder(scene: Scene, undisturbed: Any, tmp_path: Path) -> None:
    """Frames on a card in two halves, junk between them, one frame twice under two names."""
    lay(scene.frames, tmp_path / "card")
    (tmp_path / "card" / "desktop.ini").write_text("x")
    (tmp_path / "card" / "F0004 (1).tif").write_bytes((tmp_path / "card" / "F0004.tif").read_bytes())
    report = merged(tmp_path / "card", tmp_path / "picture.tif", "--reference", "F0004")
    assert len(report["frames"]) == 8
    assert quality(scene, tmp_path / "picture.tif") > undisturbed.psnr - 0.3
    assert (
        frame_bytes(scene.frames[3], "tiff16", number=3, camera=Camera())
        == (tmp_path / "card" / "F0004.tif").read_bytes()
    )
