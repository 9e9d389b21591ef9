"""Originals are moved out of a watched folder only where the settings ask for it, and none is ever lost."""

from __future__ import annotations

import dataclasses
import errno
import os
import shutil
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from nearfar.errors import SourceChanged
from nearfar.intake.memory import Known, Memory, trace
from nearfar.intake.settling import Mark
from nearfar.jobs import JobState, Store
from nearfar.places import Places
from nearfar.runner import planning
from nearfar.runner.watching import moving
from nearfar.runner.watching.moving import digest_of, move_file
from nearfar.server_settings import ServerSettings
from tests.worker.runner.watching.stepped import (
    Stepped,
    Stopped,
    jobs,
    lay_frames,
    short,
)


@pytest.fixture
def movers(tmp_path: Path, places: Places, store: Store, monkeypatch: pytest.MonkeyPatch) -> Stepped:
    """A watch that moves, and a store in which every job is done with a result of its name."""
    stepped = Stepped(short(tmp_path / "data", after="move"), store)
    real = store.job

    def done(number: int) -> Any:
        from dataclasses import replace

        job = real(number)
        result = places.results / job.stack / f"{job.stack}.tif"
        return replace(job, state=JobState.DONE, result=str(result)) if result.exists() else job

    monkeypatch.setattr(store, "job", done)
    return stepped


def finish(places: Places, store: Store, stack: str) -> None:
    result = places.results / stack / f"{stack}.tif"
    result.parent.mkdir(parents=True)
    result.write_bytes(b"a picture")
    store.set_priority(1, 1, who="test")  # so that the trail speaks of it


def test_originals_are_moved_after_success_with_all_that_goes_with_them(
    movers: Stepped, store: Store
) -> None:
    places, folder = movers.places, movers.places.inbox / "a"
    frames = lay_frames(folder, "1.tif", "2.tif")
    (folder / "1.xmp").write_text("side-car")
    (folder / "notes.txt").write_text("mine")
    kept = {path.name: path.read_bytes() for path in frames}
    movers.settle()
    assert sorted(p.name for p in folder.iterdir()) == ["1.tif", "1.xmp", "2.tif", "notes.txt"]
    finish(places, store, "a")
    entry = movers.look()["a"]
    assert (entry.state, f"in {places.moved / 'a'}" in entry.why) == ("moved", True)
    assert {p.name: p.read_bytes() for p in (places.moved / "a").glob("*.tif")} == kept
    assert (places.moved / "a" / "1.xmp").exists()
    assert [p.name for p in folder.iterdir()] == ["notes.txt"]
    movers.settle()
    assert len(jobs(store)) == 1


def test_originals_stay_where_they_are_unless_the_settings_say_otherwise(
    settings: ServerSettings, movers: Stepped, store: Store
) -> None:
    frames = lay_frames(movers.places.inbox / "a", "1.tif")
    leaving = Stepped(settings, store)
    leaving.settle()
    finish(movers.places, store, "a")
    assert leaving.settle()["a"].state == "done"
    assert frames[0].exists()


def test_nothing_is_moved_where_a_frame_was_changed_or_the_result_is_gone(
    movers: Stepped, store: Store
) -> None:
    frame = lay_frames(movers.places.inbox / "a", "1.tif")[0]
    movers.settle()
    data, stamp = bytearray(frame.read_bytes()), frame.stat().st_mtime_ns
    data[-1] ^= 1
    with open(frame, "r+b") as file:
        file.write(data)
    os.utime(frame, ns=(stamp, stamp))  # as if nothing had happened
    finish(movers.places, store, "a")
    entry = movers.look()["a"]
    assert entry.state == "done"
    assert "1.tif is not what was merged" in entry.why
    assert frame.read_bytes() == data


def test_a_move_that_is_denied_is_a_warning_and_no_failure(
    movers: Stepped, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    frame = lay_frames(movers.places.inbox / "a", "1.tif")[0]
    movers.settle()
    finish(movers.places, store, "a")

    def denied(self: Path, *, missing_ok: bool = False) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(self))

    monkeypatch.setattr(Path, "unlink", denied)
    entry = movers.look()["a"]
    monkeypatch.undo()
    assert entry.state == "done"
    assert "could not be moved" in entry.why
    assert f"Permission denied (errno {errno.EACCES})" in entry.why
    assert frame.exists()


