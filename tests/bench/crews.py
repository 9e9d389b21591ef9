"""``python -m tests.bench.crews [FRAMES [WIDTH HEIGHT]]``: one job, and then a queue, by crews of one worker each.

Crews are commands ``nearfar worker`` on PostgreSQL and Redis, each on a processor of its own (taskset(1)) as long as
there are as many, with the same scratch folder as workers of one machine have. One job is done by one and by two, in turns,
five times each; a queue of six by one, two and four. Each crew does a job that does not count first. Prints medians of
seconds by the store's clock, how many times faster than one worker that is, and the processor seconds of all units: where
those add up to the seconds times the processors, more workers cannot be faster. ``--single`` leaves out the queues,
``--jpeg`` the raw frames; ``--units`` also prints who did which unit of a single job and when, and the seconds in which
each worker had none.
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
TURNS = 5
"""How often one job is done by each crew: seconds of one run differ by a tenth."""


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
    _done(one, store, hinter, frames, 1)
    numbers = _done(one, store, hinter, frames, jobs)
    ended = [store.job(number) for number in numbers]
    took = max(job.finished or 0.0 for job in ended) - min(job.created for job in ended)
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


def _done(one: Studio, store: Store, hinter: Hinter, frames: list[Path], jobs: int) -> list[int]:
    """Jobs that were submitted and are done."""
    numbers = [one.submit(store, frames[0].parent, f"stack {k}") for k in range(jobs)]
    hinter.publish()  # as a server does at once; what was only written to the store is found within a second
    while any(store.job(number).state is not JobState.DONE for number in numbers):
        time.sleep(0.5)  # whoever asks takes processor time from the workers
    return numbers


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


def print_crews(found: dict[int, list[tuple[float, float]]]) -> None:
    """Medians of each crew's (seconds, processor seconds), and the seconds of all its runs."""
    single = 0.0
    for number, runs in found.items():
        took, processor = (float(np.median(column)) for column in zip(*runs, strict=True))
        single = single or took
        each = ", ".join(f"{seconds:.2f}" for seconds, _ in runs)
        print(
            f"  {number} worker{'s' if number > 1 else ''}: {took:.2f} s ({each}), {single / took:.2f} times; "
            f"{processor:.1f} s of processors",
            flush=True,
        )


def main() -> None:
    numbers = [int(text) for text in sys.argv[1:] if not text.startswith("--")]
    tasks = ((1, (1, 2)), (JOBS, (1, 2, 4)))[: 1 if "--single" in sys.argv else 2]
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
        raw = [] if "--jpeg" in sys.argv else [("raw", raw_frames(jpeg, Path(base) / "raw"))]
        for kind, frames in (*raw, ("jpeg", jpeg)):
            for jobs, crews in tasks:
                print(f"{count} {kind} frames of {size[0]} x {size[1]}, {jobs} job{'s' if jobs > 1 else ''}")
                found: dict[int, list[tuple[float, float]]] = {number: [] for number in crews}
                for number in crews * (TURNS if jobs == 1 else 1):
                    found[number].append(timed(one, store, frames, number, jobs))
                print_crews(found)
        store.close()


if __name__ == "__main__":
    main()
