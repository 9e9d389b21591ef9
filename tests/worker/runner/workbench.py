"""A server without processes: folders, a store, and workers that are called one unit at a time."""

from __future__ import annotations

import functools
import hashlib
import os
import signal
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from nearfar.frames.decode import read_header
from nearfar.intake.listing import gather
from nearfar.jobs import Claim, Job, JobState, Rules, Store, Submission, UnitKind, open_store
from nearfar.jobs.engine import dispose
from nearfar.merge import survey
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.recipe import Recipe
from nearfar.merge.stack import Merge, Stop
from nearfar.merge.stack import Request as MergeJob
from nearfar.places import Places
from nearfar.progress import Progress
from nearfar.runner import weights
from nearfar.runner.planning import submission
from nearfar.runner.units import Hands, work_on

ALL = list(UnitKind)
LEASE = 60.0
"""Seconds of a lease where workers die; `run_out` ends it, since a busy machine loses a short one of a worker that lives."""
MEMORY = 1 << 40
SPARE = 1 << 20
PICTURE_FILES = ("tif", "preview.jpg", "focus.tif", "doubt.tif", "focus.png")
"""Endings of the files that are the same however a stack was merged; reports contain times and memory."""


@functools.cache
def empty_store(host: str | None = None) -> bytes:
    """A store without jobs, to be copied: making one takes longer than most tests."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "store.sqlite"
        store = open_store(f"sqlite:///{file}", host=host)
        store.close()
        dispose(store.database.engine)
        return file.read_bytes()


def places_in(folder: Path) -> Places:
    """Folders of a server below one, made."""
    places = Places(
        data=folder,
        scratch=folder / "scratch",
        moved=folder / "moved",
        store_url=f"sqlite:///{folder}/store.sqlite",
        broker_url=None,
    )
    folder.mkdir(parents=True, exist_ok=True)
    places.make()
    return places


@dataclass(frozen=True, kw_only=True)
class Bench:
    """Places and store; ``hands`` is what a worker may take."""

    places: Places
    store: Store
    hands: Hands

    @classmethod
    def at(cls, folder: Path, **rules: Any) -> Bench:
        places = places_in(folder)
        usual: dict[str, Any] = {"retry_after": 0.0, "elsewhere": 0.0}
        file = folder / "store.sqlite"
        if not file.exists():
            file.write_bytes(empty_store("bench"))
        store = open_store(places.store_url, rules=Rules(**(usual | rules)), host="bench")
        hands = Hands(places=places, memory=MEMORY, threads=1, spare_disk=SPARE)
        return cls(places=places, store=store, hands=hands)

    def submit(self, frames: list[Path], stack: str = "moss", **more: Any) -> int:
        made: Submission = submission(stack, frames, owner="studio", **more)
        return self.store.submit(made, who="tester").job

    def claim(self, worker: str = "w1") -> Claim:
        claim = self.store.claim(worker)
        assert claim is not None
        return claim

    def until(self, kind: UnitKind, hands: Hands | None = None) -> Claim:
        """Do units up to the first one of a kind, which is claimed and not begun."""
        while (claim := self.claim()).kind is not kind:
            self.do(claim, hands)
        return claim

    def do(
        self, claim: Claim, hands: Hands | None = None, *, leaving: Callable[[], bool] = lambda: False
    ) -> None:
        work_on(self.store, claim, hands or self.hands, leaving=leaving)

    def work_off(self, hands: Hands | None = None, worker: str = "w1") -> list[UnitKind]:
        """Do all there is; kinds in order."""
        done = []
        while (claim := self.store.claim(worker)) is not None:
            done.append(claim.kind)
            self.do(claim, hands)
        return done

    def elsewhere(self, name: str) -> Hands:
        """Hands of a worker on another machine: with a scratch folder of its own."""
        places = replace(self.places, scratch=self.places.data / name)
        return replace(self.hands, places=places)

    def job(self, number: int) -> Job:
        return self.store.job(number)

    def parts(self) -> list[Path]:
        """Everything half made, anywhere."""
        making = self.places.results / ".making"
        found = [*self.places.data.rglob("*.part"), *(making.iterdir() if making.exists() else [])]
        return sorted(found)

    def outputs(self, *kinds: str) -> dict[str, int]:
        """Outputs under keys of these kinds, with the times at which they were made."""
        found = [p for p in self.places.work.rglob("*") if p.suffix[1:] in kinds]
        return {p.name: p.stat().st_mtime_ns for p in found}


def run_out(store: Store) -> None:
    """All units that are held now count as those of workers that gave no sign of life for a lease."""
    with store.database.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE units SET lease_until = 1 WHERE state = 'held'")


def merged(frames: list[Path], folder: Path, recipe: Recipe | None = None) -> Path:
    """The picture that ``nearfar merge`` makes of frames; of the same ones once in a session."""
    folder.mkdir(parents=True, exist_ok=True)
    outputs = Outputs.beside(folder / "picture.tif")
    files = tuple((path.name, hashlib.sha256(path.read_bytes()).hexdigest()) for path in frames)
    if (made := _merged.get((files, recipe))) is not None:
        for ending, content in made.items():
            outputs.picture.with_name(f"picture.{ending}").write_bytes(content)
        return outputs.picture
    job = MergeJob(
        headers=gather(frames).headers,
        outputs=outputs,
        recipe=recipe or Recipe(),
        memory=MEMORY,
        threads=1,
        scratch=folder / "scratch",
    )
    Merge(job, Progress(quiet=True), Stop()).run()
    _merged[files, recipe] = {
        ending: outputs.picture.with_name(f"picture.{ending}").read_bytes() for ending in PICTURE_FILES
    }
    return outputs.picture


_merged: dict[tuple[tuple[tuple[str, str], ...], Recipe | None], dict[str, bytes]] = {}
"""Files of pictures by names and digests of their frames, and recipe."""


def same_files(one: Path, other: Path) -> bool:
    """Whether two pictures and their side files have the same bytes."""
    return all(
        one.with_name(f"{one.stem}.{ending}").read_bytes()
        == other.with_name(f"{other.stem}.{ending}").read_bytes()
        for ending in PICTURE_FILES
    )


def size_of(path: Path) -> tuple[int, int]:
    """Width and height of a picture, pixels."""
    header = read_header(path)
    return header.width, header.height


def result_of(bench: Bench, job: int) -> Path:
    """The picture of a job, which has to be done."""
    found = bench.job(job)
    assert found.state is JobState.DONE, f"{found.cause}: {found.reason}"
    assert found.result is not None
    return Path(found.result)


def worker(folder: Path, name: str, die_in: str | None, job: int) -> None:
    """A process that does units until a job ended; at its third look in a unit of one kind it is killed."""
    weights.RENDER_SECONDS = 1e-6
    bench = Bench.at(folder, lease=LEASE)
    hands = bench.elsewhere(name)
    while bench.job(job).state not in (JobState.DONE, JobState.FAILED):
        claim = bench.store.claim(name)
        if claim is None:
            time.sleep(0.02)
            continue
        looks = 0

        def leaving(kind: UnitKind = claim.kind) -> bool:
            nonlocal looks
            looks += 1
            if kind == die_in and looks == 3:
                os.kill(os.getpid(), signal.SIGKILL)
            return False

        bench.do(claim, hands, leaving=leaving)


def cut_off(folder: Path, name: str, what: str, frame: str) -> None:
    """A process that does the next unit; once its files are mapped, one of them is made shorter."""
    bench = Bench.at(folder, lease=60.0)
    made = survey.MappedFrame.__init__

    def then_cut(self: survey.MappedFrame, surveyed: survey.Surveyed) -> None:
        made(self, surveyed)
        path = surveyed.rows if what == "rows" else surveyed.header.path
        if path is not None and (what == "rows" or str(path) == frame):
            os.truncate(path, 100)

    survey.MappedFrame.__init__ = then_cut  # type: ignore[method-assign, assignment]
    bench.do(bench.claim(name))
