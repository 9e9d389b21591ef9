"""Folders of a watched prefix become jobs once they are quiet, each once, whatever became of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from nearfar.cli.why import lines
from nearfar.errors import UsageError
from nearfar.jobs import JobState
from nearfar.jobs.engine import dispose
from nearfar.runner.objects.watching import Watcher
from nearfar.runner.watching.reasons import reasons_of_address
from tests.worker.jobs.making import Clock
from tests.worker.runner.objects.crew import Crew
from tests.worker.runner.objects.storage import SHOOTS, Storage


@pytest.fixture
def watched(storage: Storage, tmp_path: Path) -> Iterator[Crew]:
    made = Crew(tmp_path, storage.table(tmp_path, watch=f"cards/{tmp_path.name}/", results=None))
    yield made
    dispose(made.store.database.engine)


def watcher(crew: Crew, clock: Clock) -> Watcher:
    return Watcher(crew.settings, crew.places, crew.store, clock=clock)


def stacks(crew: Crew) -> list[tuple[str, int]]:
    return sorted((job.stack, len(crew.store.frames(job.id))) for job in crew.store.jobs().jobs)


def test_a_quiet_folder_becomes_a_job_and_its_frames_come(
    watched: Crew, storage: Storage, tmp_path: Path
) -> None:
    clock, top = Clock(), f"cards/{tmp_path.name}/"
    look = watcher(watched, clock)
    storage.lay(f"{top}loose.jpg", b"no stack")
    storage.lay(f"{top}words/notes.txt", b"no frames")
    storage.lay(f"{top}moss/1.jpg", b"one")
    assert look.look() == 0
    clock.forward(59)
    storage.lay(f"{top}moss/2.jpg", b"two")
    assert look.look() == 0
    clock.forward(59)
    assert look.look() == 0, "it was written to 59 s ago"
    clock.forward(1)
    assert look.look() == 1
    assert stacks(watched) == [("moss", 2)]
    assert watched.carrier.fetch_one()
    (job,) = watched.store.jobs().jobs
    assert (job.state, job.owner) == (JobState.WAITING, watched.settings.server.owner)
    assert watched.came(job.id) == {"1.jpg": b"one", "2.jpg": b"two"}


def test_what_was_taken_is_not_taken_again_also_after_a_start_and_a_failure(
    watched: Crew, storage: Storage, tmp_path: Path
) -> None:
    clock, top = Clock(), f"cards/{tmp_path.name}/"
    storage.lay(f"{top}fern/1.jpg", b"one")
    for _ in range(2):
        look = watcher(watched, clock)
        for _ in range(3):
            look.look()
            clock.forward(60)
        assert stacks(watched) == [("fern", 1)]
        if watched.store.job(1).state is JobState.HELD:
            watched.store.cancel(1, who="lena")
    storage.lay(f"{top}fern/2.jpg", b"two")
    look.look()
    clock.forward(60)
    assert look.look() == 1, "more frames are another set"
    assert stacks(watched) == [("fern", 1), ("fern", 2)]


def test_a_bucket_that_is_away_and_a_stack_that_will_not_do_are_told_once(
    watched: Crew, storage: Storage, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    clock, top = Clock(), f"cards/{tmp_path.name}/"
    storage.lay(f"{top}odd/a:b.jpg", b"one")
    storage.lay(f"{top}good/1.jpg", b"one")
    look = watcher(watched, clock)
    for _ in range(3):
        look.look()
        clock.forward(60)
    assert stacks(watched) == [("good", 1)]
    assert len([line for line in caplog.messages if "cannot be the name of a frame" in line]) == 1
    keys = Path(watched.settings.objects.buckets[0].keys)
    keys.write_text('id = "nobody"\nsecret = "x"\n')
    assert [look.look(), look.look()] == [0, 0]
    assert len([line for line in caplog.messages if "does not know the key" in line]) == 1


def why(crew: Crew, address: str) -> list[str]:
    return list(lines(reasons_of_address(address, crew.settings)))


def test_it_is_told_why_a_folder_there_is_no_picture_yet(
    watched: Crew, storage: Storage, tmp_path: Path
) -> None:
    clock, top = Clock(), f"cards/{tmp_path.name}/"
    look, place = watcher(watched, clock), f"s3://{SHOOTS}/{top}moss/"
    assert why(watched, place)[1:3] == [
        "  The frames directly in it are one stack; it becomes a job once nothing has changed for 60 s.",
        "  Nothing lies there.",
    ]
    storage.lay(f"{top}moss/1.jpg", b"one")
    assert "  1 frame lies directly in it." in why(watched, place)
    for _ in range(3):
        look.look()
        clock.forward(60)
    assert f"  Frames from {place}: waits for its turn." in why(watched, place)
    assert watched.carrier.fetch_one()
    told = why(watched, place)
    assert "  Job 1 is waiting" in told
    assert f"  Frames from {place}: fetched." in told
    assert "never contacted" in why(watched, "s3://elsewhere/moss/")[1]
    assert "may only be fetched below 'cards/'" in why(watched, f"s3://{SHOOTS}/other/")[1]
    other = f"s3://{SHOOTS}/cards/other/"
    assert f"Hand it in with: nearfar send {other}" in why(watched, other)[1]
    assert "A watched prefix" in why(watched, f"s3://{SHOOTS}/{top}")[1]
    assert "this one lies deeper" in why(watched, f"s3://{SHOOTS}/{top}moss/a/")[1]
    with pytest.raises(UsageError):
        why(watched, "s3://")
