"""``python -m tests.bench.studio [--jobs N]``: a studio's day, simulated: 1 to 200 workers on one shared folder.

Units take the seconds of one thread a megapixel that ``python -m tests.bench.units`` found here, on frames of 6 megapixels;
those of raw frames are `weights.SURVEY` for one thread. A worker reads what it lacks over the storage, whose bandwidth
all that read share fairly; what a machine decoded stays there. Order of units as in `jobs.order` for one owner: jobs by
their due time, and a step begins when the one before is done. What is not simulated: store and broker, which took 3 ms a
claim at 8 workers and are a limit of their own (about 68 durable changes a second with fsync).
"""

from __future__ import annotations

import argparse
import heapq
import itertools
import random
from collections.abc import Iterator
from dataclasses import dataclass, field

from nearfar.jobs.order import NEAR
from nearfar.merge.render import BLOCK
from nearfar.runner import weights
from nearfar.runner.weights import Extent, first_units, render_units

MEGAPIXELS = 24.0
SIZE = (6000, 4000)
FRAME_BYTES = {"raw": 32e6, "jpeg": 12e6}
ROW_BYTES = {"raw": 6 * MEGAPIXELS * 1e6, "jpeg": 1.5 * MEGAPIXELS * 1e6}
"""JPEG frames whose chroma is halved both ways lie in scratch as luma and chroma planes."""
SECONDS = {"raw": 0.12, "jpeg": 0.0094}
"""Seconds of one thread for the survey of a frame's megapixel."""
DECODE = {"raw": 0.10, "jpeg": 0.006}
"""The same for laying out alone what another machine surveyed."""
REGISTER, FOCUS, RENDER, DELIVER = 0.0067, 0.0017, 0.146, 0.0988
"""The same for the other steps: the first two by frame and megapixel, the others by megapixel of the picture."""
RESULT_BYTES = 1.4 * 6 * MEGAPIXELS * 1e6
"""Three channels of 16 bit, and the smaller levels."""
GBIT = 1.15e8
"""Bytes a second of a network of 1 Gbit/s; common practice, no source."""
HOUR = 3600.0
Unit = tuple[str, int, int, float]
"""Kind, range, and seconds of one thread."""


@dataclass(frozen=True, kw_only=True)
class Shape:
    """How a studio's workers are set up, and which ways around slow networks they use."""

    workers: int
    gbit: float
    share_rows: bool = False
    stay: bool = False
    """Whether a worker stays with the job whose frames it has; see `jobs.order.near_units`."""


