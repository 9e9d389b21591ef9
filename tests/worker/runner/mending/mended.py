"""One delivered stack and who mends it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from nearfar.jobs import MendState
from nearfar.jobs.engine import dispose
from nearfar.runner.mending.annotations import Subject, annotation_of, read_wish
from nearfar.runner.mending.process import Mender
from nearfar.runner.results.versions import read_report
from tests.acceptance.command import lay
from tests.scenes import render
from tests.worker.runner.serving import settings_for
from tests.worker.runner.workbench import Bench, result_of

SIZE = (700, 560)
BOX = [40, 60, 200, 150]
"""Within the first tile."""


def deliver(data: Path) -> int:
    """Make the data of a server with one delivered stack; its job."""
    bench = Bench.at(data)
    scene = render("doorways", frames=4, size=SIZE, seed=3)
    job = bench.submit(lay(scene.frames, bench.places.inbox / "moss", format="jpeg"))
    bench.work_off()
    result_of(bench, job)
    dispose(bench.store.database.engine)
    return job


@contextmanager
def put_back(data: Path, job: int, aside: Path) -> Iterator[Mending]:
    """The stack, as it was delivered again after the block: paths in the store are absolute, so it stays in its place."""
    shutil.copytree(data, aside)
    made = Mending(data, job)
    yield made
    dispose(made.store.database.engine)
    shutil.rmtree(data)
    aside.rename(data)


class Mending:
    """One delivered stack and who mends it."""

    def __init__(self, data: Path, job: int) -> None:
        self.bench, self.job = Bench.at(data), job
        self.settings = settings_for(data)
        self.store, self.places = self.bench.store, self.bench.places
        self.mender = Mender(self.settings, self.places, self.store, threads=2)
        self.picture = result_of(self.bench, job)
        names = {k: Path(e.path).name for k, e in enumerate(self.store.frames(job), start=1)}
        self.subject = Subject(job=job, size=SIZE, frames=names)

    def want(self, **body: Any) -> int:
        wish = read_wish({"box": BOX, **body}, self.subject)
        return self.store.add_mend(self.job, annotation_of(wish, self.subject), who="ada").number

    def mend(self, **body: Any) -> int:
        number = self.want(**body)
        self.carry_out()
        return number

    def carry_out(self) -> None:
        assert self.mender.turn()
        assert self.state is not MendState.WORKING, self.store.mending([self.job])

    @property
    def state(self) -> MendState:
        return self.store.mending([self.job])[self.job].state

    def pixels(self, path: Path | None = None) -> NDArray[np.uint16]:
        return np.asarray(tifffile.imread(path or self.picture, key=0))

    def report(self) -> dict[str, Any]:
        return read_report(self.picture.with_name(f"{self.picture.stem}.report.json"))

    def made(self) -> int:
        """Tiles that the last mending made again."""
        events = [e for e in self.store.events(job=self.job) if e.action == "mended"]
        return int(events[-1].detail["made"])
