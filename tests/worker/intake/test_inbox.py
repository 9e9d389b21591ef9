"""The watched folders as a whole: what was taken is remembered, and trouble with one folder holds up no other."""

from __future__ import annotations

import errno
import os
from collections.abc import Collection, Mapping
from typing import Any

import pytest

from nearfar.frames.ending import examine
from nearfar.intake import following
from nearfar.intake import inbox as module
from nearfar.intake.settling import Mark
from nearfar.intake.writers import open_writers
from tests.worker.frames.makers import picture, write_tiff
from tests.worker.intake.watched import QUIET, Watching, lay_frames, names_of


def test_a_stack_that_was_taken_is_left_alone_until_a_frame_comes(watching: Watching) -> None:
    folder = watching.root / "a"
    lay_frames(folder, "1.tif", "2.tif")
    watching.take(watching.settle()["a"])
    watching.restart()
    assert watching.look().found[0].known is not None  # at once, and no file was opened
    assert watching.digests.read == 0
    (folder / "1.xmp").write_text("edited")
    (folder / "1.tif").unlink()
    assert watching.settle()["a"].arrival is None
    lay_frames(folder, "3.tif", first=5)
    assert names_of(watching.settle()["a"]) == ["2.tif", "3.tif"]


def test_an_empty_or_vanished_folder_deletes_nothing_that_is_remembered(watching: Watching) -> None:
    frames = lay_frames(watching.root / "a", "1.tif", "2.tif")
    kept = [path.read_bytes() for path in frames]
    known = watching.take(watching.settle()["a"])
    for path in frames:
        path.rename(path.with_name(f"{path.name}.away"))
    watching.settle()
    for path in frames:
        path.with_name(f"{path.name}.away").rename(path)
    watching.restart()
    assert watching.settle()["a"].known == known
    assert [path.read_bytes() for path in frames] == kept


def test_a_share_that_is_gone_gives_one_message_and_everything_waits(watching: Watching) -> None:
    for name in ("a", "b"):
        lay_frames(watching.root / name, "1.tif")
    lay_frames(watching.root / "c", "1.tif")
    watching.look()
    away = watching.root.with_name("away")
    watching.root.rename(away)
    look = watching.look(10)
    assert len([folder for folder in look.folders if folder.problem]) == 1
    assert "No such file" in (look.folders[0].problem or "")
    assert {found.entry.state for found in look.found} == {"waiting"}
    away.rename(watching.root)
    assert all(found.arrival for found in watching.look(0).found)  # it was quiet before, and nothing changed


def test_a_mount_point_without_its_mount_counts_as_gone(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay_frames(watching.root / "a", "1.tif")
    mounted = [True]
    monkeypatch.setattr(os.path, "ismount", lambda _path: bool(mounted))
    watching.take(watching.settle()["a"])
    mounted.clear()
    (watching.root / "a").rename(watching.root.parent / "hidden")
    look = watching.look()
    assert "not mounted" in (look.folders[0].problem or "")
    watching.restart()
    assert "not mounted" in (watching.look().folders[0].problem or "")
    assert [found.known is not None for found in look.found] == [True]


def test_a_folder_that_cannot_be_read_is_told_and_the_others_go_on(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a", "b"):
        lay_frames(watching.root / name, "1.tif")
    real = os.scandir

    def denied(path: Any) -> Any:
        if str(path).endswith("/a"):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", denied)
    found = watching.settle()
    assert (found["a"].entry.state, found["b"].arrival is not None) == ("waiting", True)
    assert f"Permission denied (errno 13), as user {os.geteuid()}" in found["a"].entry.why


def test_time_stamps_in_the_future_are_warned_of_and_change_nothing(watching: Watching) -> None:
    (frame,) = lay_frames(watching.root / "a", "1.tif")
    os.utime(frame, (4e9, 4e9))
    found = watching.settle()["a"]
    assert found.arrival is not None
    assert "check the clock" in found.entry.why


def test_a_mistake_about_one_folder_keeps_no_other_from_being_taken(
    watching: Watching, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    for name in ("a", "b"):
        lay_frames(watching.root / name, "1.tif")
    real = examine

    def mistaken(path: str) -> Any:
        if "/a/" in path:
            raise ZeroDivisionError
        return real(path)

    monkeypatch.setattr(following, "examine", mistaken)
    found = watching.settle()
    assert (found["a"].entry.state, found["b"].arrival is not None) == ("waiting", True)
    assert "a mistake in Nearfar" in found["a"].entry.why
    assert "ZeroDivisionError" in caplog.text


def test_two_thousand_frames_are_one_stack(watching: Watching) -> None:
    folder = watching.root / "a"
    folder.mkdir()
    data = write_tiff(folder / "0.tif", picture(height=4, width=4)).read_bytes()
    for number in range(1, 2000):
        (folder / f"{number}.tif").write_bytes(data + number.to_bytes(4, "little"))
    watching.look()
    watching.now += QUIET
    look = watching.look()
    while look.hurry:
        look = watching.look()
    assert len(names_of(look.found[0])) == 2000
    assert names_of(look.found[0])[:3] == ["0.tif", "1.tif", "2.tif"]


def test_reading_goes_on_in_the_next_look_where_it_takes_long(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "READING", 0.0)
    lay_frames(watching.root / "a", "1.tif", "2.tif", "3.tif")
    watching.look()
    look = watching.look(QUIET)
    assert (look.hurry, look.found[0].arrival) == (True, None)
    watching.look()
    assert watching.look().found[0].arrival is not None
    assert watching.digests.read == 3


def test_all_processes_are_looked_through_once_for_all_stacks(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It takes a quarter of a second among two hundred processes, and twenty folders may be dropped at once."""
    asked: list[int] = []

    def seen(marks: Collection[Mark]) -> Mapping[tuple[int, int], str]:
        asked.append(len(marks))
        return open_writers(marks)

    monkeypatch.setattr("nearfar.intake.following.open_writers", seen)
    for name in ("a", "b", "c"):
        lay_frames(watching.root / name, "1.tif", "2.tif")
    watching.look()
    with (watching.root / "b" / "2.tif").open("r+b"):
        look = watching.look(QUIET)
        assert asked == [6]
        told = {found.entry.stack: found.entry for found in look.found}
        assert [name for name, entry in told.items() if "is open for writing by" in entry.why] == ["b"]
    watching.look(QUIET)
    assert asked == [6, 6]


def test_a_stack_is_read_to_its_end_before_the_next_is_begun(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If time is short the first become jobs early, and not all of them late at the same moment."""
    monkeypatch.setattr("nearfar.intake.inbox.READING", 1e-9)
    for number, name in enumerate(("a", "b", "c")):
        lay_frames(watching.root / name, "1.tif", "2.tif", first=2 * number)
    watching.look()
    complete = []
    for _ in range(6):
        look = watching.look(QUIET)
        complete.append(sum(found.arrival is not None for found in look.found))
    assert complete == [0, 1, 1, 2, 2, 3]
