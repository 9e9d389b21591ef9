"""The steps of one stack, each callable by itself and by several processes at once.

Every step asks scratch for what it needs by key and makes what is missing, whoever was to make it: one process may run
them all in a row, or many may do pieces of them in any order. Nothing here knows about resuming.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import StackRefused
from nearfar.frames.headers import FrameHeader
from nearfar.merge import focusing, registering, rendering, sensing
from nearfar.merge.beside import Beside
from nearfar.merge.correcting import NO_MASTERS, Masters, make_planes
from nearfar.merge.coverage.result import Coverage
from nearfar.merge.coverage.stack import cover_stack
from nearfar.merge.deliver import Delivery, Outputs, deliver
from nearfar.merge.focus import FocusMap, FocusWriter, in_order
from nearfar.merge.gaps import find_gaps
from nearfar.merge.movement import MOST, Moved
from nearfar.merge.noise import Noise, estimate
from nearfar.merge.plan import Plan, resident
from nearfar.merge.recipe import Recipe
from nearfar.merge.reduced import Reduced
from nearfar.merge.register import Registration, Share
from nearfar.merge.render import BLOCK, Band, Renderer, stored_band
from nearfar.merge.report import Report, build_report
from nearfar.merge.scratch import Scratch
from nearfar.merge.sensor import Spots
from nearfar.merge.stack_keys import Keys
from nearfar.merge.survey import (
    MappedFrame,
    Mark,
    Surveyor,
    check_unchanged,
    detail_of,
    has_rows,
    surveyed,
)

LINK_PAGES = 64 << 20
"""Mapped pages that the blocks of one link may take: the kernel maps sixteen around each that is touched."""
Tick = Callable[[float], None]


def nothing(_: float) -> None:
    """A tick that nobody hears."""


class Steps:
    """The steps of one stack.

    Parameters
    ----------
    headers
        Of all frames, in the order in which they were taken; alike.
    marks
        What `survey.identify` found for every frame's path, now or earlier.
    plan
        What may be taken.
    scratch
        Where outputs are looked for and left.
    reference
        Place of the frame whose geometry the picture has, if one was asked for.
    check
        Called after every frame, tile and link; raises to stop the work.
    masters
        Dark and flat frames that the headers are to be corrected with.
    """

    def __init__(
        self,
        headers: Sequence[FrameHeader],
        marks: Mapping[Path, Mark],
        *,
        recipe: Recipe,
        plan: Plan,
        scratch: Scratch,
        reference: int | None,
        check: Callable[[], None],
        masters: Masters = NO_MASTERS,
    ) -> None:
        self.size = (headers[0].width, headers[0].height)
        self.recipe = recipe
        self.plan = plan
        self.scratch = scratch
        self.reference = reference
        self.check = check
        self.masters = masters
        self.share: Share | None = None
        self.frames = [surveyed(scratch, h, marks[h.path]) for h in headers]
        self.keys = Keys(headers, [f.digest for f in self.frames], recipe, reference)
        self._marks = marks
        self._mapped: list[MappedFrame] = []
        self._noise: Noise | None = None
        self._registration: Registration | None = None
        self._spots: Spots | None = None
        self._focus: tuple[FocusMap, FocusWriter] | None = None
        self._moved: list[Moved] = []

    # ---- memory ----

    def relax(self, room: int = 0) -> None:
        """Stop if asked; give mapped pages back where less than ``room`` bytes are left below the ceiling."""
        self.check()
        if self._mapped and resident() + room > self.plan.ceiling:
            for frame in self._mapped:
                frame.forget()

    def _map(self, places: Sequence[int]) -> list[MappedFrame]:
        self.survey(places, rows=True)
        self._mapped = [MappedFrame(self.frames[k]) for k in places]
        return self._mapped

    def mapped(self) -> list[MappedFrame]:
        """All frames, mapped; those that are, as they are."""
        return self._mapped or self._map(range(len(self.frames)))

    def _release(self) -> None:
        for frame in self._mapped:
            frame.forget()
        self._mapped = []

    # ---- survey ----

    def survey(self, places: Sequence[int], *, rows: bool, tick: Tick = nothing) -> None:
        """Survey what is not surveyed of the frames at these places, and lay out rows that are missing here if asked for.

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
        """Remove decoded frames: once all bands are there, nobody asks for them."""
        for frame in self.frames:
            if frame.rows is not None:
                frame.rows.unlink(missing_ok=True)

    def is_surveyed(self, place: int, *, rows: bool) -> bool:
        """Whether a frame's survey is in scratch, and its rows as well if asked for."""
        frame = self.frames[place]
        return self.scratch.has(frame.key, "survey") and (not rows or has_rows(self.scratch, frame))

    def noise(self) -> Noise:
        """Noise of the stack, from the surveys."""
        if self._noise is None:
            self.survey(range(len(self.frames)), rows=False)
            lowest = [self.scratch.load(f.key, "survey", "lowest")[0] for f in self.frames]
            bits = self.frames[0].header.bits
            self._noise = estimate(lowest, bits=bits, sigma=self.recipe.render.noise)
        return self._noise

    # ---- register ----

    @property
    def is_registered(self) -> bool:
        """Whether the registration is in scratch."""
        return self._registration is not None or self.scratch.has(self.keys.register, "register")

    @property
    def is_looked_at(self) -> bool:
        """Whether the registration and the spots of its frames are in scratch."""
        return self.is_registered and self.scratch.has(self.keys.spots, sensing.KIND)

    def registration(self, tick: Tick = nothing) -> Registration:
        """Registration of the stack; ``tick`` is given shares of 1.

        Raises
        ------
        StackRefused
            Fewer than two frames go together.
        """
        if self._registration is None:
            stored = self.scratch.load_text(self.keys.register, "register")
            found = registering.from_json(stored) if stored is not None else self._register(tick)
            if sum(pose.used for pose in found.frames) < min(2, len(self.frames)):
                raise StackRefused(registering.nothing_goes_together(self.frames, found))
            self._registration = found
        return self._registration

    def _register(self, tick: Tick) -> Registration:
        registration = self.register_anew(tick)
        self.scratch.save_text(self.keys.register, "register", registering.to_json(registration))
        self._look_for_spots(registration)  # while the frames are mapped
        self._release()
        return registration

    def register_anew(self, tick: Tick) -> Registration:
        """Registration of the stack, whatever is in scratch; with other processes where `share` is set."""
        done = [0.0]

        def listen(share: float) -> None:
            self.relax()
            tick(max(0.0, share - done[0]))
            done[0] = max(share, done[0])

        noise = self.noise()
        return registering.register_stack(
            *(self.scratch, self.frames, self._map(range(len(self.frames))), noise, self.size, self.recipe),
            reference=self.reference,
            tick=listen,
            touch=lambda: self.relax(self.plan.threads * LINK_PAGES),
            threads=self.plan.threads,
            share=self.share,
        )

    def _look_for_spots(self, registration: Registration) -> Spots:
        used = [k for k, pose in enumerate(registration.frames) if pose.used]
        found = sensing.look_for_spots(
            *(self.scratch, self.frames, self._mapped, registration, used),
            noise=self.noise(),
            recipe=self.recipe,
            threads=self.plan.threads,
            relax=lambda: self.relax(LINK_PAGES),
            share=self.share,
        )
        self.scratch.save_text(self.keys.spots, sensing.KIND, found.stored())
        return found

    def spots(self) -> Spots:
        """Places of the sensor that tell nothing of the scene."""
        if self._spots is None:
            registration = self.registration()
            stored = self.scratch.load_text(self.keys.spots, sensing.KIND)
            if stored is None:
                self._map(range(len(self.frames)))
                self._spots = self._look_for_spots(registration)
                self._release()
            else:
                self._spots = Spots.from_stored(stored)
        return self._spots

    def used(self) -> list[int]:
        """Places of the frames that go into the picture."""
        return [k for k, pose in enumerate(self.registration().frames) if pose.used]

    # ---- focus ----

    def coverage(self) -> Coverage:
        """What the frames leave out. Raises `NotCovered` where the recipe holds such a stack."""
        return cover_stack(
            *(self.scratch, self.keys.coverage, self.frames, self.registration(), self.used()),
            size=self.size,
            noise=self.noise(),
            recipe=self.recipe,
            threads=self.plan.threads,
            tick=lambda _: self.relax(),
        )

    def focus(self, tick: Tick = nothing) -> tuple[FocusMap, FocusWriter]:
        """Focus map and volume of the used frames; ``tick`` is given shares of their number. Raises `NotCovered`."""
        if self._focus is None:
            self.coverage()

            def listen(share: float) -> None:
                self.relax()
                tick(share)

            registration, noise, spots = self.registration(), self.noise(), self.spots()
            found, volume, self._moved = focusing.focus_stack(
                *(self.scratch, self.keys.focus, self.frames, registration, self.used()),
                spots=spots,
                size=self.size,
                noise=noise,
                recipe=self.recipe,
                threads=self.plan.threads,
                tick=listen,
            )
            self._focus = (found, volume)
        return self._focus

    # ---- render ----

    @property
    def bands(self) -> int:
        """Number of bands of the picture."""
        return -(-self.size[1] // BLOCK)

    def blocks(self, bands: Sequence[int]) -> int:
        """Number of blocks in so many bands: the weight of rendering them."""
        return len(bands) * -(-self.size[0] // BLOCK)

    def missing(self, which: Sequence[int]) -> list[int]:
        """Bands that are not in scratch."""
        names = self.keys.bands(self.bands)
        return [b for b in which if not self.scratch.has(names[b], "band")]

    def render(self, which: Sequence[int], tick: Tick = nothing) -> Iterator[Band]:
        """These bands, from the top; ``tick`` is given blocks. Frames are only opened where a band is missing."""
        names = self.keys.bands(self.bands)
        if not self.missing(which):
            for band in which:
                self.check()
                yield stored_band(self.scratch, names[band])
                tick(float(self.blocks([band])))
            return
        threads = self.plan.threads
        yield from self._renderer().render(self.scratch, names, threads=threads, tick=tick, which=which)
        self._release()

    def _renderer(self) -> Renderer:
        used, spots = self.used(), self.spots()
        found, volume = self.focus()
        return rendering.make_renderer(
            *([self.frames[k].header for k in used], self._map(used), self.registration(), used),
            spots=spots,
            found=found,
            volume=volume,
            noise=self.noise(),
            recipe=self.recipe,
            plan=self.plan,
            relax=self.relax,
        )

    # ---- deliver ----

    def reduced(self) -> Reduced:
        """Rows of tiles that those who render may make for delivery."""
        return Reduced(self.scratch, self.keys.bands(self.bands))

    def delivery(self) -> Delivery:
        """To be filled by `gather` and written by `deliver`, within one block."""
        key, channels = self.keys.result, self.frames[0].header.channels
        return Delivery(self.size, channels, self.scratch, key, self.reduced())

    def gather(self, delivery: Delivery, tick: Tick = nothing) -> NDArray[np.float64]:
        """Give all bands to a delivery; each used frame's share of the picture."""
        share = np.zeros(len(self.used()))
        with ThreadPoolExecutor(self.plan.threads) as pool:
            for band in self.render(range(self.bands), tick):
                share += band.share
                delivery.add(band, pool)
            delivery.close(pool)
        return np.asarray(share / max(share.sum(), 1.0))

    def deliver(
        self,
        delivery: Delivery,
        share: NDArray[np.float64],
        outputs: Outputs,
        *,
        notes: Sequence[str],
        finish: Callable[[Report], Report],
        verify: Callable[[Path], None] = lambda _: None,
        beside: Beside | None = None,
    ) -> Report:
        """Write the picture and all that belongs to it; the report as ``finish`` completed it. See `deliver.deliver`.

        Raises
        ------
        SourceChanged
            A frame is no longer the file that was surveyed.
        """
        check_unchanged(self.frames)
        used, registration, noise, found = self.used(), self.registration(), self.noise(), self.focus()[0]
        names = [self.frames[k].header.path.name for k in used]
        report = build_report(
            frames=self.frames,
            registration=registration,
            recipe=self.recipe,
            share=dict(zip(used, share, strict=True)),
            sharpness=detail_of(self.scratch, self.frames, noise, self.plan.threads),
            gaps=find_gaps(found, noise, names, self.size),
            coverage=self.coverage(),
            noise=noise,
            spots=self.spots(),
            moved=[m.as_json(names) for m in self._moved[:MOST]],
            key=self.keys.result,
            plan=self.plan,
            notes=notes,
        )
        report = Report({**report.content, **self.masters.told(), "focus_key": self.keys.focus})
        return deliver(
            *(delivery, outputs, report, self.frames, used, found, self.recipe),
            threads=self.plan.threads,
            stop=self.check,
            finish=finish,
            verify=verify,
            beside=beside,
        )
