"""Results appear complete or not at all, under a name of their own, and are never replaced."""

from __future__ import annotations

import json
import os
import shutil
import stat
import unicodedata
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
import tifffile

from nearfar.errors import LostClaim, WorkFailed
from nearfar.merge.deliver.outputs import Outputs
from nearfar.runner.results import publish
from nearfar.runner.results.publish import (
    Mark,
    Results,
    check_picture,
    check_side_files,
    outputs_in,
    safe_name,
)
from tests.acceptance.command import SIDE_FILES, lay
from tests.scenes import Scene, render
from tests.worker.runner.workbench import merged

MARK = Mark(id=7, run=1, key="abc")


def nothing() -> None:
    """Nobody wants the work to stop."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A picture with all that belongs to it: two levels, an odd size."""
    folder = tmp_path_factory.mktemp("made")
    scene: Scene = render("occlusion", frames=2, size=(530, 141), seed=8)
    return merged(lay(scene.frames, folder / "frames", format="jpeg"), folder / "out")


@pytest.fixture
def results(tmp_path: Path) -> Results:
    folder = tmp_path / "results"
    folder.mkdir()
    return Results(folder)


def fill(made: Path, staged: Path, stack: str = "moss", mark: Mark = MARK) -> Outputs:
    """What a worker writes into a staging folder."""
    outputs = Outputs.beside(staged / f"{safe_name(stack)}.tif")
    for ending in ("tif", *SIDE_FILES):
        target = staged / f"{safe_name(stack)}.{ending}"
        shutil.copy(made.with_name(f"picture.{ending}"), target)
    report = json.loads(outputs.report.read_text())
    outputs.report.write_text(json.dumps(report | {"job": mark.as_json()}))
    return outputs


def published(
    results: Results,
    made: Path,
    stack: str = "moss",
    mark: Mark = MARK,
    token: int = 1,
    fence: Callable[[], None] = nothing,
) -> Path:
    with results.staging(mark.id, token) as staged:
        fill(made, staged, stack, mark)
        return results.publish(staged, stack, mark, fence=fence)


# Names


@pytest.mark.parametrize(
    ("stack", "name"),
    [
        ("Fern at noon", "Fern at noon"),
        ("a/b\\c:d", "a_b_c_d"),
        ("../../etc/passwd", "_.._etc_passwd"),
        (".hidden", "hidden"),
        ("trailing. ", "trailing"),
        ("tab\there\0", "tab_here_"),
        ("", "stack"),
        ("...", "stack"),
        ("CON", "stack CON"),
        ("nul.tif", "stack nul.tif"),
        ("Käfer", "Käfer"),
        ("right\u202eto left", "right_to left"),
        ("\ud800", "?".replace("?", "_")),
    ],
)
def test_any_stack_gets_a_name_that_any_system_takes(stack: str, name: str) -> None:
    assert safe_name(stack) == name
    assert safe_name(name) == name


def test_names_are_composed_and_short() -> None:
    assert safe_name(unicodedata.normalize("NFD", "Käfer")) == "Käfer"
    long = safe_name("é" * 200)
    assert len(long.encode()) == 100
    assert long == "é" * 50


# Publishing


def test_a_result_lies_under_the_name_of_its_stack(results: Results, made: Path) -> None:
    picture = published(results, made)
    assert picture == results.folder / "moss" / "moss.tif"
    assert picture.read_bytes() == made.read_bytes()
    assert sorted(p.name for p in picture.parent.iterdir()) == sorted(
        f"moss.{e}" for e in ("tif", *SIDE_FILES)
    )
    assert list((results.folder / ".making").iterdir()) == []


