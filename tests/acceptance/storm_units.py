"""A storm on the store alone: many fast units, workers that are killed and frozen, with and without the token's check."""

from __future__ import annotations

import json
import os
import random
import signal
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from nearfar.errors import LostClaim, StoreError
from nearfar.jobs import (
    Claim,
    Outcome,
    Rules,
    Store,
    Submission,
    Unit,
    UnitKind,
    UnitPlan,
    UnitState,
    open_store,
)
from nearfar.jobs import work as store_work
from nearfar.jobs.model import units
from tests.forking import started

LEASE = 1.0
CAP = 50


def open_for(url: str, lease: float) -> Store:
    rules = Rules(lease=lease, attempts=CAP, retry_after=0.0, elsewhere=0.0, worker_silence=lease)
    return open_store(url, rules=rules)


def switch_check_off() -> None:
    """Any worker's word about a unit that somebody holds counts: the token is not looked at."""

    def anyone(claim: Claim) -> sa.ColumnElement[bool]:
        return sa.and_(units.c.id == claim.unit, units.c.state == UnitState.HELD)

    store_work.mine = anyone


def do(store: Store, claim: Claim, folder: Path, chance: random.Random, lease: float) -> None:
    """One unit: some time under a heartbeat, a file that carries the token, and the word that it is done."""
    lost, end = threading.Event(), threading.Event()

    def beat() -> None:
        while not end.wait(lease / 5):
            try:
                store.beat(claim, progress=0.5)
            except LostClaim:
                lost.set()
            except StoreError:
                continue

    threading.Thread(target=beat, daemon=True).start()
    until = time.monotonic() + chance.uniform(0.05, 0.3)
    while time.monotonic() < until and not lost.is_set():
        time.sleep(0.01)
    if not lost.is_set():
        file = folder / f"{claim.unit}.{claim.token}"
        part = folder / f"{file.name}.part"
        part.write_text(f"{claim.unit} {claim.token}\n" * 500, encoding="ascii")
        part.rename(file)
        try:
            store.finish(claim, Outcome(result={"file": file.name}))
            note(folder, claim)
        except StoreError:
            pass  # the claim was lost or the store away: whoever has the unit now finishes it
    end.set()


def note(folder: Path, claim: Claim) -> None:
    """Put down, in one write, that the store took the word of this claim."""
    fd = os.open(folder / "accepted", os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    os.write(fd, (json.dumps([claim.unit, claim.token]) + "\n").encode())
    os.close(fd)


def work(url: str, folder: Path, lease: float, seed: int, check: bool) -> None:
    """A worker: take units until all are done."""
    if not check:
        switch_check_off()
    store, chance, name = open_for(url, lease), random.Random(seed), f"w{os.getpid()}"
    while True:
        try:
            claim = store.claim(name)
            if claim is not None:
                do(store, claim, folder, chance, lease)
            elif not store.figures().units_ready and not store.figures().units_held:
                return
            else:
                time.sleep(0.05)
        except StoreError:
            time.sleep(0.1)


@dataclass(frozen=True, kw_only=True)
class Outcomes:
    """What came of it."""

    done: int
    """Units whose output has their present token and is whole."""
    wrong: int
    """Units that are done with the output of somebody else's attempt, or with none."""
    accepted_twice: int
    """Units of which more than one attempt was believed to be the one that did it."""
    kills: int
    freezes: int


def storm(url: str, folder: Path, *, check: bool, seed: int, count: int = 60, workers: int = 4) -> Outcomes:
    """Run ``count`` jobs of a unit each through ``workers`` processes; kill and freeze those as long as there is work."""
    folder.mkdir(parents=True, exist_ok=True)
    store = open_for(url, LEASE)
    plan = UnitPlan(kind=UnitKind.DELIVER, start=0, weight=1.0)
    jobs = [
        store.submit(
            Submission(stack=f"moss {k}", owner="studio", recipe="standard", units=(plan,)), who="storm"
        ).job
        for k in range(count)
    ]
    chance = random.Random(seed)
    crew = [started(work, url, folder, LEASE, seed * 100 + k, check) for k in range(workers)]
    kills = freezes = 0
    asleep: dict[int, threading.Timer] = {}
    end = time.monotonic() + 300
    while len(_done(store, jobs)) < count and time.monotonic() < end:
        time.sleep(chance.uniform(0.05, 0.25))
        asleep = {pid: timer for pid, timer in asleep.items() if timer.is_alive()}
        awake = [one for one in crew if one.pid not in asleep and one.is_alive()]
        if awake and len(asleep) < workers - 1 and chance.random() < 0.6:
            pid = chance.choice(awake).pid
            assert pid is not None  # it was started
            _send(pid, signal.SIGSTOP)
            # By a timer: whoever strikes may itself wait for the store while a frozen worker has its lock.
            asleep[pid] = threading.Timer(LEASE * chance.uniform(1.2, 2.0), _send, (pid, signal.SIGCONT))
            asleep[pid].start()
            freezes += 1
        elif awake and chance.random() < 0.3:
            victim = chance.choice(awake)
            victim.kill()
            victim.join()
            crew.remove(victim)
            crew.append(started(work, url, folder, LEASE, seed * 100 + workers + kills, check))
            kills += 1
    for timer in asleep.values():
        timer.join()
    time.sleep(LEASE)  # those that just woke still say what they have to say
    for one in crew:
        one.kill()
        one.join()
    return _outcomes(store, jobs, folder, kills, freezes)


def _send(pid: int, number: signal.Signals) -> None:
    with suppress(ProcessLookupError):  # it found nothing left to do and ended
        os.kill(pid, number)


def _done(store: Store, jobs: list[int]) -> list[Unit]:
    return [unit for job in jobs for unit in store.units(job) if unit.state is UnitState.DONE]


def _outcomes(store: Store, jobs: list[int], folder: Path, kills: int, freezes: int) -> Outcomes:
    believed: dict[int, set[int]] = {}
    for line in (folder / "accepted").read_text().splitlines():
        unit, token = json.loads(line)
        believed.setdefault(unit, set()).add(token)
    good = _done(store, jobs)
    right = 0
    for unit in good:
        file = folder / str((unit.result or {}).get("file"))
        whole = file.is_file() and file.read_text() == f"{unit.id} {unit.token}\n" * 500
        right += whole and file.name == f"{unit.id}.{unit.token}"
    store.close()
    return Outcomes(
        done=right,
        wrong=len(good) - right,
        accepted_twice=sum(len(tokens) > 1 for tokens in believed.values()),
        kills=kills,
        freezes=freezes,
    )
