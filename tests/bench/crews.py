"""``python -m tests.bench.crews [FRAMES [WIDTH HEIGHT]]``: one job, and then a queue, by crews of one worker each.

Crews are commands ``nearfar worker`` on PostgreSQL and Redis, each on a processor of its own (taskset(1)) as long as
there are as many, with the same scratch folder as workers of one machine have. One job is done by one and by two; a queue
of six by one, two and four. Prints seconds, how many times faster than one worker that is, and the processor seconds of
all units: where those add up to the seconds times the processors, more workers cannot be faster. ``--units`` also prints
who did which unit of a single job and when, and the seconds in which each worker had none.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from nearfar.frames.decode import decode, read_header
from nearfar.jobs import AttemptStep, JobState, Store
from nearfar.places import places_of
from nearfar.runner.hints import Hinter
from tests.acceptance.crew import Studio, open_store_of, studio
from tests.scenes.big import big
from tests.worker.frames.makers import write_dng
from tests.worker.jobs.making import emptied
from tests.worker.jobs.postgresql import server
from tests.worker.runner.redis_server import redis_server
from tests.worker.runner.serving import wait_for

JOBS = 6
"""Jobs of a queue."""


def raw_frames(sources: list[Path], folder: Path) -> list[Path]:
    """The frames as a sensor behind a mosaic of red, green and blue would have seen them, 14 bit."""
    folder.mkdir()
    made = []
    for source in sources:
        pixels = decode(read_header(source)).astype(np.uint16)
        light = (np.power(pixels / 255.0, 2.2) * 16000 + 64).astype(np.uint16)
        mosaic = light[:, :, 1].copy()
        mosaic[0::2, 0::2] = light[0::2, 0::2, 0]
        mosaic[1::2, 1::2] = light[1::2, 1::2, 2]
        made.append(write_dng(folder / f"{source.stem}.dng", sensor=mosaic))
    return made


def timed(one: Studio, store: Store, frames: list[Path], crews: int, jobs: int) -> tuple[float, float]:
    """Seconds from the first submission until the last job is done by that many crews, and processor seconds."""
    names = [f"crew{k}" for k in range(crews)]
    scratch = one.data.with_name("scratch")
    shutil.rmtree(scratch, ignore_errors=True)
    cores = sorted(os.sched_getaffinity(0))
    for number, name in enumerate(names):
        core = str(cores[number % len(cores)])
        one.crew(name, prefix=["taskset", "-c", core], scratch=scratch)
    wait_for(lambda: len(store.workers(alive=True)) >= crews, 240)
    time.sleep(1.0)
    hinter = Hinter(one.settings, places_of(one.settings), store)
    began = time.monotonic()
    numbers = [one.submit(store, frames[0].parent, f"stack {k}") for k in range(jobs)]
    hinter.publish()  # as a server does at once; what was only written to the store is found within a second
    while any(store.job(number).state is not JobState.DONE for number in numbers):
        time.sleep(0.05)
    took = time.monotonic() - began
    for name in names:
        one.stop(name)
    wait_for(lambda: not store.workers(alive=True), 60)
    for folder in ("work", "results"):
        shutil.rmtree(one.data / folder, ignore_errors=True)
        (one.data / folder).mkdir()
    units = [unit for number in numbers for unit in store.units(number)]
    if jobs == 1 and "--units" in sys.argv:
        print_units(store, numbers[0])
    return took, sum(float((unit.result or {}).get("processor", 0.0)) for unit in units)


def print_units(store: Store, job: int) -> None:
    """When each worker did what, in seconds from the job's submission; it has ended."""
    born = store.job(job).created
    units = {unit.id: unit for unit in store.units(job)}
    began: dict[int, float] = {}
    spans: dict[str, list[tuple[float, float]]] = {}
    for attempt in store.attempts(job):
        unit, at, worker = units[attempt.unit], attempt.at - born, str(attempt.worker)
        if attempt.step is AttemptStep.STARTED:
            began[unit.id] = at
            continue
        start = began.pop(unit.id)
        spans.setdefault(worker, []).append((start, at))
        spent = float((unit.result or {}).get("processor", 0.0))
        print(
            f"    {start:6.2f} to {at:6.2f} {worker[-12:]:12} {unit.kind} {unit.start} to {unit.stop - 1}: "
            f"{at - start:.2f} s, {spent:.2f} of its processor {attempt.step}"
        )
    end = max(stop for found in spans.values() for _, stop in found)
    for worker, found in spans.items():
        print(f"    {worker[-12:]}: {end - sum(stop - start for start, stop in found):.2f} s without a unit")


def main() -> None:
    numbers = [int(text) for text in sys.argv[1:] if text != "--units"]
    count = numbers[0] if numbers else 16
    size = (numbers[1], numbers[2]) if len(numbers) > 2 else (3000, 2000)
    stack = big("easy", count, size=size)
    with (
        tempfile.TemporaryDirectory(prefix="nearfar-crews-") as base,
        server("-c", "fsync=off") as url,
        redis_server() as redis,
        studio(Path(base) / "data", emptied(url), redis.url) as one,
    ):
        one.serve("keep")
        store = open_store_of(one)
        alone = Path(base) / "jpeg"
        alone.mkdir()
        jpeg = [Path(shutil.copy(frame, alone)) for frame in stack.frames]
        for kind, frames in (("raw", raw_frames(jpeg, Path(base) / "raw")), ("jpeg", jpeg)):
            for jobs, crews in ((1, (1, 2)), (JOBS, (1, 2, 4))):
                print(f"{count} {kind} frames of {size[0]} x {size[1]}, {jobs} job{'s' if jobs > 1 else ''}")
                single = 0.0
                for number in crews:
                    took, processor = timed(one, store, frames, number, jobs)
                    single = single or took
                    print(
                        f"  {number} worker{'s' if number > 1 else ''}: {took:.1f} s, {single / took:.2f} times; "
                        f"{processor:.1f} s of processors",
                        flush=True,
                    )
        store.close()


if __name__ == "__main__":
    main()