@dataclass
class Job:
    """A stack on its way."""

    arrived: float
    frames: int
    kind: str
    stages: list[list[Unit]] = field(default_factory=list)
    stage: int = 0
    open: int = 0
    has: dict[int, set[int]] = field(default_factory=dict)
    done: float | None = None

    def __post_init__(self) -> None:
        name = "f.dng" if self.kind == "raw" else "f.jpg"
        size = int(FRAME_BYTES[self.kind])
        first, _ = first_units([(name, size)] * self.frames)
        extent = Extent(frames=self.frames, megapixels=MEGAPIXELS, kind=self.kind)
        renders = render_units(extent, [1.0] * -(-SIZE[1] // BLOCK), memory=0, result=int(RESULT_BYTES))
        bands = sum(unit.stop - unit.start for unit in renders)
        survey = [
            ("survey", u.start, u.stop, (u.stop - u.start) * MEGAPIXELS * SECONDS[self.kind])
            for u in first
            if u.kind == "survey"
        ]
        each = self.frames * MEGAPIXELS
        render = [
            ("render", u.start, u.stop, MEGAPIXELS * RENDER * (u.stop - u.start) / bands) for u in renders
        ]
        self.stages = [
            survey,
            [("register", 0, self.frames, each * REGISTER)],
            [("focus", 0, 0, each * FOCUS)],
            render,
            [("deliver", 0, 0, MEGAPIXELS * DELIVER)],
        ]
        self.todo = list(self.stages[0])

    @property
    def due(self) -> float:
        """Its place in the order; see `jobs.order`."""
        work = self.frames * MEGAPIXELS * weights.SURVEY[self.kind]
        return self.arrived + min(4 * work, HOUR)


class Day:
    """One run: events in order of time; the network is shared by all that read or write at a moment."""

    def __init__(self, shape: Shape, arrivals: list[Job]) -> None:
        self.shape = shape
        self.jobs = arrivals
        self.bandwidth = shape.gbit * GBIT
        self.now = 0.0
        self.free = list(range(shape.workers))
        self.transfers: dict[int, list[float]] = {}
        self.events: list[tuple[float, int, Job | tuple[int, Job, Unit]]] = []
        self.count = itertools.count()
        self.moved = 0.0
        self.busy = 0.0
        self.open: list[Job] = []
        self.last: dict[int, Job] = {}
        self.carrying: dict[int, tuple[int, Job, Unit]] = {}

    def run(self) -> None:
        """Until all is done."""
        for job in self.jobs:
            self._at(job.arrived, job)
        while self.events or self.transfers:
            self._next()

    def _at(self, when: float, what: Job | tuple[int, Job, Unit]) -> None:
        heapq.heappush(self.events, (when, next(self.count), what))

    def _next(self) -> None:
        due = self.events[0][0] if self.events else float("inf")
        rate = self.bandwidth / max(1, len(self.transfers))
        ends = min((left[0] for left in self.transfers.values()), default=float("inf")) / rate + self.now
        when = min(due, ends)
        for left in self.transfers.values():
            left[0] -= rate * (when - self.now)
        self.moved += rate * (when - self.now) * len(self.transfers)
        self.now = when
        for key in [key for key, left in self.transfers.items() if left[0] <= 1.0]:
            worker, job, unit = self.carrying.pop(key)
            del self.transfers[key]
            self.busy += unit[3]
            self._at(self.now + unit[3], (worker, job, unit))
        while self.events and self.events[0][0] <= self.now:
            self._handle(heapq.heappop(self.events)[2])
        self._give_out()

    def _handle(self, what: Job | tuple[int, Job, Unit]) -> None:
        if isinstance(what, Job):
            self.open.append(what)
            self.open.sort(key=lambda job: job.due)
            return
        worker, job, _ = what
        self.free.append(worker)
        job.open -= 1
        if job.open == 0 and not job.todo:
            job.stage += 1
            if job.stage == len(job.stages):
                job.done = self.now
                self.open.remove(job)
            else:
                job.todo = list(job.stages[job.stage])

    def _give_out(self) -> None:
        ready = [job for job in self.open if job.todo]
        while self.free and ready:
            worker = self.free.pop(0)
            job = self._choose(worker, ready)
            unit = job.todo.pop(0)
            job.open += 1
            if not job.todo:
                ready.remove(job)
            self._begin(worker, job, unit)

    def _choose(self, worker: int, ready: list[Job]) -> Job:
        if self.shape.stay:
            soon = [job for job in ready if job.due <= ready[0].due + NEAR]
            own = [job for job in soon if self.last.get(worker) is job]
            return (own or [job for job in soon if not job.has] or ready)[0]
        return ready[0]

    def _begin(self, worker: int, job: Job, unit: Unit) -> None:
        """What has to be read, and what has to be decoded again, before and with the work."""
        kind, start, stop, seconds = unit
        self.last[worker] = job
        mine = job.has.setdefault(worker, set())
        size = 1.0
        if kind == "survey":
            frames = set(range(start, stop))
            size += len(frames) * FRAME_BYTES[job.kind]
            size += len(frames) * ROW_BYTES[job.kind] if self.shape.share_rows else 0.0
            mine |= frames
        elif kind in ("register", "render"):
            lacking = set(range(job.frames)) - mine
            if self.shape.share_rows:  # blocks of a link, or windows of the few frames that a band needs
                size += (
                    (0.15 if kind == "register" else (stop - start) / 8) * len(lacking) * ROW_BYTES[job.kind]
                )
            else:
                size += len(lacking) * FRAME_BYTES[job.kind]
                seconds += len(lacking) * MEGAPIXELS * DECODE[job.kind]
                mine |= lacking
            size += RESULT_BYTES / 8 if kind == "render" else 0.0
        elif kind == "deliver":
            size += 2 * RESULT_BYTES
        key = next(self.count)
        self.transfers[key] = [size]
        self.carrying[key] = (worker, job, (kind, start, stop, seconds))


def day(pattern: str, seed: int, jobs: int) -> list[Job]:
    """When stacks come in: a card at noon and one in the evening, all through the day, or all at night."""
    chance = random.Random(seed)

    def times() -> Iterator[float]:
        for k in range(jobs):
            if pattern == "cards":
                yield (3.0 if k < jobs // 2 else 8.0) * HOUR + chance.uniform(0, 300)
            elif pattern == "steady":
                yield chance.uniform(0, 9 * HOUR)
            else:
                yield chance.uniform(0, 60)

    kinds = ("raw", "raw", "jpeg")
    return [
        Job(arrived=at, frames=chance.choice((12, 20, 40, 80)), kind=kinds[k % 3])
        for k, at in enumerate(sorted(times()))
    ]


def told(shape: Shape, pattern: str, jobs: int, seed: int = 7) -> tuple[float, float, float, float]:
    """Jobs an hour while there is work, median and 95th percentile of minutes to the picture, share of the network."""
    run = Day(shape, day(pattern, seed, jobs))
    run.run()
    waits = sorted((job.done or 0.0) - job.arrived for job in run.jobs)
    span = max(job.done or 0.0 for job in run.jobs) - min(job.arrived for job in run.jobs)
    network = run.moved / (run.bandwidth * span)
    return jobs / span * HOUR, waits[len(waits) // 2] / 60, waits[int(0.95 * len(waits))] / 60, network


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.studio", description=__doc__)
    parser.add_argument("--jobs", type=int, default=200)
    options = parser.parse_args()
    print("| pattern | Gbit/s | workers | rows | stays | jobs/h | median min | 95 % min | network |")
    print("|---|---|---|---|---|---|---|---|---|")
    plans = [("night", w, g, False, False) for g in (1.0, 10.0) for w in (1, 2, 4, 8, 16, 50, 200)]
    plans += [("night", w, g, True, False) for g in (1.0, 10.0) for w in (8, 50, 200)]
    plans += [("night", w, g, s, True) for g in (1.0, 10.0) for w in (8, 50, 200) for s in (False, True)]
    plans += [(p, 8, 10.0, s, False) for p in ("cards", "steady") for s in (False, True)]
    for pattern, workers, gbit, share, stay in plans:
        shape = Shape(workers=workers, gbit=gbit, share_rows=share, stay=stay)
        rate, middle, late, network = told(shape, pattern, options.jobs)
        rows = "shared" if share else "own"
        print(
            f"| {pattern} | {gbit:.0f} | {workers} | {rows} | {'yes' if stay else 'no'} | {rate:.1f} | {middle:.1f} | "
            f"{late:.1f} | {network:.0%} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
