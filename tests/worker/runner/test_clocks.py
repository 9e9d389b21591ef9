"""Machines whose clocks are five minutes apart work on one job: leases are judged by the store's clock alone."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from nearfar.jobs import AttemptStep, JobState, Rules, open_store
from nearfar.runner.results.sweep import Sweeper
from nearfar.runner.units import Hands
from nearfar.server_settings import KeepTable
from tests.acceptance.command import lay
from tests.scenes import Scene
from tests.worker.jobs.making import emptied
from tests.worker.runner.workbench import MEMORY, SPARE, Bench, places_in

APART = 300.0


@contextmanager
def machine(number: int) -> Iterator[None]:
    """What runs in the block has the clock of one of two machines, both wrong."""
    real = time.time
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(time, "time", lambda: real() + (APART if number % 2 else -APART))
        yield


def test_machines_with_clocks_apart_share_a_job(postgresql_url: str, small: Scene, tmp_path: Path) -> None:
    rules = Rules(lease=200.0, retry_after=0.0, elsewhere=0.0, worker_silence=250.0)  # less than APART
    places = places_in(tmp_path / "data")
    store = open_store(emptied(postgresql_url), rules=rules)
    bench = Bench(
        places=places, store=store, hands=Hands(places=places, memory=MEMORY, threads=1, spare_disk=SPARE)
    )
    job = bench.submit(lay(small.frames, tmp_path / "frames"))
    for number in range(2):
        with machine(number):
            store.register(f"m{number}", host=f"m{number}", pid=1, version="1", slots=1, memory=1, disk=1)
    number = 0
    while True:
        with machine(number):
            claim = store.claim(f"m{number % 2}")
            if claim is None:
                break
        with machine(number + 1):  # the other one finds nothing amiss, and nothing to clear up
            reaped = store.reap()
            assert (reaped.ready, reaped.failed, reaped.workers) == (0, (), ())
            Sweeper(store=store, places=places, keep=KeepTable()).soon()
        with machine(number):
            bench.do(claim, bench.elsewhere(f"scratch{number % 2}"))
        number += 1
    assert store.job(job).state is JobState.DONE
    assert {a.step for a in store.attempts(job)} == {AttemptStep.STARTED, AttemptStep.DONE}
    took = [a.seconds for a in store.attempts(job) if a.seconds is not None]
    assert 0 <= min(took) <= max(took) < APART
    store.close()
