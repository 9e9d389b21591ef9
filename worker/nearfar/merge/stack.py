"""One stack from frames to picture: the five steps in order, each asked for by key.

Nothing here knows about resuming: an output that is in scratch under its key is not made again, whoever made it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearfar import __version__
from nearfar.errors import Interrupted, StackRefused, UsageError
from nearfar.frames.headers import FrameHeader, check_alike
from nearfar.frames.whole import remove_parts
from nearfar.merge import focusing, registering, rendering
from nearfar.merge.deliver import Delivery, Outputs, deliver, finished
from nearfar.merge.focus import FocusMap, FocusWriter, in_order
from nearfar.merge.gaps import find_gaps
from nearfar.merge.keys import Fingerprint, file_digest, key
from nearfar.merge.noise import Noise, estimate
from nearfar.merge.plan import (
    Plan,
    allow_open_files,
    check_disk,
    give_back_heap,
    make_plan,
    peak_resident,
    resident,
)
from nearfar.merge.recipe import Recipe
from nearfar.merge.register import Registration
from nearfar.merge.report import Report, build_report
from nearfar.merge.scratch import Scratch, open_scratch
from nearfar.merge.survey import (
    MappedFrame,
    Mark,
    Surveyed,
    Surveyor,
    changed,
    identify,
    survey_key,
)
from nearfar.progress import Progress

DELIVER_VERSION = 2
LINK_PAGES = 64 << 20
"""Mapped pages that the blocks of one link may take: the kernel maps sixteen around each that is touched."""


@dataclass(frozen=True, kw_only=True)
class Job:
    """What is to be merged, how, and with what."""

    headers: Sequence[FrameHeader]
    outputs: Outputs
    recipe: Recipe
    memory: int
    threads: int
    scratch: Path
    reference: str | None = None
    keep_scratch: bool = False
    notes: tuple[str, ...] = ()


class Stop:
    """Asked for by a signal; looked at after every tile and frame."""

    def __init__(self) -> None:
        self._event = threading.Event()
        self.reason = ""

    def ask(self, reason: str) -> None:
        """Ask the work to stop; what is in scratch stays there."""
        self.reason = reason
        self._event.set()

    def check(self) -> None:
        """Raise `Interrupted` if asked."""
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
    """One run. `run` is the whole of it; the rest are its steps."""

    def __init__(self, job: Job, progress: Progress, stop: Stop) -> None:
        self.job = job
        self.progress = progress
        self.stop = stop
        self.clock = _Clock()
        check_alike(job.headers)
        self.size = (job.headers[0].width, job.headers[0].height)
        self.plan: Plan = make_plan(
            job.headers, limit=job.memory, threads=job.threads, tile=min(job.recipe.render.tile, 256)
        )
        self._mapped: list[MappedFrame] = []

    def relax(self, room: int = 0) -> None:
        """Stop if asked; give mapped pages back where less than ``room`` bytes are left below the ceiling."""
        self.stop.check()
        if self._mapped and resident() + room > self.plan.ceiling:
            for frame in self._mapped:
                frame.forget()

    def run(self) -> Report:
        """Make the picture, or find it made already. Raises the errors of nearfar.errors."""
        job = self.job
        allow_open_files(len(job.headers))
        self.reference_place()  # a name that is not there is refused before any work
        with open_scratch(job.scratch, job.outputs.picture) as scratch:
            for target in (job.outputs.picture, *job.outputs.side_files()):
                remove_parts(target)
            self.progress.step("identify", len(job.headers))
            marks = self._identify()
            name = self._result_key([survey_key(h, d) for h, (d, _) in zip(job.headers, marks, strict=True)])
            done = finished(job.outputs, name)
            if done is not None:
                self.progress.finish()
                self.progress.note(f"{job.outputs.picture} is there already, made from these frames")
                return done
            check_disk(
                self.plan,
                scratch=scratch.folder,
                there=scratch.size(),
                out=job.outputs.picture.absolute().parent,
            )
            paths = [h.path for h in job.headers]
            report = self._make(scratch, name, dict(zip(paths, marks, strict=True)))
            if not job.keep_scratch:
                scratch.remove()
        return report

    def _identify(self) -> list[Mark]:
        def one(header: FrameHeader) -> Mark:
            self.stop.check()
            found = identify(header)
            self.progress.advance(1)
            return found

        with ThreadPoolExecutor(self.job.threads) as pool:
            return list(pool.map(one, self.job.headers))

    # ---- keys: each step's from the one before ----

    def _register_key(self, surveys: Sequence[str]) -> str:
        return registering.register_key(surveys, self.job.recipe, self.reference_place())

    def _focus_key(self, surveys: Sequence[str]) -> str:
        return focusing.focus_key(self._register_key(surveys), self.job.recipe)

    def _result_key(self, surveys: Sequence[str]) -> str:
        params = {
            "names": [h.path.name for h in self.job.headers],
            "deliver": self.job.recipe.deliver,
            "software": __version__,
        }
        return key(
            "deliver",
            DELIVER_VERSION,
            params,
            rendering.band_keys(self._focus_key(surveys), self.job.recipe, 1),
        )

    def reference_place(self) -> int | None:
        """Place of the reference frame that was asked for."""
        wanted = self.job.reference
        if wanted is None:
            return None
        names = [h.path.name for h in self.job.headers]
        for place, name in enumerate(names):
            if wanted in (name, Path(name).stem, str(self.job.headers[place].path)):
                return place
        there = ", ".join(names[:6]) + (" ..." if len(names) > 6 else "")
        raise UsageError(f"--reference {wanted}: no frame has that name; there are {there}")

    # ---- steps ----

    def _make(self, scratch: Scratch, name: str, marks: Mapping[Path, Mark]) -> Report:
        with self.clock.step("survey"):
            frames = self._survey(scratch, marks)
        keys = [f.key for f in frames]
        with self.clock.step("register"):
            noise = self._noise(scratch, frames)
            registration = self._register(scratch, frames, noise, self._register_key(keys))
        used = [k for k, pose in enumerate(registration.frames) if pose.used]
        if len(used) < 2 <= len(frames):
            raise StackRefused(registering.nothing_goes_together(frames, registration))
        with self.clock.step("focus"):
            focus = self._focus(scratch, frames, registration, used, noise, self._focus_key(keys))
        with self.clock.step("render"):
            delivery = Delivery(self.size, frames[0].header.channels, scratch, name)
            share = self._render(
                *(scratch, frames, registration, used, focus, noise, self._focus_key(keys), delivery),
            )
        with self.clock.step("deliver"):
            self._check_sources(frames)
            report = build_report(
                frames=frames,
                registration=registration,
                recipe=self.job.recipe,
                share=dict(zip(used, share, strict=True)),
                sharpness=self._sharpness(scratch, frames, noise),
                gaps=find_gaps(focus[0], noise, [frames[k].header.path.name for k in used], self.size),
                noise=noise,
                key=name,
                plan=self.plan,
                notes=self.job.notes,
            )
            self.progress.step("deliver", 1)
            report = deliver(
                *(delivery, self.job.outputs, report, frames, used, focus[0], self.job.recipe),
                stop=self.stop.check,
                finish=lambda r: r.timed(self.clock.total(), peak_resident()),
            )
            self.progress.finish()
        return report

    def _survey(self, scratch: Scratch, marks: Mapping[Path, Mark]) -> list[Surveyed]:
        surveyor = Surveyor(scratch, self.relax, marks)
        self.progress.step("survey", len(self.job.headers))
        out = []
        for frame in in_order(list(self.job.headers), surveyor.survey, self.plan.survey_threads):
            self.stop.check()
            self.progress.advance(1)
            out.append(frame)
        digests: dict[str, str] = {}
        for frame in out:
            if frame.digest in digests:
                self.progress.note(f"{frame.header.path.name} has the same bytes as {digests[frame.digest]}")
            digests.setdefault(frame.digest, frame.header.path.name)
        return out

    def _noise(self, scratch: Scratch, frames: Sequence[Surveyed]) -> Noise:
        lowest = [scratch.load(f.key, "survey", "lowest")[0] for f in frames]
        return estimate(lowest, bits=frames[0].header.bits, sigma=self.job.recipe.render.noise)

    def _map(self, frames: Sequence[Surveyed]) -> list[MappedFrame]:
        self._mapped = [MappedFrame(f) for f in frames]
        return self._mapped

    def _register(
        self, scratch: Scratch, frames: Sequence[Surveyed], noise: Noise, name: str
    ) -> Registration:
        stored = scratch.load_text(name, "register")
        if stored is not None:
            return registering.from_json(stored)
        self.progress.step("register", 1.0)
        mapped = self._map(frames)
        done = [0.0]

        def tick(share: float) -> None:
            self.relax()
            self.progress.advance(max(0.0, share - done[0]))
            done[0] = max(share, done[0])

        registration = registering.register_stack(
            *(scratch, frames, mapped, noise, self.size, self.job.recipe),
            reference=self.reference_place(),
            tick=tick,
            touch=lambda: self.relax(self.plan.threads * LINK_PAGES),
            threads=self.plan.threads,
        )
        scratch.save_text(name, "register", registering.to_json(registration))
        self._release()
        return registration

    def _release(self) -> None:
        for frame in self._mapped:
            frame.forget()
        self._mapped = []

    def _focus(
        self,
        scratch: Scratch,
        frames: Sequence[Surveyed],
        registration: Registration,
        used: Sequence[int],
        noise: Noise,
        name: str,
    ) -> tuple[FocusMap, FocusWriter]:
        self.progress.step("focus", len(used))

        def tick(share: float) -> None:
            self.relax()
            self.progress.advance(share)

        return focusing.focus_stack(
            *(scratch, name, frames, registration, used),
            size=self.size,
            noise=noise,
            recipe=self.job.recipe,
            threads=self.plan.threads,
            tick=tick,
        )

    def _render(
        self,
        scratch: Scratch,
        frames: Sequence[Surveyed],
        registration: Registration,
        used: Sequence[int],
        focus: tuple[FocusMap, FocusWriter],
        noise: Noise,
        focus_key: str,
        delivery: Delivery,
    ) -> NDArray[np.float64]:
        """Render every band that is missing; returns each used frame's share of the picture."""
        renderer = rendering.make_renderer(
            *([frames[k].header for k in used], self._map([frames[k] for k in used]), registration, used),
            found=focus[0],
            volume=focus[1],
            noise=noise,
            recipe=self.job.recipe,
            plan=self.plan,
            relax=self.relax,
        )
        share = np.zeros(len(used))
        self.progress.step("render", sum(len(renderer.blocks(b)) for b in range(renderer.bands)))
        names = rendering.band_keys(focus_key, self.job.recipe, renderer.bands)
        threads = self.plan.threads
        with ThreadPoolExecutor(threads) as pool:
            for band in renderer.render(scratch, names, threads=threads, tick=self.progress.advance):
                share += band.share
                delivery.add(band, pool)
            delivery.close(pool)
        self._release()
        return np.asarray(share / max(share.sum(), 1.0))

    @staticmethod
    def _sharpness(scratch: Scratch, frames: Sequence[Surveyed], noise: Noise) -> list[float]:
        """Fine detail of each frame, relative to the frame that has most: root of the mean energy over the noise."""
        found = []
        for frame in frames:
            energy, mean = scratch.load(frame.key, "survey", "energy", "mean")
            found.append(float(np.sqrt(np.maximum(energy[0] - noise.energy(0, mean), 0).mean())))
        return [value / max(max(found), 1e-9) for value in found]

    def _check_sources(self, frames: Sequence[Surveyed]) -> None:
        for frame in frames:
            try:
                if Fingerprint.of(frame.header.path) == frame.fingerprint:
                    continue
                same = file_digest(frame.header.path) == frame.digest
            except OSError:
                same = False
            if not same:
                raise changed(frame.header.path)
