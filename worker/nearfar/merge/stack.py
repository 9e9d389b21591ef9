"""One stack from frames to picture in one process: the five steps in a row, with progress, times and a way to stop."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from nearfar.errors import Interrupted
from nearfar.frames.headers import FrameHeader, check_alike
from nearfar.frames.whole import remove_parts
from nearfar.merge.deliver.outputs import Outputs, finished
from nearfar.merge.deliver.report import Report
from nearfar.merge.development import develop
from nearfar.merge.memory import give_back_heap, keep_heap_small, peak_resident
from nearfar.merge.plan import Plan, allow_open_files, check_disk, make_plan
from nearfar.merge.recipe import Recipe
from nearfar.merge.scratch import Scratch, folder_for, open_scratch
from nearfar.merge.sensor.correcting import corrected, find_masters, space
from nearfar.merge.stack_frames import StackInput, Workplace
from nearfar.merge.stack_keys import Keys, place_of
from nearfar.merge.steps import Steps
from nearfar.merge.survey import Mark, identify
from nearfar.merge.turning import turned_alike, words
from nearfar.progress import Progress


@dataclass(frozen=True, kw_only=True)
class Request:
    """What is to be merged, how, and with what."""

    headers: Sequence[FrameHeader]
    """Of the frames, in the order in which they were focused."""
    outputs: Outputs
    recipe: Recipe
    memory: int
    """Bytes allowed."""
    threads: int
    scratch: Path
    """The folder below which the run's own scratch folder is made."""
    reference: str | None = None
    """Name or path of the frame whose geometry the picture takes; None leaves the choice to registration."""
    keep_scratch: bool = False
    notes: tuple[str, ...] = ()
    """Remarks for people that go into the report."""


class Stop:
    """A request to stop: made by a signal, and checked after every frame and tile."""

    def __init__(self) -> None:
        self._event = threading.Event()
        self.reason = ""

    def ask(self, reason: str) -> None:
        """Ask the work to stop, for a reason that the message names; scratch is kept."""
        self.reason = reason
        self._event.set()

    def check(self) -> None:
        """Raise `Interrupted` if stopping was asked for."""
        if self._event.is_set():
            raise Interrupted(f"stopped by {self.reason}; run the same command again to go on from here")


@dataclass
class _Clock:
    """Seconds of each step."""

    seconds: dict[str, float] = field(default_factory=dict)
    began: float = field(default_factory=time.monotonic)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        start = time.monotonic()
        yield
        give_back_heap()
        self.seconds[name] = time.monotonic() - start

    def total(self) -> dict[str, float]:
        return {**self.seconds, "total": time.monotonic() - self.began}


class Merge:
    """One run; `run` does all of it."""

    def __init__(self, request: Request, progress: Progress, stop: Stop) -> None:
        self.request = request
        self.progress = progress
        self.stop = stop
        self.clock = _Clock()
        keep_heap_small()
        headers = develop(turned_alike(request.headers, request.reference), request.recipe)
        check_alike(headers)
        turned = words(headers)
        if turned is not None:
            progress.note(turned)
        self.masters = find_masters(headers, request.recipe)
        own = Scratch(folder_for(request.scratch, request.outputs.picture))
        self.headers = corrected(headers, self.masters, own)
        self.plan: Plan = make_plan(
            self.headers,
            limit=request.memory,
            threads=request.threads,
            tile=min(request.recipe.render.tile, 256),
            learned=request.recipe.render.chooser != "rule",
        )

    def run(self) -> Report:
        """Make the picture, unless it is there already, and return its report. Raises the errors of `nearfar.errors`."""
        request = self.request
        allow_open_files(len(request.headers))
        # A name that is not there is refused before any work.
        reference = place_of(request.reference, request.headers)
        with open_scratch(request.scratch, request.outputs.picture) as scratch:
            for target in (request.outputs.picture, *request.outputs.side_files(height=True)):
                remove_parts(target)
            marks = self._identify()
            name = Keys(self.headers, [digest for digest, _ in marks], request.recipe, reference).result
            done = finished(request.outputs, name, height=request.recipe.deliver.height)
            if done is not None:
                self.progress.finish()
                self.progress.note(f"{request.outputs.picture} is there already, made from these frames")
                self._clear(scratch)  # a run killed after its last rename left it
                return done
            check_disk(
                replace(self.plan, scratch=self.plan.scratch + space(self.masters)),
                scratch=scratch.folder,
                there=scratch.size(),
                out=request.outputs.picture.absolute().parent,
            )
            paths = [h.path for h in request.headers]
            report = self._make(self._steps(scratch, dict(zip(paths, marks, strict=True)), reference))
            self._clear(scratch)
        return report

    def _clear(self, scratch: Scratch) -> None:
        if not self.request.keep_scratch:
            scratch.remove()

    def _identify(self) -> list[Mark]:
        def one(header: FrameHeader) -> Mark:
            self.stop.check()
            found = identify(header)
            self.progress.advance(1)
            return found

        self.progress.step("identify", len(self.request.headers))
        with ThreadPoolExecutor(self.request.threads) as pool:
            return list(pool.map(one, self.request.headers))

    def _steps(self, scratch: Scratch, marks: Mapping[Path, Mark], reference: int | None) -> Steps:
        given = StackInput(
            headers=self.headers,
            marks=marks,
            recipe=self.request.recipe,
            reference=reference,
            masters=self.masters,
        )
        return Steps(given, Workplace(plan=self.plan, scratch=scratch, check=self.stop.check))

    def _make(self, steps: Steps) -> Report:
        progress = self.progress
        with self.clock.step("survey"):
            progress.step("survey", len(steps.frames))
            rows = bool(steps.missing(range(steps.bands)))
            steps.survey(range(len(steps.frames)), rows=rows, tick=progress.advance)
            self._tell_twins(steps)
        with self.clock.step("register"):
            if not steps.is_registered:
                progress.step("register", 1.0)
            steps.registration(progress.advance)
        with self.clock.step("focus"):
            progress.step("focus", len(steps.used()))
            steps.focus(progress.advance)
        with steps.delivery() as delivery:
            with self.clock.step("render"):
                progress.step("render", steps.blocks(range(steps.bands)))
                share = steps.gather(delivery, progress.advance)
            with self.clock.step("deliver"), ThreadPoolExecutor(1) as pool:
                if not self.request.keep_scratch:
                    pool.submit(steps.drop_rows)  # gigabytes: that takes a while
                progress.step("deliver", 1)
                report = steps.deliver(
                    *(delivery, share, self.request.outputs),
                    notes=self.request.notes,
                    finish=lambda r: r.timed(self.clock.total(), peak_resident()),
                )
                progress.finish()
        return report

    def _tell_twins(self, steps: Steps) -> None:
        digests: dict[str, str] = {}
        for frame in steps.frames:
            if frame.digest in digests:
                self.progress.note(f"{frame.header.path.name} has the same bytes as {digests[frame.digest]}")
            digests.setdefault(frame.digest, frame.header.path.name)
