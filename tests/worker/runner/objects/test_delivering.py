"""Results are put into a bucket whole, with the report last, and nothing there is replaced, through outages and kills.

The storage is moto's server; what was put is read by another client (obstore).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import pytest

from nearfar.errors import BucketAway
from nearfar.runner.objects import carrying, delivering
from nearfar.runner.objects.buckets import Bucket
from nearfar.runner.objects.carrying import Carrier
from tests.worker.runner.objects.crew import Crew
from tests.worker.runner.objects.storage import SHOOTS, Storage, client
from tests.worker.runner.serving import wait_for


@pytest.fixture
def order(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Keys of objects in the order in which they were made; a listing tells that to the second only."""
    made: list[str] = []
    for name in ("put", "complete"):
        monkeypatch.setattr(Bucket, name, _noting(getattr(Bucket, name), made))
    return made


def _noting(real: Callable[..., bool], made: list[str]) -> Callable[..., bool]:
    """A method of a bucket that notes the keys that it is called with, once it did what it does."""

    def noting(self: Bucket, key: str, *rest: Any) -> bool:
        found = real(self, key, *rest)
        made.append(key)
        return found

    return noting


@pytest.fixture
def small_parts(monkeypatch: pytest.MonkeyPatch) -> int:
    """The least that S3 takes for a part."""
    monkeypatch.setattr(delivering, "PART", 5 << 20)
    return 5 << 20


def test_a_result_lies_in_the_bucket_as_it_lies_here_and_its_report_came_last(
    crew: Crew, storage: Storage, order: list[str], small_parts: int
) -> None:
    job, folder = crew.result(large=small_parts + 1_000_000)
    put(crew, job)
    below = f"{crew.prefix}moss/"
    assert crew.state(job) == ("done", None)
    assert crew.transfers.of_jobs([job])[job][0].place == f"s3://{SHOOTS}/{below}"
    keys = storage.keys(below)
    assert sorted(keys) == sorted(order)
    assert order[-1] == f"{below}moss.report.json"
    assert {key.rpartition("/")[2]: storage.read(key) for key in keys} == {
        path.name: path.read_bytes() for path in folder.iterdir()
    }
    assert uploads(storage) == []


def put(crew: Crew, job: int, carrier: Carrier | None = None) -> None:
    crew.transfers.deliver_again(job, crew.settings.objects.buckets[0].target, who="lena")
    assert (carrier or crew.carrier).deliver_one()


def uploads(storage: Storage) -> list[str]:
    """Uploads in parts that became no object."""
    warden = client(storage, "s3", storage.users["warden"])
    return [each["Key"] for each in warden.list_multipart_uploads(Bucket=SHOOTS).get("Uploads", ())]


def test_what_lies_there_already_stays_and_the_result_gets_a_number(crew: Crew, storage: Storage) -> None:
    job, folder = crew.result()
    prefix = crew.prefix
    storage.lay(f"{prefix}moss/moss.tif", b"somebody else's")
    storage.lay(f"{prefix}moss-2/notes.txt", b"of a person")
    put(crew, job)
    assert storage.read(f"{prefix}moss/moss.tif") == b"somebody else's"
    assert storage.keys(f"{prefix}moss/") == [f"{prefix}moss/moss.tif"]
    assert storage.keys(f"{prefix}moss-2/") == [f"{prefix}moss-2/notes.txt"]
    assert storage.read(f"{prefix}moss-3/moss-3.tif") == (folder / "moss.tif").read_bytes()
    assert storage.read(f"{prefix}moss-3/moss-3.report.json") == b"{}"


def test_a_result_that_lies_there_is_not_put_twice_and_a_mended_one_beside_it(
    crew: Crew, storage: Storage
) -> None:
    job, folder = crew.result()
    prefix = crew.prefix
    put(crew, job)
    put(crew, job)
    assert {key.split("/")[-2] for key in storage.keys(f"{prefix}")} == {"moss"}
    (folder / "moss.tif").write_bytes(b"mended")
    put(crew, job)
    assert storage.read(f"{prefix}moss-2/moss-2.tif") == b"mended"
    assert storage.read(f"{prefix}moss/moss.tif") != b"mended"


