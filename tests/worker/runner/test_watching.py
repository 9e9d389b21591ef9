"""The watch against programs that write as programs do, with a real store: nothing early, nothing lost, nothing twice."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import json
import mmap
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from nearfar.errors import SourceChanged, StoreUnreachable
from nearfar.intake.card.kept_card import card_files
from nearfar.intake.inbox import read_state
from nearfar.intake.memory import Known, Memory, trace
from nearfar.intake.settling import Mark
from nearfar.intake.state import Entry
from nearfar.jobs import JobState, Store, Submission
from nearfar.places import Places, places_of
from nearfar.runner import moving, planning, watching
from nearfar.runner.disk import DiskWatch
from nearfar.runner.moving import digest_of, move_file
from nearfar.runner.watching import Watch, alone, run, watch_runs
from nearfar.server_settings import ServerSettings, to_environment
from tests.worker.frames.makers import picture, write_tiff
from tests.worker.intake.together import TogetherSorts
from tests.worker.runner.serving import settings_for

QUIET = 0.8
SCAN = 0.1


def short(data: Path, **inbox: Any) -> ServerSettings:
    """Settings with short times."""
    times = {"scan": SCAN, "quiet": QUIET, "quiet_unseen": QUIET, "patience": 2.5}
    return settings_for(data, inbox=times | inbox)


@pytest.fixture
def settings(tmp_path: Path) -> ServerSettings:
    return short(tmp_path / "data")


def lay_frames(folder: Path, *names: str, first: int = 0) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    pixels = [picture(height=8, width=8, seed=first + number) for number in range(len(names))]
    return [write_tiff(folder / name, each) for name, each in zip(names, pixels, strict=True)]


class Stepped:
    """A watch whose looks, and whose clock, the test controls."""

    def __init__(self, settings: ServerSettings, store: Store, **options: Any) -> None:
        self.now = 0.0
        self.store = store
        self.places = places_of(settings)
        sorts = TogetherSorts(card_files(self.places))
        self.watch = Watch(settings, self.places, store, clock=lambda: self.now, sorts=sorts, **options)

    def look(self, after: float = 0.0) -> dict[str, Entry]:
        self.now += after
        self.watch.look()
        return {os.path.relpath(e.path, self.places.inbox): e for e in read_state(self.places).entries}

    def settle(self, seconds: float = QUIET) -> dict[str, Entry]:
        self.look()
        self.look(seconds)
        return self.look()


@pytest.fixture
def stepped(settings: ServerSettings, places: Places, store: Store) -> Stepped:
    return Stepped(settings, store)


def jobs(store: Store) -> list[tuple[int, str, str]]:
    return [(job.id, job.stack, str(job.state)) for job in reversed(store.jobs().jobs)]


# Writers


def whole(path: Path) -> bytes:
    """A frame of 240 kB that no other writer has."""
    seed = int.from_bytes(hashlib.sha256(path.parent.name.encode()).digest()[:4], "little")
    maker = path.parents[2] / "made" / f"{path.parent.name}-{path.name}"
    maker.parent.mkdir(exist_ok=True)
    return write_tiff(maker, picture(height=200, width=200, seed=seed)).read_bytes()


def pieces(data: bytes, count: int = 12) -> Iterator[bytes]:
    step = -(-len(data) // count)
    yield from (data[at : at + step] for at in range(0, len(data), step))


def slowly(file: Any, data: bytes, *, stall: float = 0.0, rest: float = 0.1) -> None:
    for number, piece in enumerate(pieces(data)):
        time.sleep(stall if number == 6 else rest)
        file.write(piece)
        file.flush()


def plain(path: Path) -> None:
    with open(path, "wb") as file:
        slowly(file, whole(path))


def stalled(path: Path) -> None:
    with open(path, "wb") as file:
        slowly(file, whole(path), stall=3 * QUIET)


def reopened(path: Path) -> None:
    for piece in pieces(whole(path), 6):
        with open(path, "ab") as file:
            file.write(piece)
        time.sleep(0.4)


def stalled_closed(path: Path) -> None:
    """Closed in the middle for longer than the quiet time: only the missing end tells."""
    data = whole(path)
    path.write_bytes(data[: len(data) // 2])
    time.sleep(2 * QUIET)
    path.write_bytes(data)


def preallocated(path: Path) -> None:
    data = whole(path)
    with open(path, "wb") as file:
        file.truncate(len(data))
        slowly(file, data)


def preallocated_stalled(path: Path) -> None:
    data = whole(path)
    with open(path, "wb") as file:
        file.truncate(len(data))
        slowly(file, data, stall=3 * QUIET)


def preallocated_closed(path: Path) -> None:
    """Zeros of the full size, closed, and filled later, as some clients of shares do."""
    data = whole(path)
    path.write_bytes(data[:4096] + bytes(len(data) - 4096))
    time.sleep(2 * QUIET)
    path.write_bytes(data)


def old_time(path: Path) -> None:
    with open(path, "wb") as file:
        for piece in pieces(whole(path)):
            file.write(piece)
            file.flush()
            os.utime(path, (1e9, 1e9))
            time.sleep(0.1)
    os.utime(path, (1e9, 1e9))


def future_time(path: Path) -> None:
    plain(path)
    os.utime(path, (4e9, 4e9))


def renamed(path: Path) -> None:
    part = path.with_name(f"{path.name}.part")
    with open(part, "wb") as file:
        slowly(file, whole(path), stall=2 * QUIET)
    part.rename(path)


def rsync_like(path: Path) -> None:
    part = path.with_name(f".{path.name}.Qw3rTy")
    with open(part, "wb") as file:
        slowly(file, whole(path))
    part.rename(path)


def twice(path: Path) -> None:
    path.write_bytes(os.urandom(100_000))
    time.sleep(0.6 * QUIET)
    plain(path)


def empty_first(path: Path) -> None:
    path.touch()
    time.sleep(2 * QUIET)
    plain(path)


def mapped(path: Path) -> None:
    data = whole(path)
    with open(path, "w+b") as file:
        file.truncate(len(data))
        mapping = mmap.mmap(file.fileno(), len(data))
    at = 0
    for piece in pieces(data):
        mapping[at : at + len(piece)] = piece
        at += len(piece)
        time.sleep(0.25)
    mapping.close()


def kept_open(path: Path) -> None:
    """Whole, and written again after a while without being closed: only the open file tells."""
    data = whole(path)
    with open(path, "wb") as file:
        file.write(data)
        file.flush()
        time.sleep(3 * QUIET)
        file.seek(0)
        file.write(data[:-100] + bytes(range(100)))


def kept_mapped(path: Path) -> None:
    """The same through a mapping, whose file is closed: only the mapping tells."""
    path.write_bytes(whole(path))
    with open(path, "r+b") as file:
        descriptor = file.fileno()
        mapping = mmap.mmap(descriptor, 0)
    time.sleep(3 * QUIET)
    mapping[-100:] = bytes(range(100))
    mapping.close()


def copied_folder(path: Path) -> None:
    """``cp -r`` of a folder, one frame after another."""
    source = path.parents[2] / "card" / path.parent.name
    source.mkdir(parents=True)
    (source / path.name).write_bytes(whole(path))
    subprocess.run(["cp", "-r", f"{source}/.", str(path.parent)], check=True)


def moved_folder(path: Path) -> None:
    source = path.parents[2] / "card" / path.parent.name
    source.mkdir(parents=True)
    (source / path.name).write_bytes(whole(path))
    path.parent.rmdir()
    source.rename(path.parent)


WRITERS: list[Callable[[Path], None]] = [
    *(plain, stalled, reopened, stalled_closed, preallocated, preallocated_stalled, preallocated_closed),
    *(
        old_time,
        future_time,
        renamed,
        rsync_like,
        twice,
        empty_first,
        mapped,
        kept_open,
        kept_mapped,
        copied_folder,
        moved_folder,
    ),
]


@dataclass
class Taken:
    """What lay on the disk when a stack was taken."""

    digests: dict[str, str]


@contextmanager
def watched(watch: Watch) -> Iterator[None]:
    """While the block runs, the watch does."""
    stop = threading.Event()
    thread = threading.Thread(target=run, args=(watch, stop), kwargs={"scan": SCAN})
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def wait_for(condition: Callable[[], object], seconds: float = 60.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "nothing happened"
        time.sleep(0.05)


# Of watchdog: a folder that it sees twice.
@pytest.mark.filterwarnings("ignore:Callback with id:RuntimeWarning")
def test_however_a_frame_is_written_its_stack_is_taken_once_and_never_early(
    settings: ServerSettings, places: Places, store: Store
) -> None:
    taken: dict[str, list[str]] = {}

    def noting(stack: str, frames: list[Path], **more: Any) -> Submission:
        taken.setdefault(stack, []).append(" ".join(digest_of(path) for path in frames))
        return planning.submission(stack, frames, **more)

    threads = []
    with watched(Watch(settings, places, store, submission=noting)):
        for writer in WRITERS:
            path = places.inbox / writer.__name__ / "1.tif"
            path.parent.mkdir()
            threads.append(threading.Thread(target=writer, args=(path,)))
            threads[-1].start()
        for thread in threads:
            thread.join()
        wait_for(lambda: len(taken) == len(WRITERS))
        time.sleep(3 * SCAN)
    final = {w.__name__: [digest_of(places.inbox / w.__name__ / "1.tif")] for w in WRITERS}
    assert taken == final


# Jobs


def test_a_stack_becomes_one_job_with_its_frames_in_order_and_wakes_the_workers(
    settings: ServerSettings, places: Places, store: Store
) -> None:
    kicked: list[int] = []
    stepped = Stepped(settings, store, kick=lambda: kicked.append(1))
    paths = lay_frames(places.inbox / "a", "9.tif", "10.tif")
    entry = stepped.settle()["a"]
    assert (entry.state, entry.why, entry.job) == ("queued", "job 1 waits for its turn", 1)
    job = store.job(1)
    assert (job.stack, job.owner, job.recipe, job.sources) == (
        "a",
        settings.server.owner,
        "standard",
        (str(places.inbox / "a"),),
    )
    assert [frame.path for frame in store.frames(1)] == [str(path) for path in paths]
    assert len(store.units(1)) > 0
    stepped.settle()
    assert (len(kicked), len(jobs(store))) == (1, 1)


def test_a_folders_wishes_reach_the_job_and_wrong_ones_are_told(stepped: Stepped, store: Store) -> None:
    folder = stepped.places.inbox / "a"
    lay_frames(folder, "1.tif", "2.tif")
    wishes = folder / "nearfar.toml"
    wishes.write_text('owner = "anna"\nrecipe = "nonesuch"\npriority = 4\nreference = "3.tif"\n')
    entry = stepped.settle()["a"]
    assert entry.state == "waiting"
    assert "nonesuch" in entry.why
    wishes.write_text('owner = "anna"\nrecipe = "macro"\npriority = 4\nreference = "3.tif"\n')
    assert "reference frame 3.tif" in stepped.settle()["a"].why
    wishes.write_text('owner = "anna"\nrecipe = "macro"\npriority = 4\nreference = "2.tif"\n')
    stepped.settle()
    job = store.job(1)
    assert (job.owner, job.recipe, job.priority, job.settings) == ("anna", "macro", 4, {"reference": "2.tif"})


def test_a_stack_with_a_broken_frame_becomes_a_refused_job_and_is_taken_when_it_is_mended(
    stepped: Stepped, store: Store
) -> None:
    good, bad = lay_frames(stepped.places.inbox / "a", "1.tif", "2.tif")
    data = bad.read_bytes()
    bad.write_bytes(data[:100])
    assert stepped.settle()["a"].state == "arriving"
    stepped.look(2.5)
    entry = stepped.look()["a"]
    job = store.job(1)
    assert (job.state, job.cause) == (JobState.FAILED, "input")
    assert "2.tif" in (job.reason or "")
    assert entry.state == "refused"
    for _ in range(3):
        stepped.settle(100)
    assert len(jobs(store)) == 1  # not tried day and night
    bad.write_bytes(data)
    assert stepped.settle()["a"].job == 2
    assert store.job(2).state is JobState.WAITING
    assert good.exists()


def test_the_reason_of_a_refused_stack_stands_in_a_restarted_watch_without_a_second_job(
    settings: ServerSettings, stepped: Stepped, store: Store
) -> None:
    lay_frames(stepped.places.inbox / "a", "1.tif")[0].write_bytes(b"II*\0")
    stepped.settle()
    stepped.look(2.5)
    again = Stepped(settings, store)
    again.settle()
    assert again.look(2.5)["a"].state == "refused"
    assert len(jobs(store)) == 1


def test_frames_that_come_later_make_a_new_job_and_end_the_one_that_lacks_them(
    stepped: Stepped, store: Store
) -> None:
    folder = stepped.places.inbox / "a"
    lay_frames(folder, "1.tif", "2.tif")
    stepped.settle()
    lay_frames(folder, "3.tif", first=5)
    entry = stepped.settle()["a"]
    assert entry.job == 2
    assert "1 frame more than job 1 had" in entry.why
    assert jobs(store) == [(1, "a", "cancelled"), (2, "a", "waiting")]
    assert "job 2 has all of them" in (store.job(1).reason or "")


@pytest.mark.parametrize(("policy", "count"), [("skip", 1), ("again", 2)])
def test_the_same_frames_elsewhere_are_a_duplicate_by_the_policy(
    tmp_path: Path, places: Places, store: Store, policy: str, count: int
) -> None:
    stepped = Stepped(short(tmp_path / "data", duplicates=policy), store)
    lay_frames(places.inbox / "a", "1.tif", "2.tif")
    stepped.settle()
    shutil.copytree(places.inbox / "a", places.inbox / "b")
    (places.inbox / "b" / "1.tif").rename(places.inbox / "b" / "other name.tif")
    entry = stepped.settle()["b"]
    assert len(jobs(store)) == count
    assert entry.state == ("duplicate" if policy == "skip" else "queued")
    if policy == "skip":
        assert f"the same frames as job 1, which came from {places.inbox / 'a'}" in entry.why
    again = Stepped(short(tmp_path / "data", duplicates=policy), store)
    again.settle()
    assert len(jobs(store)) == count


def test_the_same_frames_copied_to_the_same_place_again_follow_the_policy(
    tmp_path: Path, places: Places, store: Store
) -> None:
    stepped = Stepped(short(tmp_path / "data", duplicates="again"), store)
    paths = lay_frames(places.inbox / "a", "1.tif", "2.tif")
    stepped.settle()
    for path in paths:
        path.write_bytes(path.read_bytes())
    assert stepped.settle()["a"].job == 2


def test_a_frame_that_only_got_another_mode_is_not_merged_again(
    tmp_path: Path, places: Places, store: Store
) -> None:
    stepped = Stepped(short(tmp_path / "data", duplicates="again"), store)
    for path in lay_frames(places.inbox / "a", "1.tif", "2.tif"):
        stepped.settle()
        path.chmod(0o640)
    stepped.settle()
    assert [number for number, *_ in jobs(store) if store.job(number).state is JobState.WAITING] == [1]


# Restarts


class Stopped(BaseException):
    """The watch is killed here."""


@pytest.mark.parametrize("moment", ["before the store", "after the store"])
@pytest.mark.parametrize("loose", [False, True])
def test_a_watch_killed_while_it_takes_a_stack_loses_nothing_and_doubles_nothing(
    settings: ServerSettings,
    places: Places,
    store: Store,
    monkeypatch: pytest.MonkeyPatch,
    moment: str,
    loose: bool,
) -> None:
    folder = places.inbox if loose else places.inbox / "a"
    lay_frames(folder, "1.tif", "2.tif")
    stepped = Stepped(settings, store)
    real = store.submit

    def killed(submission: Submission, *, who: str) -> Any:
        if moment == "after the store":
            real(submission, who=who)
        raise Stopped

    monkeypatch.setattr(store, "submit", killed)
    stepped.look()
    if loose:
        stepped.look(QUIET)  # sorted, and offered at the next look
    with pytest.raises(Stopped):
        stepped.look(QUIET)
    monkeypatch.undo()
    lay_frames(folder if loose else places.inbox / "b", "3.tif", first=5)
    again = Stepped(settings, store)
    again.settle()
    entries = again.settle()
    assert len(jobs(store)) == 2
    assert [len(store.frames(number)) for number, *_ in jobs(store)] == [2, 1]
    assert {entry.state for entry in entries.values() if entry.job} == {"queued"}
    assert again.watch.inbox.digests is not None
    assert again.watch.inbox.digests.read == 1  # only the new frame


def test_a_watch_that_forgot_everything_asks_the_store(
    settings: ServerSettings, stepped: Stepped, store: Store
) -> None:
    lay_frames(stepped.places.inbox, "1.tif", "2.tif")
    stepped.settle()
    lay_frames(stepped.places.inbox, "3.tif", first=5)
    lay_frames(stepped.places.inbox / "a", "4.tif", first=6)
    before = stepped.settle()
    watching.memory_file(stepped.places).unlink()
    (stepped.places.state / "digests").unlink()
    after = Stepped(settings, store).settle()
    assert len(jobs(store)) == 3
    assert {path: entry.job for path, entry in after.items()} == {path: e.job for path, e in before.items()}


def test_a_second_watch_waits_until_the_first_is_gone(places: Places) -> None:
    stop = threading.Event()
    assert not watch_runs(places)
    with alone(places, stop) as first:
        assert first
        assert watch_runs(places)
        stop.set()
        with alone(places, stop) as second:
            assert not second
    assert not watch_runs(places)


# Troubles


def test_nothing_is_taken_while_the_disk_is_full_and_all_of_it_afterwards(
    stepped: Stepped, store: Store
) -> None:
    lay_frames(stepped.places.inbox / "a", "1.tif")
    DiskWatch(stepped.places, 1 << 30, free=lambda _folder: 5).look()
    entry = stepped.settle()["a"]
    assert entry.state == "waiting"
    assert "nothing new is taken until there is more" in entry.why
    assert jobs(store) == []
    DiskWatch(stepped.places, 1 << 30, free=lambda _folder: 1 << 40).look()
    assert stepped.look()["a"].job == 1 or stepped.look()["a"].job == 1


def test_a_store_that_does_not_answer_loses_nothing(
    stepped: Stepped, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay_frames(stepped.places.inbox / "a", "1.tif")

    def away(*_: Any, **__: Any) -> Any:
        raise StoreUnreachable("it is away")

    monkeypatch.setattr(store, "last_event", away)
    entry = stepped.settle()["a"]
    assert entry.state == "waiting"
    assert "it is away" in entry.why
    monkeypatch.undo()
    assert stepped.look()["a"].job == 1


def test_a_job_whose_frames_vanished_runs_again_when_they_are_back(stepped: Stepped, store: Store) -> None:
    folder = stepped.places.inbox / "a"
    lay_frames(folder, "1.tif", "2.tif")
    stepped.settle()
    away = stepped.places.data / "away"
    folder.rename(away)
    entry = stepped.look()["a"]
    assert (entry.state, entry.job) == ("waiting", 1)
    assert "goes on when they are back" in entry.why
    store.refuse(1, cause="missing", reason="1.tif is not there", who="worker")
    assert stepped.look()["a"].state == "waiting"
    away.rename(folder)
    stepped.look()
    assert stepped.look()["a"].state == "queued"
    assert (store.job(1).state, store.job(1).run, len(jobs(store))) == (JobState.WAITING, 2, 1)


def test_folders_of_the_server_in_a_watched_one_are_refused_with_the_reason(
    tmp_path: Path, store: Store
) -> None:
    data = tmp_path / "data"
    outside = tmp_path / "outside"
    outside.mkdir()
    (tmp_path / "link").symlink_to(data / "results")
    paths = [data / "results", data, tmp_path, data / "results" / "x", tmp_path / "link", outside]
    settings = short(data, folders=[{"path": str(path)} for path in paths])
    places_of(settings).make()
    Stepped(settings, store).look()
    problems = {folder.path: folder.problem for folder in read_state(places_of(settings)).folders}
    assert problems.pop(str(data / "inbox")) is None
    assert problems.pop(str(outside)) is None
    assert all("server" in (problem or "") for problem in problems.values())
    moved = short(data, move_to=data / "inbox" / "merged")
    Stepped(moved, store).look()
    assert "lies in it" in (read_state(places_of(moved)).folders[0].problem or "")


def test_a_further_folder_brings_its_owner_and_recipe_and_is_not_read_twice_within_another(
    tmp_path: Path, store: Store
) -> None:
    data = tmp_path / "data"
    inner = data / "inbox" / "studio"
    settings = short(
        data, folders=[{"path": str(inner), "owner": "studio", "recipe": "macro", "priority": 2}]
    )
    places_of(settings).make()
    lay_frames(inner / "a", "1.tif")
    lay_frames(data / "inbox" / "b", "2.tif", first=4)
    Stepped(settings, store).settle()
    found = {job.stack: (job.owner, job.recipe, job.priority) for job in store.jobs().jobs}
    assert found == {"a": ("studio", "macro", 2), "b": (settings.server.owner, "standard", 0)}


def test_the_scan_rests_the_longer_the_more_there_is_but_never_while_something_moves(
    stepped: Stepped, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watching, "SHARE", 1e-9)
    frames = lay_frames(stepped.places.inbox / "a", "1.tif")
    assert [stepped.watch.look() for _ in range(3)] == [SCAN] * 3  # it arrives
    stepped.settle()
    assert stepped.watch.look() == SCAN  # its job waits
    store.cancel(1, who="anna")
    stepped.watch.look()
    assert stepped.watch.look() == watching.LONGEST_REST
    frames[0].with_name("2.tif").write_bytes(frames[0].read_bytes())
    assert stepped.watch.look() == SCAN


# Moving originals


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

    def denied(self: Path, missing_ok: bool = False) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(self))

    monkeypatch.setattr(Path, "unlink", denied)
    entry = movers.look()["a"]
    monkeypatch.undo()
    assert entry.state == "done"
    assert "could not be moved" in entry.why
    assert f"Permission denied (errno {errno.EACCES})" in entry.why
    assert frame.exists()


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


# The process


def test_the_process_takes_a_stack_tells_of_it_and_leaves_when_asked(
    settings: ServerSettings, places: Places, store: Store
) -> None:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("NEARFAR_")}
    process = subprocess.Popen(
        [sys.executable, "-m", "nearfar.runner.watching"], env=environment | to_environment(settings)
    )
    try:
        wait_for(lambda: read_state(places).folders)
        assert watch_runs(places)
        lay_frames(places.inbox / "a", "1.tif", "2.tif")
        wait_for(lambda: [entry.job for entry in read_state(places).entries] == [1])
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
    finally:
        process.kill()
        process.wait()
    assert jobs(store) == [(1, "a", "waiting")]
    assert json.loads((places.state / "inbox.json").read_text())["entries"][0]["stack"] == "a"


def _wait_for_more(store: Store, before: int) -> None:
    wait_for(lambda: len(store.jobs().jobs) > before)


def test_a_watch_killed_in_the_middle_and_started_again_takes_every_stack_once(
    settings: ServerSettings, places: Places, store: Store
) -> None:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("NEARFAR_")} | to_environment(
        settings
    )
    for number in range(12):
        lay_frames(places.inbox / f"{number}", "1.tif", "2.tif", first=10 * number)
    command = [sys.executable, "-m", "nearfar.runner.watching"]
    process = subprocess.Popen(command, env=environment)
    _wait_for_more(store, 0)
    process.kill()
    process.wait()
    lay_frames(places.inbox / "late", "1.tif", first=500)
    process = subprocess.Popen(command, env=environment)
    try:
        wait_for(lambda: len(store.jobs().jobs) >= 13)
        wait_for(lambda: len([e for e in read_state(places).entries if e.state == "queued"]) == 13)
    finally:
        process.terminate()
        process.wait()
    found = jobs(store)
    assert len({stack for _, stack, _ in found}) == len(found) == 13


def test_a_name_that_is_not_utf_8_reaches_the_job_byte_by_byte(stepped: Stepped, store: Store) -> None:
    folder = stepped.places.inbox / os.fsdecode(b"caf\xe9")
    paths = lay_frames(folder, os.fsdecode(b"\xe9 1.tif"), "2.tif")
    stepped.settle()
    job = store.job(1)
    assert [frame.path for frame in store.frames(1)] == [str(path) for path in reversed(paths)]
    assert all(Path(frame.path).exists() for frame in store.frames(1))
    assert job.sources == (f"{stepped.places.inbox}/caf\\xe9",)
    assert (stepped.places.state / "inbox.json").read_text().encode("utf-8")
    entries = read_state(stepped.places).entries
    assert [entry.path for entry in entries] == [f"{stepped.places.inbox}/caf\\xe9"]
    assert Stepped(short(stepped.places.data), store).settle().popitem()[1].job == 1
    assert len(jobs(store)) == 1


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