@pytest.mark.parametrize("where", ["content_digest", "move_file"])
def test_a_share_that_hangs_while_its_frames_are_checked_or_moved_holds_up_no_other_stack(
    movers: Stepped, store: Store, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    places, back = movers.places, threading.Event()
    frame = lay_frames(places.inbox / "a", "1.tif")[0]
    movers.settle()
    finish(places, store, "a")
    real, asked = getattr(moving, where), list[Path]()

    def hangs(path: Path, *given: Any) -> Any:
        assert threading.current_thread() is not threading.main_thread()
        asked.append(path)
        if path == frame:
            assert back.wait(60)
        return real(path, *given)

    monkeypatch.setattr(moving, where, hangs)
    movers.watch._mover._answers.patience = 0.1  # type: ignore[union-attr]
    for _ in range(2):
        entry = movers.look()["a"]
        assert (entry.state, "takes long or hangs with a share" in entry.why) == ("done", True)
        assert asked in ([], [frame]), "nobody asks again what hangs already"
    lay_frames(places.inbox / "b", "1.tif", first=9)
    movers.settle()
    assert [stack for _, stack, _ in jobs(store)] == ["a", "b"]
    assert frame.exists()

    back.set()
    monkeypatch.setattr(movers.watch._mover._answers, "patience", 60.0)  # type: ignore[union-attr]
    end = time.monotonic() + 60
    while movers.look()["a"].state != "moved" and time.monotonic() < end:
        time.sleep(0.02)
    assert movers.look()["a"].state == "moved"
    assert [path.name for path in (places.moved / "a").iterdir()] == ["1.tif"]
    assert not frame.exists()


def test_only_some_stacks_are_moved_in_the_background_at_a_time(
    movers: Stepped, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    places, back = movers.places, threading.Event()
    frames = [lay_frames(places.inbox / name, "1.tif", first=k)[0] for k, name in enumerate("ab", 1)]
    movers.settle()
    for name in "ab":
        finish(places, store, name)
    store.set_priority(2, 1, who="test")  # so that the trail speaks of both
    real = moving.move_file

    def hangs(path: Path, *given: Any) -> Any:
        if path == frames[0]:
            assert back.wait(60)
        return real(path, *given)

    monkeypatch.setattr(moving, "move_file", hangs)
    monkeypatch.setattr(moving, "MOST_LATE", 1)
    movers.watch._mover._answers.patience = 0.1  # type: ignore[union-attr]
    movers.look()
    assert movers.look()["b"].state == "done"
    assert frames[1].exists()
    back.set()
    end = time.monotonic() + 60
    while {movers.look()[name].state for name in "ab"} != {"moved"} and time.monotonic() < end:
        time.sleep(0.02)
    assert not any(frame.exists() for frame in frames)


def test_a_move_never_writes_over_what_is_there(movers: Stepped, store: Store) -> None:
    there = movers.places.moved / "a" / "1.tif"
    there.parent.mkdir(parents=True)
    there.write_bytes(b"of an earlier shoot")
    lay_frames(movers.places.inbox / "a", "1.tif")
    movers.settle()
    finish(movers.places, store, "a")
    movers.look()
    assert there.read_bytes() == b"of an earlier shoot"
    assert (movers.places.moved / "a-2" / "1.tif").exists()


@pytest.mark.parametrize("after", [1, 2, 3])
def test_a_move_that_was_stopped_goes_on_and_loses_nothing(
    movers: Stepped, tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    places = movers.places
    frames = lay_frames(places.inbox / "a", "1.tif", "2.tif", "3.tif")
    kept = {path.name: path.read_bytes() for path in frames}
    movers.settle()
    finish(places, store, "a")
    calls: list[int] = []
    real = moving.move_file

    def stopping(source: Path, target: Path, digest: str | None) -> None:
        calls.append(1)
        if len(calls) == after:
            os.link(source, target)  # between its second name and the loss of its first
            raise Stopped
        real(source, target, digest)

    with monkeypatch.context() as patch:
        patch.setattr(moving, "move_file", stopping)
        with pytest.raises(Stopped):
            movers.look()
    again = Stepped(short(tmp_path / "data", after="move"), store)
    again.settle()
    assert {p.name: p.read_bytes() for p in (places.moved / "a").iterdir()} == kept
    assert not (places.inbox / "a").exists()
    assert len(jobs(store)) == 1


def no_links(*_: Any, **__: Any) -> None:
    raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))


def test_a_move_to_another_file_system_copies_and_checks_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, target = lay_frames(tmp_path / "a", "1.tif")[0], tmp_path / "b" / "1.tif"
    target.parent.mkdir()
    data, stamp = source.read_bytes(), source.stat().st_mtime_ns
    monkeypatch.setattr(os, "link", no_links)
    move_file(source, target, digest_of(source))
    assert (target.read_bytes(), target.stat().st_mtime_ns, source.exists()) == (data, stamp, False)
    assert [p.name for p in target.parent.iterdir()] == ["1.tif"]


def test_a_copy_that_is_not_the_same_leaves_the_original(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, target = lay_frames(tmp_path / "a", "1.tif")[0], tmp_path / "b" / "1.tif"
    target.parent.mkdir()
    monkeypatch.setattr(os, "link", no_links)

    def half(_reading: Any, writing: Any, _size: int) -> None:
        writing.write(b"half")

    monkeypatch.setattr(shutil, "copyfileobj", half)
    with pytest.raises(SourceChanged, match="not the same; the original stays"):
        move_file(source, target, digest_of(source))
    assert source.exists()
    assert list(target.parent.iterdir()) == []


def test_frames_of_a_card_are_moved_with_their_folders_and_side_cars(tmp_path: Path, store: Store) -> None:
    source, target = tmp_path / "ridge", tmp_path / "merged"
    frames = lay_frames(source / "DCIM" / "100NRFAR", "NF_0001.tif", "NF_0002.tif", "NF_0003.tif")
    frames[0].with_suffix(".xmp").write_text("edited")
    result = tmp_path / "results" / "ridge" / "ridge.tif"
    result.parent.mkdir(parents=True)
    result.write_bytes(b"a picture")
    digests = {str(path.relative_to(source)): digest_of(path) for path in frames[:2]}
    memory = Memory.open(tmp_path / "stacks")
    files = {name: trace(Mark.of((source / name).stat())) for name in digests}
    known = Known(
        path=str(frames[0]),
        source=str(source),
        stack="r",
        files=files,
        digest="d",
        digests=digests,
        loose=True,
        job=1,
    )
    number = store.submit(planning.submission("r", frames[:2], owner="studio"), who="tester").job
    job = dataclasses.replace(store.job(number), state=JobState.DONE, result=str(result))
    moved = moving.Mover(memory, target).move(known, job)
    assert moved.moved, moved.trouble
    kept = sorted(str(path.relative_to(target / "ridge")) for path in target.rglob("*.*"))
    assert kept == [f"DCIM/100NRFAR/NF_000{k}" for k in ("1.tif", "1.xmp", "2.tif")]
    assert frames[2].exists()
    assert not frames[0].exists()