def test_every_file_reaches_the_disk_before_the_result_gets_its_name(
    results: Results, made: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are written without (`Outputs.durable`)."""
    synced: list[Path] = []
    rename = publish._renamed

    def renamed(staged: Path, target: Path) -> bool:
        assert {*staged.iterdir(), staged} <= set(synced)
        return rename(staged, target)

    monkeypatch.setattr(publish, "sync", synced.append)
    monkeypatch.setattr(publish, "_renamed", renamed)
    picture = published(results, made)
    assert synced[-1] == results.folder
    assert picture.is_file()


def test_another_job_gets_another_name_and_replaces_nothing(results: Results, made: Path) -> None:
    first = published(results, made)
    before = first.with_name("moss.report.json").read_bytes()
    second = published(results, made, mark=Mark(id=8, run=1, key="abc"))
    third = published(results, made, mark=Mark(id=9, run=1, key="abc"))
    assert second == results.folder / "moss-2" / "moss-2.tif"
    assert third == results.folder / "moss-3" / "moss-3.tif"
    assert (second.with_name("moss-2.report.json")).exists()
    assert first.with_name("moss.report.json").read_bytes() == before


def test_a_later_attempt_of_the_same_job_takes_what_is_there(results: Results, made: Path) -> None:
    other = published(results, made, mark=Mark(id=6, run=1, key="abc"))
    first = published(results, made)
    stamp = first.stat().st_mtime_ns
    assert results.find("moss", MARK) == first
    assert published(results, made, token=2) == first
    assert published(results, made, mark=Mark(id=7, run=2, key="abc"), token=3) == first
    assert first.stat().st_mtime_ns == stamp
    assert sorted(p.name for p in results.folder.iterdir()) == [".making", "moss", "moss-2"]
    assert other.parent.name == "moss"


def test_another_picture_of_the_same_job_is_another_result(results: Results, made: Path) -> None:
    first = published(results, made)
    assert results.find("moss", Mark(id=7, run=2, key="other")) is None
    assert published(results, made, mark=Mark(id=7, run=2, key="other")) != first


def test_a_result_of_which_something_is_missing_is_not_taken(results: Results, made: Path) -> None:
    first = published(results, made)
    first.with_name("moss.preview.jpg").unlink()
    assert results.find("moss", MARK) is None
    second = published(results, made, token=2)
    assert second.parent.name == "moss-2"


@pytest.mark.parametrize("kind", ["file", "empty folder", "folder", "link", "link to nothing"])
def test_whatever_has_the_name_already_stays(kind: str, results: Results, made: Path, tmp_path: Path) -> None:
    there = results.folder / "moss"
    if kind == "file":
        there.write_bytes(b"mine")
    elif kind in ("folder", "empty folder"):
        there.mkdir()
        if kind == "folder":
            (there / "mine.txt").write_bytes(b"mine")
    else:
        there.symlink_to(tmp_path if kind == "link" else tmp_path / "nothing")
    before = os.lstat(there)
    assert published(results, made) == results.folder / "moss-2" / "moss-2.tif"
    assert os.lstat(there).st_ino == before.st_ino


def test_a_name_taken_at_the_last_moment_is_left_to_its_owner(results: Results, made: Path) -> None:
    there = results.folder / "moss"

    def other() -> None:
        if not there.exists():
            there.mkdir()
            (there / "theirs").write_bytes(b"theirs")

    assert published(results, made, fence=other) == results.folder / "moss-2" / "moss-2.tif"
    assert (there / "theirs").read_bytes() == b"theirs"


def test_a_worker_without_the_unit_publishes_nothing(results: Results, made: Path) -> None:
    def lost() -> None:
        raise LostClaim("another worker has it")

    with pytest.raises(LostClaim):
        published(results, made, fence=lost)
    assert [p.name for p in results.folder.rglob("*")] == [".making"]


def test_staging_of_earlier_attempts_goes_and_that_of_others_stays(results: Results) -> None:
    making = results.folder / ".making"
    for name in ("7-1", "7-2", "7-9", "17-1", "8-2"):
        (making / name).mkdir(parents=True)
    with results.staging(7, 3) as staged:
        assert staged == making / "7-3"
        assert sorted(p.name for p in making.iterdir()) == ["17-1", "7-3", "7-9", "8-2"]
    assert not staged.exists()


def test_group_and_rights_come_from_the_folder_of_results(results: Results, made: Path) -> None:
    os.chown(results.folder, -1, os.getgid())
    results.folder.chmod(0o2775)
    picture = published(results, made)
    assert stat.S_IMODE(picture.parent.stat().st_mode) == 0o2775
    assert stat.S_IMODE(picture.stat().st_mode) == 0o664
    assert picture.stat().st_gid == results.folder.stat().st_gid
    results.folder.chmod(0o755)
    picture = published(results, made, mark=Mark(id=8, run=1, key="abc"))
    assert stat.S_IMODE(picture.stat().st_mode) == 0o644


def test_when_all_names_are_taken_that_is_told(
    results: Results, made: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(publish, "MOST_NUMBERS", 2)
    for name in ("moss", "moss-2", "moss-3"):
        (results.folder / name).mkdir()
    with pytest.raises(WorkFailed, match="2 after it are taken"):
        published(results, made)


# Opening it again


def sums_of(picture: Path) -> list[list[int]]:
    """CRC-32 of the coded tiles of each level, as zlib computes it and tifffile finds them."""
    with tifffile.TiffFile(picture) as file:
        levels = [file.pages[0], *(file.pages[0].pages or [])]
        data, found = picture.read_bytes(), []
        for level in levels:
            spans = zip(level.dataoffsets, level.databytecounts, strict=True)
            found.append([zlib.crc32(data[offset : offset + size]) for offset, size in spans])
    return found


def check_result(
    outputs: Outputs, made: Path, *, size: tuple[int, int], check: Callable[[], None] = nothing
) -> None:
    """Both that delivery asks for: of the picture before it gets its name, and of what lies beside it."""
    check_picture(outputs.picture, sums_of(made), size=size, threads=2, check=check)
    check_side_files(outputs, size=size, threads=2, check=check)


def test_a_sound_result_passes(made: Path) -> None:
    asked: list[int] = []
    check_result(Outputs.beside(made), made, size=(530, 141), check=lambda: asked.append(1))
    assert len(asked) >= 3 + 3 + 2 + 1 + 1 + 1, "before each file, and each tile"


CHECKED = ("tif", "focus.tif", "doubt.tif", "focus.png", "report.png")
"""Endings of files with checksums inside."""
DAMAGE = [
    *((ending, "empty") for ending in ("tif", *SIDE_FILES)),
    *((ending, "cut") for ending in ("tif", *SIDE_FILES) if ending != "report.txt"),
    *((ending, "flipped") for ending in CHECKED),
]


@pytest.mark.parametrize(("ending", "how"), DAMAGE)
def test_damage_to_any_file_is_noticed(ending: str, how: str, made: Path, tmp_path: Path) -> None:
    folder = tmp_path / "picture"
    folder.mkdir()
    for each in ("tif", *SIDE_FILES):
        shutil.copy(made.with_name(f"picture.{each}"), folder)
    path = folder / f"picture.{ending}"
    data = bytearray(path.read_bytes())
    if how == "flipped":
        data[len(data) // 3] ^= 255
    else:
        del data[0 if how == "empty" else len(data) // 2 :]
    path.write_bytes(data)
    with pytest.raises(WorkFailed, match=f"picture.{ending}"):
        check_result(outputs_in(folder), made, size=(530, 141))


def test_another_sound_tile_in_place_of_the_one_that_was_coded_is_noticed(made: Path) -> None:
    sums = sums_of(made)
    assert len(sums) == 2
    assert len(sums[0]) == 2
    sums[0].reverse()  # as if the tiles lay in each other's place
    with pytest.raises(WorkFailed, match="picture.tif"):
        check_picture(made, sums, size=(530, 141), threads=1, check=nothing)


def test_a_level_or_tile_too_few_is_noticed(made: Path) -> None:
    sums = sums_of(made)
    for fewer in (sums[:1], [sums[0][:1], sums[1]]):
        with pytest.raises(WorkFailed, match="picture.tif"):
            check_picture(made, fewer, size=(530, 141), threads=1, check=nothing)


def test_a_picture_of_another_size_is_noticed(made: Path) -> None:
    with pytest.raises(WorkFailed, match="530 x 141 pixels in place of 531 x 141"):
        check_result(Outputs.beside(made), made, size=(531, 141))
