"""The frames of one stack as its steps use them: surveyed where they are not yet, mapped, and given back for memory."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from nearfar.frames.headers import FrameHeader
from nearfar.merge.focus.find import in_order
from nearfar.merge.focus.seen import Held
from nearfar.merge.memory import resident
from nearfar.merge.noise import Noise, estimate
from nearfar.merge.plan import Plan
from nearfar.merge.recipe import Recipe
from nearfar.merge.scratch import Scratch
from nearfar.merge.sensor.correcting import NO_MASTERS, Masters, make_planes
from nearfar.merge.survey import MappedFrame, Mark, Surveyor, has_rows, surveyed
from nearfar.merge.surveyed_stack import SurveyedStack

Tick = Callable[[float], None]
"""Called with the progress since the last call."""


AGAIN = 8 << 20
"""Bytes of mapped pages that are worth giving back."""


def nothing(_: float) -> None:
    """A tick for callers who do not want to know."""


@dataclass(frozen=True, kw_only=True)
class StackInput:
    """What decides the picture of a stack."""

    headers: Sequence[FrameHeader]
    """Of all frames, in the order in which they were taken; alike in size, depth and profile."""
    marks: Mapping[Path, Mark]
    """By path, the size, times and digest that `survey.identify` found for each frame, now or earlier."""
    recipe: Recipe
    reference: int | None = None
    """Place, from 0, of the frame whose geometry the picture takes; None: the one that registration prefers."""
    masters: Masters = NO_MASTERS
    """Dark and flat frames that correct each frame when it is read."""


@dataclass(frozen=True, kw_only=True)
class Workplace:
    """Where a stack is worked on, and with what; it decides nothing of the picture."""

    plan: Plan
    """Threads, tiles and memory that may be used."""
    scratch: Scratch
    """Where outputs are looked up and stored."""
    check: Callable[[], None]
    """Called after every frame, tile and link; raises to stop the work."""


class StackFrames:
    """The frames of one stack; `steps.Steps` inherits this."""

    def __init__(self, given: StackInput, workplace: Workplace) -> None:
        headers = given.headers
        self.size = (headers[0].width, headers[0].height)
        self.recipe = given.recipe
        self.masters = given.masters
        self.plan = workplace.plan
        self.scratch = workplace.scratch
        self.check = workplace.check
        self.frames = [surveyed(self.scratch, h, given.marks[h.path]) for h in headers]
        self._marks = given.marks
        self._mapped: list[MappedFrame] = []
        self._mapped_too: list[Callable[[], None]] = []
        """What gives other mapped pages back."""
        self._noise: Noise | None = None
        self._held = Held(self.plan.held)
        self._without_pages = 0

    def relax(self, room: int = 0) -> None:
        """Raise if the work is to stop; give mapped pages back if fewer than ``room`` bytes are left below the ceiling.

        What is above it without them stays above it: then they are given back once there are enough of them again.
        """
        self.check()
        if self._mapped and resident() + room > max(self.plan.ceiling, self._without_pages + room + AGAIN):
            self._forget()
            self._without_pages = resident()

    def _map(self, places: Sequence[int]) -> list[MappedFrame]:
        """Map the frames at these places, surveyed and laid out first if need be; kept until `_release`."""
        self.survey(places, rows=True)
        self._mapped = [MappedFrame(self.frames[k]) for k in places]
        return self._mapped

    def mapped(self) -> list[MappedFrame]:
        """The frames that are mapped at the moment; if there are none, all of them, mapped now."""
        return self._mapped or self._map(range(len(self.frames)))

    def _release(self) -> None:
        self._forget()
        self._mapped, self._mapped_too = [], []

    def _forget(self) -> None:
        for frame in self._mapped:
            frame.forget()
        for forget in self._mapped_too:
            forget()

    def survey(self, places: Sequence[int], *, rows: bool, tick: Tick = nothing) -> None:
        """Survey frames that are not in scratch yet.

        Parameters
        ----------
        places
            Which frames, from 0.
        rows
            Whether their decoded rows are needed in local scratch as well.
        tick
            Given 1 for each frame that is done or was there.

        Raises
        ------
        FrameRefused, SourceChanged
        """
        missing = [k for k in places if not self.is_surveyed(k, rows=rows)]
        tick(float(len(places) - len(missing)))
        if not missing:
            return
        make_planes(self.masters, self.scratch)
        surveyor = Surveyor(self.scratch, self.relax, self._marks)
        headers = [self.frames[k].header for k in missing]
        made = in_order(headers, lambda h: surveyor.survey(h, rows=rows), self.plan.survey_threads)
        for place, frame in zip(missing, made, strict=True):
            self.check()
            self.frames[place] = frame
            tick(1.0)

    def drop_rows(self) -> None:
        """Remove decoded frames from scratch: nobody needs them once all bands are there."""
        for frame in self.frames:
            if frame.rows is not None:
                frame.rows.unlink(missing_ok=True)

    def is_surveyed(self, place: int, *, rows: bool) -> bool:
        """Whether a frame's survey is in scratch, and its rows as well if asked for."""
        frame = self.frames[place]
        return self.scratch.has(frame.key, "survey") and (not rows or has_rows(self.scratch, frame))

    def noise(self) -> Noise:
        """Noise of the stack, from the surveys, which are made where they are missing."""
        if self._noise is None:
            self.survey(range(len(self.frames)), rows=False)
            lowest = [self.scratch.load(f.key, "survey", "lowest")[0] for f in self.frames]
            bits = self.frames[0].header.bits
            self._noise = estimate(lowest, bits=bits, sigma=self.recipe.render.noise)
        return self._noise

    def surveyed(self) -> SurveyedStack:
        """The frames with what holds for all of them; those that are not surveyed yet are, now."""
        return SurveyedStack(
            noise=self.noise(),
            scratch=self.scratch,
            frames=self.frames,
            recipe=self.recipe,
            threads=self.plan.threads,
            held=self._held,
        )
