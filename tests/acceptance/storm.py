"""The fault storm: small jobs run through a real server whose processes are killed and frozen at random moments.

``python -m tests.acceptance.storm --kills 200 --seed 7`` runs a long one and says what happened; ``--studio`` with
PostgreSQL and Redis, where the broker suffers as well; `test_storm` runs short ones. A freeze lasts longer than a lease,
so that whoever wakes up finds its unit in other hands; on a machine that is busy otherwise give a longer ``--lease``.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from nearfar.jobs import AttemptStep, JobState, Store, UnitState
from nearfar.jobs.states import WHOLE
from nearfar.places import places_of
from nearfar.runner import planning
from nearfar.server_settings import ServerSettings
from tests.acceptance.command import lay
from tests.scenes import render
from tests.worker.jobs.postgresql import server
from tests.worker.runner.redis_server import RedisServer, redis_server
from tests.worker.runner.serving import REAL, end_all, serving, settings_for, store_of, wait_for

LEASE = 3.0
PATIENCE = 60.0
"""Seconds that the next stroke waits at most for something to be at work; a server starts slowly on a busy machine."""
CALM = 240.0
"""Seconds after the storm within which one more job has to end."""
CAP = 12
"""Attempts that a unit may take: a storm brings more misfortune than the three tries of a server."""
CHANCES = {"pool": 6, "work": 3, "keep": 2, "supervisor": 2}
"""How often each kind of process is struck."""
SCENES = (("occlusion", 1), ("foliage", 2))
OWNER = "studio"


@dataclass(frozen=True, kw_only=True)
class Stacks:
    """Folders of frames, and the picture that each makes where nothing goes wrong."""

    folders: tuple[Path, ...]
    pictures: tuple[bytes, ...]


def make_stacks(base: Path) -> Stacks:
    """Render a few stacks and merge each by a server that nobody disturbs."""
    folders = []
    for kind, seed in SCENES:
        scene = render(kind, frames=10, size=(800, 600), seed=seed)
        folder = base / f"{kind}{seed}"
        lay(scene.frames, folder)
        folders.append(folder)
    settings = settings_for(base / "quiet")
    with serving(settings, REAL):
        store = store_of(settings)
        jobs = [submit(store, folder, folder.name) for folder in folders]
        wait_for(lambda: all(store.job(job).state is JobState.DONE for job in jobs), 120)
        pictures = tuple(Path(str(store.job(job).result)).read_bytes() for job in jobs)
        store.close()
    return Stacks(folders=tuple(folders), pictures=pictures)


def submit(store: Store, folder: Path, name: str) -> int:
    frames = sorted(folder.iterdir())
    return store.submit(planning.submission(name, frames, owner=OWNER), who="storm").job


def storm_settings(data: Path, lease: float = LEASE, **tables: dict[str, object]) -> ServerSettings:
    """A server of two slots with a short lease, whose units may be tried often."""
    store = {"lease": lease, "attempts": CAP, "retry_after": 0.1} | tables.pop("store", {})
    return settings_for(data, store=store, **tables)


@dataclass
class Storm:
    """A running storm.

    Parameters
    ----------
    settings
        Of the server that is struck.
    stacks
        What the jobs are made of, in turn.
    jobs
        How many at least: where all are done before the storm is over, further ones are handed in.
    kills, freezes
        How many of each.
    redis
        The broker, where it is to suffer as well.
    pause
        Seconds between two strokes, least and most.
    """

    settings: ServerSettings
    stacks: Stacks
    seed: int
    jobs: int = 20
    kills: int = 30
    freezes: int = 30
    redis: RedisServer | None = None
    pause: tuple[float, float] = (0.2, 1.2)
    struck: Counter[str] = field(default_factory=Counter)
    submitted: list[int] = field(default_factory=list)
    seconds: float = 0.0

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)
        self.frozen: dict[int, threading.Timer] = {}
        self.redis_back: Callable[[], None] | None = None
        self.redis_due = 0.0

    def run(self) -> None:
        """All of it: the storm, then calm until all jobs came to an end."""
        began = time.monotonic()
        with serving(self.settings, REAL) as server:
            self.server, self.store = server, store_of(self.settings)
            strokes = self._strokes()
            for number, stroke in enumerate(strokes):
                self._feed(number + 1, len(strokes))
                self._wait()
                stroke()
            self._calm()
            self.seconds = time.monotonic() - began
            self._until_clear()

    def _strokes(self) -> list[Callable[[], None]]:
        strokes = [self._kill] * self.kills + [self._freeze] * self.freezes
        if self.redis is not None:
            strokes += [self._empty] * 3 + [self._restart] + [self._away] * 2
        self.random.shuffle(strokes)
        return strokes

    def _feed(self, done: int, of: int) -> None:
        """Hand in jobs so that they last as long as the storm, and that there is always one to do."""
        due = -(-self.jobs * done // of)
        while len(self.submitted) < due or not self._open():
            number = len(self.submitted)
            folder = self.stacks.folders[number % len(self.stacks.folders)]
            self.submitted.append(submit(self.store, folder, f"stack {number:03d}"))

    def _open(self) -> int:
        return sum(self.store.job(job).finished is None for job in self.submitted)

    def _wait(self) -> None:
        """Let a random time pass, then go on to where something is at work: who is struck while it starts loses nothing."""
        self._sleep(self.random.uniform(*self.pause))
        end = time.monotonic() + PATIENCE
        while not self._at_work() and time.monotonic() < end:
            self._feed(0, 1)
            self._sleep(0.05)

    def _at_work(self) -> bool:
        awake = {name for pid, name in self.server.processes().items() if pid not in self.frozen}
        return "pool" in awake and self.store.figures().units_held > 0

    def _sleep(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while True:
            self._tend()
            left = end - time.monotonic()
            if left <= 0:
                return
            time.sleep(min(0.05, left))

    def _tend(self) -> None:
        """See who woke; start the server again where it was killed."""
        now = time.monotonic()
        self.frozen = {pid: timer for pid, timer in self.frozen.items() if timer.is_alive()}
        if self.redis_back is not None and now > self.redis_due:
            back, self.redis_back = self.redis_back, None
            back()
        if self.server.process is not None and self.server.process.poll() is not None:
            self.server.start()

    def _victim(self) -> tuple[int, str] | None:
        there = {pid: name for pid, name in self.server.processes().items() if pid not in self.frozen}
        if self.server.process is not None and self.server.process.poll() is None:
            there |= {self.server.pid: "supervisor"} if self.server.pid not in self.frozen else {}
        if not there:
            return None
        kinds = sorted(set(there.values()))
        kinds = [name for name in kinds if self._due(name)] or kinds
        kind = self.random.choices(kinds, [CHANCES[name] for name in kinds])[0]
        return self.random.choice(sorted(pid for pid, name in there.items() if name == kind)), kind

    def _due(self, kind: str) -> bool:
        """Whether half of the strokes are over and none of them hit this kind."""
        return 2 * self.struck.total() > self.kills + self.freezes and not any(
            what.startswith(kind) for what in self.struck
        )

    def _strike(self, number: signal.Signals) -> int:
        end = time.monotonic() + 30
        while (victim := self._victim()) is None or not _signal(victim[0], number):
            assert time.monotonic() < end, "there is nothing to strike"
            self._sleep(0.05)
        self.struck[f"{victim[1]} {'killed' if number is signal.SIGKILL else 'frozen'}"] += 1
        return victim[0]

    def _kill(self) -> None:
        self._strike(signal.SIGKILL)

    def _freeze(self) -> None:
        pid = self._strike(signal.SIGSTOP)
        # By a timer: this storm may itself wait for the store while a frozen process has its lock.
        seconds = self.settings.store.lease + self.random.uniform(0.3, 2.0)
        self.frozen[pid] = threading.Timer(seconds, _signal, (pid, signal.SIGCONT))
        self.frozen[pid].start()

    def _empty(self) -> None:
        if self.redis is not None and self.redis_back is None:
            self.redis.empty()
            self.struck["broker emptied"] += 1

    def _restart(self) -> None:
        if self.redis is not None and self.redis_back is None:
            self.redis.end()
            self.redis_back, self.redis_due = self.redis.start, time.monotonic() + 2.0
            self.struck["broker ended and started"] += 1

    def _away(self) -> None:
        if self.redis is not None and self.redis_back is None:
            self.redis.freeze()
            self.redis_back, self.redis_due = self.redis.thaw, time.monotonic() + 6.0
            self.struck["broker frozen"] += 1

    def _calm(self) -> None:
        left, end = self._open(), time.monotonic() + CALM
        while left:
            assert time.monotonic() < end, (
                f"{left} jobs did not come to an end:\n{self.server.text()[-4000:]}"
            )
            self._sleep(0.2)
            now = self._open()
            if now < left:
                left, end = now, time.monotonic() + CALM
        while self.frozen or self.redis_back:
            self._sleep(0.2)

    def _until_clear(self) -> None:
        """What is made on the way is cleared away within some seconds."""
        end = time.monotonic() + 60
        while self.leftovers() and time.monotonic() < end:
            self._sleep(0.2)

    # What is to be true afterwards

    def leftovers(self) -> list[str]:
        """What should not lie anywhere any longer."""
        places = places_of(self.settings)
        making = places.results / ".making"
        found = [*places.scratch.iterdir(), *(making.iterdir() if making.is_dir() else [])]
        found += list(places.results.rglob("*.part"))
        return [str(path.relative_to(places.data)) for path in found]

    def wrong(self) -> list[str]:
        """All that is not as it should be."""
        store = store_of(self.settings)
        found = [f"left: {name}" for name in self.leftovers()]
        for number, job in enumerate(self.submitted):
            found += self._wrong_job(store, number, job)
        results = [path.name for path in places_of(self.settings).results.iterdir() if path.name[0] != "."]
        if sorted(results) != [f"stack {number:03d}" for number in range(len(self.submitted))]:
            found.append(f"results are {sorted(results)}")
        store.close()
        return found

    def _wrong_job(self, store: Store, number: int, job: int) -> list[str]:
        now = store.job(job)
        if now.state is not JobState.DONE:
            return [f"job {job} is {now.state}: {now.reason}"]
        found = []
        if Path(str(now.result)).read_bytes() != self.stacks.pictures[number % len(self.stacks.pictures)]:
            found.append(f"job {job}: the picture has other bytes than undisturbed")
        done = Counter(line.unit for line in store.attempts(job) if line.step is AttemptStep.DONE)
        for unit in store.units(job):
            if unit.state is UnitState.CANCELLED and unit.kind in WHOLE and unit.start > 0:
                continue  # help that came too late
            if done[unit.id] != 1:
                found.append(f"unit {unit.id} was counted done {done[unit.id]} times")
            if not 1 <= unit.attempts <= CAP:
                found.append(f"unit {unit.id} had {unit.attempts} attempts")
        return found

    def told(self) -> str:
        """What happened, in a few lines."""
        store = store_of(self.settings)
        lines = [line for job in self.submitted for line in store.attempts(job)]
        steps = Counter(str(line.step) for line in lines)
        causes = Counter(line.cause for line in lines if line.cause)
        most = max(unit.attempts for job in self.submitted for unit in store.units(job))
        store.close()
        return (
            f"seed {self.seed}: {len(self.submitted)} jobs in {self.seconds:.0f} s; "
            f"struck: {dict(sorted(self.struck.items()))}\n"
            f"attempts: {dict(steps)}; causes: {dict(causes)}; most attempts at a unit: {most} of {CAP}"
        )


def _signal(pid: int, number: signal.Signals) -> bool:
    try:
        os.kill(pid, number)
    except ProcessLookupError:
        return False
    if number is signal.SIGKILL:  # until it is gone, so that nobody strikes it twice
        with_patience = time.monotonic() + 5
        while psutil.pid_exists(pid) and time.monotonic() < with_patience:
            try:
                if psutil.Process(pid).status() == psutil.STATUS_ZOMBIE:
                    break
            except psutil.Error:
                break
            time.sleep(0.01)
    return True


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="storm", description=__doc__)
    parser.add_argument("--kills", type=int, default=30, help="as many processes are frozen as well")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=0, help="default: 20, or one for each three kills")
    parser.add_argument("--lease", type=float, default=LEASE, help="seconds")
    parser.add_argument("--studio", action="store_true", help="with PostgreSQL and Redis")
    parser.add_argument("--keep", action="store_true", help="leave the server's folder for a look")
    options = parser.parse_args(arguments)
    base = Path(tempfile.mkdtemp(prefix="nearfar-storm-"))
    try:
        with _services(options.studio) as (tables, redis):
            storm = Storm(
                storm_settings(base / "server", options.lease, **tables),
                make_stacks(base),
                seed=options.seed,
                jobs=options.jobs or max(20, options.kills // 3),
                kills=options.kills,
                freezes=options.kills,
                redis=redis,
            )
            storm.run()
            wrong = storm.wrong()
            print(storm.told(), *(wrong or ["nothing is wrong"]), sep="\n")
        return 1 if wrong else 0
    finally:
        end_all(base / "server")
        if options.keep:
            print(f"left: {base}")
        else:
            shutil.rmtree(base, ignore_errors=True)


@contextmanager
def _services(studio: bool) -> Iterator[tuple[dict[str, dict[str, object]], RedisServer | None]]:
    """A PostgreSQL and a Redis for the storm: their addresses as settings, and the latter; or nothing of the kind."""
    if not studio:
        yield {}, None
        return
    with server("-c", "fsync=off") as url, redis_server() as redis:
        yield {"store": {"url": url}, "broker": {"url": redis.url}}, redis


if __name__ == "__main__":
    sys.exit(main())
