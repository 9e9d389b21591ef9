"""Frames come out of a bucket complete or not at all, through cuts and outages, and are what another client put there.

The storage is moto's server; the other client is obstore.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from nearfar.cli.why import lines
from nearfar.errors import BucketAway
from nearfar.jobs import JobState
from nearfar.jobs.engine import dispose
from nearfar.runner.objects import buckets, fetching
from nearfar.runner.objects.buckets import Bucket
from nearfar.runner.watching.reasons import reasons_of_address
from tests.worker.runner.objects.crew import FRAMES, Crew
from tests.worker.runner.objects.storage import SHOOTS, Storage, Wire


@pytest.fixture
def wired(storage: Storage, tmp_path: Path) -> Iterator[tuple[Crew, Wire]]:
    """The same behind a wire that can be cut."""
    wire = Wire(storage.port)
    table = storage.table(
        tmp_path, results=f"merged/{tmp_path.name}/", endpoint=f"http://127.0.0.1:{wire.port}"
    )
    made = Crew(tmp_path, table, parallel=1)  # two would stop each other before either has written
    yield made, wire
    wire.close()
    dispose(made.store.database.engine)


def named(data: dict[str, bytes]) -> dict[str, bytes]:
    return {key.rpartition("/")[2]: value for key, value in data.items()}


def test_frames_of_a_bucket_are_those_that_another_client_put_there(crew: Crew) -> None:
    job = crew.submit()
    assert crew.carrier.fetch_one()
    assert crew.came(job) == named(FRAMES)
    assert crew.store.job(job).state is JobState.WAITING
    digests = [frame.digest for frame in crew.store.frames(job)]
    assert digests == [hashlib.sha256(data).hexdigest() for data in FRAMES.values()]
    assert crew.state(job) == ("done", None)
    assert not crew.carrier.fetch_one()


def test_a_line_that_breaks_is_gone_on_with_where_it_broke(
    wired: tuple[Crew, Wire], monkeypatch: pytest.MonkeyPatch
) -> None:
    crew, wire = wired
    job = crew.submit()
    starts: list[int] = []
    real = Bucket.read

    def noting(self: Bucket, found: buckets.Stored, start: int) -> Any:
        starts.append(start)
        return real(self, found, start)

    monkeypatch.setattr(Bucket, "read", noting)
    wire.left = 1_000_000
    assert crew.carrier.fetch_one()
    state, reason = crew.state(job)
    assert state == "waiting"
    assert "does not answer" in (reason or "")
    assert crew.store.job(job).state is JobState.HELD
    whole = {name: data for name, data in crew.came(job).items() if not name.endswith(".part")}
    assert whole.items() <= named(FRAMES).items(), "what has its name is whole"
    assert set(whole) != set(named(FRAMES))
    wire.left = None
    starts.clear()
    assert crew.carrier.fetch_one()
    assert crew.came(job) == named(FRAMES)
    assert any(starts), "one went on in its middle"


def test_an_endpoint_that_is_away_is_waited_for(wired: tuple[Crew, Wire]) -> None:
    crew, wire = wired
    job = crew.submit()
    to, wire.to = wire.to, 1
    for tries in (1, 2):
        assert crew.carrier.fetch_one()
        (found,) = crew.transfers.of_jobs([job])[job]
        assert (found.state, found.tries) == ("waiting", tries)
    figures = crew.store.figures()
    assert figures.transfers == {("fetch", "waiting"): 1}
    assert figures.counted["transfer_failures_fetch"] == 2
    assert "transfer_bytes_fetch" not in figures.counted
    told = list(lines(reasons_of_address(f"s3://{SHOOTS}/cards/moss/", crew.settings)))
    assert any("tried 2 times, again in 0 s" in line and "does not answer" in line for line in told), told
    wire.to = to
    assert crew.carrier.fetch_one()
    assert crew.came(job) == named(FRAMES)
    figures = crew.store.figures()
    assert figures.transfers == {}
    assert figures.counted["transfer_bytes_fetch"] == sum(map(len, FRAMES.values()))


def test_a_frame_that_changed_in_the_bucket_fails_its_job(crew: Crew, storage: Storage) -> None:
    storage.lay("cards/odd/1.jpg", b"first")
    storage.lay("cards/odd/2.jpg", b"second")
    job = crew.submit("cards/odd/")
    storage.lay("cards/odd/2.jpg", b"other!")
    assert crew.carrier.fetch_one()
    found = crew.store.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "input")
    assert "cards/odd/2.jpg" in (found.reason or "")
    assert "submit it again" in (found.reason or "")
    assert "2.jpg" not in crew.came(job)


def test_a_right_that_was_taken_away_fails_the_job_with_what_to_do(crew: Crew, storage: Storage) -> None:
    job = crew.submit()
    storage.table(crew.settings.server.data.parent, user="guest")
    keys = Path(crew.settings.objects.buckets[0].keys)
    keys.write_text(keys.with_name("guest.keys").read_text())
    assert crew.carrier.fetch_one()
    found = crew.store.job(job)
    assert (found.state, found.cause) == (JobState.FAILED, "objects")
    assert "has no right" in (found.reason or "")


def test_a_cancelled_job_is_not_fetched(crew: Crew) -> None:
    job = crew.submit()
    crew.store.cancel(job, who="lena")
    assert not crew.carrier.fetch_one()
    assert crew.state(job)[0] == "dropped"
    assert crew.came(job) == {}


class Unsound(Bucket):
    """A line that carries other bytes, for the first so many times."""

    wrong = 1
    differently = False
    reads = 0

    def _pieces(self, body: Any) -> Iterator[bytes]:
        self.reads += 1
        for piece in super()._pieces(body):
            change = (
                bytes([100 + self.reads if self.differently else 99])
                if self.reads <= self.wrong
                else piece[:1]
            )
            yield change + piece[1:]


@pytest.mark.parametrize(("wrong", "differently"), [(1, False), (2, True)])
def test_bytes_that_do_not_match_the_etag_are_read_again(
    crew: Crew, tmp_path: Path, wrong: int, differently: bool
) -> None:
    unsound = Unsound(crew.bucket.table)
    unsound.wrong, unsound.differently = wrong, differently
    frame = awaited(crew, 3)
    digest = fetching.fetch(unsound, frame, tmp_path, check=lambda: None)
    assert unsound.reads == wrong + 1
    assert (tmp_path / "03.jpg").read_bytes() == FRAMES["cards/moss/03.jpg"]
    assert digest == hashlib.sha256(FRAMES["cards/moss/03.jpg"]).hexdigest()


def test_bytes_that_differ_each_time_become_no_frame(crew: Crew, tmp_path: Path) -> None:
    unsound = Unsound(crew.bucket.table)
    unsound.wrong, unsound.differently = 99, True
    with pytest.raises(BucketAway, match="3 times other bytes came"):
        fetching.fetch(unsound, awaited(crew, 3), tmp_path, check=lambda: None)
    assert not (tmp_path / "03.jpg").exists()


def test_an_etag_that_only_looks_like_a_digest_does_no_harm(crew: Crew, tmp_path: Path) -> None:
    class Other(Bucket):
        def find(self, key: str) -> buckets.Stored | None:
            found = super().find(key)
            return None if found is None else replace(found, md5="0" * 32)

    fetching.fetch(Other(crew.bucket.table), awaited(crew, 3), tmp_path, check=lambda: None)
    assert (tmp_path / "03.jpg").read_bytes() == FRAMES["cards/moss/03.jpg"]


def awaited(crew: Crew, number: int) -> fetching.Awaited:
    stored = crew.bucket.listed("cards/moss/", most=100)[number]
    return fetching.Awaited(position=number, name=f"{number:02d}.jpg", stored=stored)
