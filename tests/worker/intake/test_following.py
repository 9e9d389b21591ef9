"""When a stack in a watched folder is complete: real files that grow, end early or cannot be read."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from nearfar.frames.ending import examine
from tests.worker.frames.makers import jpeg_bytes, picture, png_bytes, write_tiff
from tests.worker.intake.watched import PATIENCE, QUIET, Watching, lay_frames, names_of


def test_a_temporary_file_holds_its_own_stack_back_and_no_other(watching: Watching) -> None:
    for name in ("a", "b"):
        lay_frames(watching.root / name, "1.tif", "2.tif")
    (watching.root / "a" / ".3.tif.Xy12Zw").write_bytes(b"x")
    found = watching.settle()
    assert found["a"].entry.state == "arriving"
    assert ".3.tif.Xy12Zw" in found["a"].entry.why
    assert found["b"].arrival is not None
    assert watching.settle(PATIENCE)["a"].arrival is not None  # stale


def test_the_word_that_all_is_here_and_the_count_of_frames_are_kept_to(watching: Watching) -> None:
    folder = watching.root / "a"
    lay_frames(folder, "1.tif", "2.tif")
    (folder / "nearfar.expect").write_text("3")
    entry = watching.settle(1000)["a"].entry
    assert (entry.state, entry.expected, entry.why) == ("arriving", 3, "2 of 3 frames are here")
    lay_frames(folder, "3.tif", first=5)
    (folder / "nearfar.ready").touch()
    found = watching.look().found[0]
    assert len(names_of(found)) == 3  # at once


@pytest.mark.parametrize("said", ["", "many", "-3", "0", "99999999"])
def test_an_expected_count_that_is_none_is_told(watching: Watching, said: str) -> None:
    lay_frames(watching.root / "a", "1.tif")
    (watching.root / "a" / "nearfar.expect").write_text(said)
    entry = watching.settle()["a"].entry
    assert entry.state == "waiting"
    assert "nearfar.expect" in entry.why


def cut(path: Path, share: float) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])


def zeros_behind(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2] + bytes(len(data) - len(data) // 2))


MAKERS: dict[str, Callable[[Path], object]] = {
    "a.tif": lambda p: write_tiff(p, picture(height=100, width=100)),
    "deflate.tif": lambda p: write_tiff(
        p, picture(height=100, width=100), compression="zlib", rowsperstrip=10
    ),
    "a.jpg": lambda p: p.write_bytes(jpeg_bytes(picture(height=100, width=100))),
    "a.png": lambda p: p.write_bytes(png_bytes(picture(height=100, width=100))),
}


@pytest.mark.parametrize("name", MAKERS)
def test_a_whole_file_is_taken_and_one_that_ends_early_is_not(watching: Watching, name: str) -> None:
    path = watching.root / "a" / name
    path.parent.mkdir()
    MAKERS[name](path)
    assert names_of(watching.settle()["a"]) == [name]
    for share in (0.01, 0.5, 0.99):
        cut(path, share)
        entry = watching.settle()["a"].entry
        assert (entry.state, entry.seconds) == ("arriving", PATIENCE - QUIET), entry.why
        assert name in entry.why
        MAKERS[name](path)


@pytest.mark.parametrize("name", MAKERS)
def test_a_file_that_has_its_size_before_its_contents_is_waited_for(watching: Watching, name: str) -> None:
    path = watching.root / "a" / name
    path.parent.mkdir()
    MAKERS[name](path)
    zeros_behind(path)
    assert watching.settle()["a"].arrival is None
    size = path.stat().st_size
    with open(path, "wb") as file:
        file.truncate(size)  # nothing but a hole
    assert watching.settle()["a"].entry.state == "arriving"
    MAKERS[name](path)
    assert watching.settle()["a"].arrival is not None


def test_a_frame_with_a_black_edge_is_taken_after_patience(watching: Watching) -> None:
    black = picture(height=100, width=100)
    black[50:] = 0
    (watching.root / "a").mkdir()
    write_tiff(watching.root / "a" / "1.tif", black)
    assert examine(watching.root / "a" / "1.tif")[1] == "the last 4096 bytes are zeros"
    found = watching.settle()["a"]
    assert found.entry.state == "settling"
    assert watching.settle(PATIENCE)["a"].arrival is not None


def test_a_jpeg_with_bytes_behind_its_end_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(picture()) + bytes(3_000_000))  # what some cameras and phones append
    assert examine(path)[1] is None


def test_a_file_that_may_not_be_read_is_waited_for_then_told_with_the_systems_words(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    frames = lay_frames(watching.root / "a", "1.tif", "2.tif")
    real = os.open

    def denied(path: Any, *rest: Any, **more: Any) -> int:
        if str(path) == str(frames[1]):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return real(path, *rest, **more)

    monkeypatch.setattr(os, "open", denied)
    assert watching.settle()["a"].entry.state == "arriving"
    found = watching.settle(PATIENCE)["a"]
    assert found.arrival is not None
    for part in (str(frames[1]), "Permission denied", f"errno {errno.EACCES}", f"user {os.geteuid()}"):
        assert part in (found.arrival.refused or "")
    watching.take(found)
    assert watching.settle(1000)["a"].known is not None  # not tried day and night
    monkeypatch.undo()
    frames[1].chmod(0o600)
    assert watching.settle()["a"].arrival is not None  # something of the file changed


def test_a_file_that_is_busy_for_a_while_is_looked_at_again_by_itself(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay_frames(watching.root / "a", "1.tif")
    real, busy = os.open, [True]

    def open_busy(path: Any, *rest: Any, **more: Any) -> int:
        if busy and str(path).endswith("1.tif"):
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY), str(path))
        return real(path, *rest, **more)

    monkeypatch.setattr(os, "open", open_busy)
    assert watching.settle()["a"].entry.state == "arriving"
    busy.clear()
    assert watching.settle(6)["a"].arrival is not None
