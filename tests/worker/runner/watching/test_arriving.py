"""Complete stacks become jobs, each once, whatever is stopped or fails in between."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from nearfar.errors import StoreUnreachable
from nearfar.intake.state import read_state
from nearfar.jobs import JobState, Outcome, Store, Submission, UnitKind, UnitPlan
from nearfar.places import Places, places_of
from nearfar.runner import planning
from nearfar.runner.disk import DiskWatch
from nearfar.runner.watching import process
from nearfar.server_settings import ServerSettings
from tests.worker.runner.watching.stepped import (
    QUIET,
    SCAN,
    Stepped,
    Stopped,
    jobs,
    lay_frames,
    short,
)


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
    entry = stepped.settle(2 * QUIET)["a"]
    assert entry.job == 2
    assert "1 frame more than job 1 had" in entry.why
    assert jobs(store) == [(1, "a", "cancelled"), (2, "a", "waiting")]
    assert "job 2 has all of them" in (store.job(1).reason or "")


def test_frames_that_come_one_by_one_into_the_folder_are_one_job_from_the_second_on(
    stepped: Stepped, store: Store
) -> None:
    """Each made a job that the next one called off."""
    folder = stepped.places.inbox / "a"
    for number in range(5):
        lay_frames(folder, f"{number}.tif", first=number)
        stepped.look()
        stepped.look(1.1)  # longer than the quiet time
    stepped.settle(2.2)
    assert [(job, state) for job, _, state in jobs(store)] == [(1, "cancelled"), (2, "waiting")]
    assert store.job(1).reason == "4 frames more than it had arrived; job 2 has all of them"
    assert len(store.frames(2)) == 5


@pytest.mark.parametrize("end", ["done", "failed"])
def test_a_job_that_has_ended_says_that_more_frames_came_to_its_folder(
    settings: ServerSettings, places: Places, store: Store, end: str
) -> None:
    """Its picture lay under the stack's name and passed for the whole stack; only the inbox told of the other job."""

    def short_work(*stack: Any, **about: Any) -> Submission:
        deliver = UnitPlan(kind=UnitKind.DELIVER, weight=1.0)
        return replace(planning.submission(*stack, **about), units=(deliver,))

    stepped = Stepped(settings, store, submission=short_work)
    folder = stepped.places.inbox / "a"
    lay_frames(folder, "1.tif", "2.tif")
    stepped.settle()
    if end == "done":
        store.register("w1", host="h", pid=1, version="1", slots=1, memory=1 << 40, disk=1 << 40)
        claim = store.claim("w1")
        assert claim is not None
        store.finish(claim, Outcome(job_result="/results/a/a.tif"))
    else:
        store.refuse(1, cause="input", reason="two frames are not enough.", who="test")
    lay_frames(folder, "3.tif", "4.tif", first=5)
    assert stepped.settle(2 * QUIET)["a"].job == 2
    more = "2 more frames came to its folder after it was taken; job 2 has all of them"
    before = "" if end == "done" else "two frames are not enough; "
    assert (str(store.job(1).state), store.job(1).reason) == (end, before + more)
    assert [event.detail for event in store.events(job=1) if event.action == "job.outgrown"] == [
        {"reason": more}
    ]
    stepped.settle()
    assert store.job(1).reason == before + more, "it is said once"


