"""A carrier that is killed anywhere on the way, in both directions: the next one ends it, and nothing is half or twice.

The storage is moto's server; what was put is read by another client (obstore).
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from nearfar.jobs import FrameState, JobState, Transfers
from nearfar.object_tables import BucketTable
from nearfar.runner.objects import delivering
from nearfar.runner.objects.buckets import Bucket
from tests.forking import started
from tests.worker.runner.objects.crew import FRAMES, Crew
from tests.worker.runner.objects.storage import SHOOTS, Storage, client

PART = 5 << 20
"""The least that S3 takes for a part."""
CALLS: dict[str, tuple[object, str]] = {
    "a piece of a frame": (os, "pwrite"),
    "a frame gets its name": (Path, "rename"),
    "the end is noted": (Transfers, "done"),
    "a small file": (Bucket, "put"),
    "an upload in parts begins": (Bucket, "begin"),
    "a part": (Bucket, "put_part"),
    "the parts become one": (Bucket, "complete"),
}


def carry(folder: Path, table: BucketTable, way: str, what: str, number: int, after: bool) -> None:
    """A process that carries, until it is killed before or after a certain call."""
    delivering.PART = PART
    owner, name = CALLS[what]
    real, calls = getattr(owner, name), []

    def deadly(*given: Any, **named: Any) -> Any:
        calls.append(name)
        if len(calls) == number and not after:
            os.kill(os.getpid(), signal.SIGKILL)
        found = real(*given, **named)
        if len(calls) == number:
            os.kill(os.getpid(), signal.SIGKILL)
        return found

    setattr(owner, name, deadly)
    carrier = Crew(folder, table).carrier
    _one(carrier, way)()


def _one(carrier: Any, way: str) -> Callable[[], bool]:
    found: Callable[[], bool] = carrier.fetch_one if way == "fetch" else carrier.deliver_one
    return found


def killed(
    crew: Crew, folder: Path, table: BucketTable, way: str, what: str, number: int, after: bool
) -> None:
    """Let a carrier be killed; nobody else carries it before its lease is over, and that it is now."""
    process = started(carry, folder, table, way, what, number, after)
    process.join(60)
    assert process.exitcode == -signal.SIGKILL
    if not (what == "the end is noted" and after):
        assert not _one(crew.another(), way)(), "it is still under the lease"
    with crew.store.database.engine.begin() as conn:
        conn.exec_driver_sql("UPDATE transfers SET due = 0 WHERE state = 'waiting'")


@pytest.mark.parametrize(
    ("what", "number", "after"),
    [
        ("a piece of a frame", 3, False),
        ("a frame gets its name", 2, True),
        ("the end is noted", 1, False),
    ],
)
def test_frames_come_whole_though_their_carrier_is_killed(
    crew: Crew, storage: Storage, tmp_path: Path, what: str, number: int, after: bool
) -> None:
    table = crew.settings.objects.buckets[0]
    for key, data in FRAMES.items():
        storage.lay(key, data)
    job = crew.submit()
    killed(crew, tmp_path, table, "fetch", what, number, after)
    assert crew.another().fetch_one()
    assert crew.state(job) == ("done", None)
    assert crew.came(job) == {key.rpartition("/")[2]: data for key, data in FRAMES.items()}
    assert {frame.state for frame in crew.store.frames(job)} == {FrameState.PRESENT}
    assert crew.store.job(job).state is JobState.WAITING
    assert crew.store.units(job), "it can begin"


@pytest.mark.parametrize(
    ("what", "number", "after"),
    [
        ("a small file", 1, True),
        ("an upload in parts begins", 1, True),
        ("a part", 2, False),
        ("the parts become one", 1, True),
        ("the end is noted", 1, False),
    ],
)
def test_a_result_is_put_whole_and_once_though_its_carrier_is_killed(
    crew: Crew,
    storage: Storage,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    what: str,
    number: int,
    after: bool,
) -> None:
    monkeypatch.setattr(delivering, "PART", PART)
    table = crew.settings.objects.buckets[0]
    crew.transfers.want(crew.settings.objects.target.target)  # type: ignore[union-attr]
    job, folder = crew.result(large=2 * PART + 5)
    killed(crew, tmp_path, table, "deliver", what, number, after)
    assert crew.another().deliver_one()
    assert crew.state(job) == ("done", None)
    below = f"{crew.prefix}moss/"
    there = {key.removeprefix(below): storage.read(key) for key in storage.keys(crew.prefix)}
    assert there == {path.name: path.read_bytes() for path in folder.iterdir()}, "no second folder either"
    warden = client(storage, "s3", storage.users["warden"])
    left = warden.list_multipart_uploads(Bucket=SHOOTS).get("Uploads", ())
    for each in left:
        warden.abort_multipart_upload(Bucket=SHOOTS, Key=each["Key"], UploadId=each["UploadId"])
    assert len(left) == (what == "an upload in parts begins"), "but one without parts, of which nobody knew"
