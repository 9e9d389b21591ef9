"""Several workers on one shared folder, told of the server by its settings file: nothing is lost however they go."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from nearfar.jobs import AttemptStep, Store, UnitKind
from tests.acceptance.command import lay
from tests.acceptance.crew import LEASE, Studio, children_of, digests, open_store_of, studio, wrong
from tests.acceptance.wires import Space, Wire, spaces
from tests.scenes import render
from tests.worker.jobs.making import emptied
from tests.worker.jobs.postgresql import server
from tests.worker.runner.redis_server import RedisServer, redis_server
from tests.worker.runner.serving import wait_for

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
JOBS = 7
CREWS = 3
OPEN = 3
"""Jobs that are on their way at least as long as workers are cut off."""


@pytest.fixture(scope="module")
def stack(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stack") / "occlusion"
    lay(render("occlusion", frames=6, size=(320, 240), seed=3).frames, folder)
    return folder


@pytest.fixture(scope="module")
def postgresql_url() -> Iterator[str]:
    with server("-c", "fsync=off") as url:
        yield url


@pytest.fixture(scope="module")
def redis() -> Iterator[RedisServer]:
    with redis_server() as running:
        yield running


@pytest.fixture
def small(tmp_path: Path, postgresql_url: str, redis: RedisServer) -> Iterator[Studio]:
    with studio(tmp_path / "data", emptied(postgresql_url), redis.url) as made:
        made.serve("keep")
        yield made


@pytest.fixture
def store(small: Studio) -> Iterator[Store]:
    opened = open_store_of(small)
    yield opened
    opened.close()


def test_units_of_one_job_spread_and_a_worker_that_goes_loses_nothing(
    small: Studio, store: Store, stack: Path
) -> None:
    for name in ("one", "two"):
        small.crew(name)
    wait_for(lambda: len(store.workers(alive=True)) >= 2, 240)
    first: list[int] = []
    while len({a.worker for job in first for a in store.attempts(job)}) < 2:
        assert len(first) < 20, "both have a part of the work"
        first += [small.submit(store, stack, f"stack {len(first) + k}") for k in range(2)]
        small.wait(store, first)
    later = [small.submit(store, stack, f"later {k}") for k in range(3)]
    wait_for(lambda: store.figures().units_held > 0, 60)
    small.kill("one")
    small.crew("three")
    wait_for(lambda: len(store.workers(alive=True)) >= 2, 240)
    assert small.stop("two") == 0
    small.wait(store, later)
    assert wrong(store, [*first, *later]) == []
    assert len(set(digests(store, [*first, *later]))) == 1
    scratch = small.data.with_name("scratch-three")
    wait_for(lambda: not [p for p in scratch.rglob("*") if p.is_file()], 60)
    assert not (small.data / "scratch").exists() or not list((small.data / "scratch").rglob("*.rows"))


def test_workers_cut_off_one_after_the_other_lose_nothing(
    small: Studio, store: Store, stack: Path, redis: RedisServer, postgresql_url: str
) -> None:
    """Each hears nothing for longer than a lease and then comes back; no unit is done twice."""
    folder = postgresql_url.rpartition("host=")[2]
    with spaces(CREWS) as cables:
        wires: list[Wire] = []
        cuts: list[Space | list[Wire]] = []
        for number in range(CREWS):
            address = cables[number].ours if cables else "127.0.0.1"
            own = [Wire(f"{folder}/.s.PGSQL.5432", address), Wire(("127.0.0.1", redis.port), address)]
            wires += own
            cuts.append(cables[number] if cables else own)
            file = small.settings_file(
                f"crew{number}",
                f"postgresql://nearfar@{address}:{own[0].port}/postgres",
                redis.url_at(address, own[1].port),
            )
            small.crew(f"crew{number}", file=file, prefix=cables[number].prefix if cables else ())
        wait_for(lambda: len(store.workers(alive=True)) >= CREWS, 240)
        jobs: list[int] = []

        def feed(least: int = 0) -> None:
            while len(jobs) < least or _open(store, jobs) < OPEN:
                jobs.append(small.submit(store, stack, f"stack {len(jobs)}"))

        for number, cut in enumerate(cuts):

            def at_work(crew: str = f"crew{number}") -> bool:
                feed()  # the others may have done all that there was
                return _holds(small, store, crew)

            _cut_at_work(cut, at_work)
            end = time.monotonic() + 1.5 * LEASE  # what the one that is cut off had is somebody else's then
            while time.monotonic() < end:
                feed()
                time.sleep(0.1)
            _each(cut, "mend")
        feed(JOBS)
        small.wait(store, jobs)
        for wire in wires:
            wire.close()
    assert wrong(store, jobs) == []
    assert len(set(digests(store, jobs))) == 1
    assert len(jobs) >= JOBS
    lost = [a for job in jobs for a in store.attempts(job) if a.step is AttemptStep.LOST]
    assert lost, "some who were cut off had their unit taken away"
    kinds = {unit.kind for job in jobs for unit in store.units(job)}
    assert kinds == set(UnitKind)


def _open(store: Store, jobs: list[int]) -> int:
    return sum(store.job(job).finished is None for job in jobs)


def _holds(small: Studio, store: Store, crew: str) -> bool:
    """Whether a worker of that crew has a unit."""
    with children_of(small.processes[crew].pid) as pids:
        mine = [worker.id for worker in store.workers(alive=True) if worker.pid in pids]
    return any(store.held_by(worker) for worker in mine)


def _cut_at_work(cut: Space | list[Wire], holds: Callable[[], bool]) -> None:
    """Cut a crew off while it has a unit, and does not get to say that it is done."""
    end = time.monotonic() + 120
    while True:
        wait_for(holds, 60)
        _each(cut, "cut")
        if holds():
            return
        _each(cut, "mend")
        assert time.monotonic() < end, "whenever it was cut off it had just finished"


def _each(cut: Space | list[Wire], what: str) -> None:
    for one in cut if isinstance(cut, list) else [cut]:
        getattr(one, what)()