@pytest.mark.parametrize("begun", [False, True])
def test_a_frame_that_is_replaced_ends_the_job_that_waits_for_it_and_no_job_at_work(
    stepped: Stepped, store: Store, begun: bool
) -> None:
    """Both jobs read the new file and made one picture twice; a job at work may have read what it was made for."""
    folder = stepped.places.inbox / "a"
    lay_frames(folder, "1.tif", "2.tif")
    stepped.settle()
    if begun:
        store.register("w1", host="h", pid=1, version="1", slots=1, memory=1 << 40, disk=1 << 40)
        assert store.claim("w1") is not None
    lay_frames(folder, "2.tif", first=7)
    entry = stepped.settle()["a"]
    assert "other frames than those of job 1" in entry.why
    assert jobs(store) == [(1, "a", "running" if begun else "cancelled"), (2, "a", "waiting")]
    if not begun:
        assert store.job(1).reason == "2.tif was replaced before it began; job 2 has what lies there now"


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
        stepped.look_on()
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
    process.memory_file(stepped.places).unlink()
    (stepped.places.state / "digests").unlink()
    after = Stepped(settings, store).settle()
    assert len(jobs(store)) == 3
    assert {path: entry.job for path, entry in after.items()} == {path: e.job for path, e in before.items()}


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
    DiskWatch(stepped.places, 1 << 30, free=lambda _folder: 5).look()
    why = stepped.look()["a"].why
    assert why.startswith("job 1 waits for its turn; paused: "), (
        "what it waits for is told, not only that it does"
    )
    assert "nothing new is taken until there is more" in why


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
    assert "continues when they are back" in entry.why
    store.refuse(1, cause="missing", reason="1.tif is not there", who="worker")
    assert stepped.look()["a"].state == "waiting"
    away.rename(folder)
    stepped.look()
    assert stepped.look()["a"].state == "queued"
    assert (store.job(1).state, store.job(1).run, len(jobs(store))) == (JobState.WAITING, 2, 1)


@pytest.mark.parametrize("begun", [False, True])
def test_a_folder_that_is_renamed_before_it_is_merged_is_merged_under_its_new_name(
    begun: bool, stepped: Stepped, store: Store
) -> None:
    folder = stepped.places.inbox / "a"
    lay_frames(folder, "1.tif", "2.tif")
    stepped.settle()
    assert not begun or store.claim("w1") is not None
    folder.rename(stepped.places.inbox / "b")
    entry = stepped.settle()["b"]
    assert (entry.state, entry.job) == ("queued", 2)
    assert jobs(store) == [(1, "a", "cancelled"), (2, "b", "waiting")]
    assert str(store.job(1).reason).endswith("inbox/b; job 2 merges them")
    assert "a" not in stepped.look(), "nothing is expected there any longer"


def test_frames_that_counted_as_those_of_a_job_are_merged_for_themselves_once_that_lost_its_own(
    settings: ServerSettings, stepped: Stepped, store: Store
) -> None:
    folder = stepped.places.inbox / "a"
    lay_frames(folder, "1.tif", "2.tif")
    stepped.settle()
    shutil.copytree(folder, stepped.places.inbox / "b")
    assert stepped.settle()["b"].state == "duplicate"
    shutil.rmtree(folder)
    assert stepped.settle()["b"].state == "duplicate", "it may come back"
    store.refuse(1, cause="missing", reason="1.tif is not there", who="worker")
    assert "job 1 lost its frames" in stepped.look()["b"].why
    afresh = Stepped(settings, store)
    entry = afresh.settle()["b"]
    assert (entry.state, entry.job) == ("queued", 2)
    assert jobs(store) == [(1, "a", "failed"), (2, "b", "waiting")]
    assert "job 2, which has them from" in afresh.look()["a"].why
    store.cancel(2, who="mara")
    deliver = UnitPlan(kind=UnitKind.DELIVER, weight=1.0)
    same = {name: getattr(store.job(1), name) for name in ("owner", "recipe", "digest")}
    store.submit(Submission(stack="c", sources=("/c",), units=(deliver,), **same), who="mara")
    claim = store.claim("w1")
    assert claim is not None
    store.finish(claim, Outcome(job_result="/results/c/c.tif"))
    entry = afresh.look()["a"]
    assert (entry.state, entry.why) == (
        "done",
        "job 1 lost its frames; job 3 merged them from /c: /results/c/c.tif",
    )


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
    monkeypatch.setattr(process, "SHARE", 1e-9)
    frames = lay_frames(stepped.places.inbox / "a", "1.tif")
    assert [stepped.watch.look() for _ in range(3)] == [SCAN] * 3  # it arrives
    stepped.settle()
    assert stepped.watch.look() == SCAN  # its job waits
    store.cancel(1, who="anna")
    stepped.watch.look()
    assert stepped.watch.look() == process.LONGEST_REST
    frames[0].with_name("2.tif").write_bytes(frames[0].read_bytes())
    assert stepped.watch.look() == SCAN


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
