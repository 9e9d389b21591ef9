"""``python -m tests.bench.crews [FRAMES [WIDTH HEIGHT]]``: one job, and then several, by crews of one worker to a core.

Crews are commands ``nearfar worker`` on PostgreSQL and Redis, each on a processor of its own (taskset(1)), with the
same scratch folder as workers of one machine have. Prints seconds and how many times faster two are than one.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from nearfar.frames.decode import decode, read_header
from nearfar.jobs import JobState, Store
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


def seconds(one: Studio, store: Store, frames: list[Path], crews: int, jobs: int) -> float:
    """From the first submission until the last job is done, by that many crews."""
    names = [f"crew{k}" for k in range(crews)]
    scratch = one.data.with_name("scratch")
    shutil.rmtree(scratch, ignore_errors=True)
    for core, name in enumerate(names):
        one.crew(name, prefix=["taskset", "-c", str(core)], scratch=scratch)
    wait_for(lambda: len(store.workers(alive=True)) >= crews, 240)
    time.sleep(1.0)
    began = time.monotonic()
    numbers = [one.submit(store, frames[0].parent, f"stack {k}") for k in range(jobs)]
    while any(store.job(number).state is not JobState.DONE for number in numbers):
        time.sleep(0.05)
    took = time.monotonic() - began
    for name in names:
        one.stop(name)
    for folder in ("work", "results"):
        shutil.rmtree(one.data / folder, ignore_errors=True)
        (one.data / folder).mkdir()
    return took


def main() -> None:
    numbers = [int(text) for text in sys.argv[1:]]
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
            for jobs in (1, JOBS):
                single = seconds(one, store, frames, 1, jobs)
                double = seconds(one, store, frames, 2, jobs)
                print(
                    f"{count} {kind} frames of {size[0]} x {size[1]}, {jobs} job{'s' if jobs > 1 else ''}: one worker "
                    f"{single:.1f} s, two {double:.1f} s, {single / double:.2f} times",
                    flush=True,
                )
        store.close()


if __name__ == "__main__":
    main()