def test_one_that_comes_between_is_not_replaced(
    crew: Crew, storage: Storage, monkeypatch: pytest.MonkeyPatch
) -> None:
    job, _ = crew.result()
    prefix = crew.prefix
    real = Bucket.put

    def late(self: Bucket, key: str, *rest: Any) -> bool:
        if key == f"{prefix}moss/moss.report.txt":
            storage.lay(key, b"quicker")
        return real(self, key, *rest)

    monkeypatch.setattr(Bucket, "put", late)
    put(crew, job)
    assert storage.read(f"{prefix}moss/moss.report.txt") == b"quicker"
    assert f"{prefix}moss/moss.report.json" not in storage.keys(prefix)
    assert storage.read(f"{prefix}moss-2/moss-2.report.json") == b"{}"


@pytest.mark.parametrize("killed", [False, True])
def test_half_an_upload_is_dropped_and_the_rest_is_not_sent_again(
    crew: Crew, storage: Storage, monkeypatch: pytest.MonkeyPatch, small_parts: int, killed: bool
) -> None:
    job, folder = crew.result(large=2 * small_parts + 5)
    prefix = crew.prefix
    real, parts = Bucket.put_part, []

    def failing(self: Bucket, key: str, upload: str, number: int, *rest: Any) -> Any:
        parts.append(number)
        if len(parts) == 2:
            raise BucketAway("the plug was pulled")
        return real(self, key, upload, number, *rest)

    with monkeypatch.context() as broken:
        broken.setattr(Bucket, "put_part", failing)
        if killed:
            broken.setattr(Bucket, "drop", lambda *_: None)
        put(crew, job)
    assert crew.state(job) == ("waiting", "the plug was pulled")
    before = storage.keys(prefix)
    assert before, "what comes before the picture"
    assert not any(key.endswith((".report.json", ".tif")) for key in before)
    assert len(uploads(storage)) == killed
    sent: list[str] = []
    monkeypatch.setattr(Bucket, "put", _noting(Bucket.put, sent))
    assert crew.another().deliver_one()
    assert crew.state(job) == ("done", None)
    assert not set(sent) & set(before)
    assert storage.read(f"{prefix}moss/moss.tif") == (folder / "moss.tif").read_bytes()
    assert uploads(storage) == []


def test_a_result_that_is_mended_meanwhile_is_put_anew(
    crew: Crew, storage: Storage, monkeypatch: pytest.MonkeyPatch
) -> None:
    job, folder = crew.result()
    prefix = crew.prefix
    real = Bucket.put

    def mend(self: Bucket, key: str, *rest: Any) -> bool:
        (folder / "moss.tif").write_bytes(b"mended")
        return real(self, key, *rest)

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(Bucket, "put", mend)
        put(crew, job)
    assert "was changed while it was put" in (crew.state(job)[1] or "")
    assert f"{prefix}moss/moss.report.json" not in storage.keys(prefix)
    assert crew.carrier.deliver_one()
    assert crew.state(job)[0] == "done"
    (report,) = [key for key in storage.keys(prefix) if key.endswith(".report.json")]
    assert storage.read(report.replace(".report.json", ".tif")) == b"mended"


def test_a_result_that_is_gone_is_told(crew: Crew) -> None:
    job, folder = crew.result()
    for path in folder.iterdir():
        path.unlink()
    folder.rmdir()
    put(crew, job)
    state, reason = crew.state(job)
    assert state == "failed"
    assert "no longer here" in (reason or "")


def test_threads_carry_both_ways_and_leave_at_once(crew: Crew, storage: Storage) -> None:
    assert not crew.carrier.deliver_one(), "from now on results are wanted there"
    carrier = crew.another()
    carrier.start()
    fetched = crew.submit()
    job, folder = crew.result()
    wait_for(lambda: crew.state(fetched)[0] == "done")
    wait_for(lambda: bool(crew.transfers.of_jobs([job])[job]) and crew.state(job)[0] == "done")
    carrier.stop()
    below = f"{crew.prefix}moss/moss.tif"
    assert storage.read(below) == (folder / "moss.tif").read_bytes()
    assert not [each for each in threading.enumerate() if each.name.startswith("carry")]


def test_the_constants_are_as_the_protocol_wants_them() -> None:
    assert 5 << 20 <= delivering.PART <= 5 << 30, "parts of S3: 5 MiB to 5 GiB (S3 API, from memory)"
    assert delivering._part_of(5 << 40) * delivering.MOST_PARTS >= 5 << 40, "the largest object, 5 TiB"
    assert delivering._part_of(5 << 40) <= 5 << 30
    assert sorted(carrying.RESTS) == [*carrying.RESTS]
