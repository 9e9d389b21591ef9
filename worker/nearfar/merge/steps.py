"""The steps of one stack, each callable by itself and by several processes at once.

Every step looks up what it needs in scratch, by key, and makes what is missing, whoever was to make it: one process may
run them all in a row, or many may do pieces of them in any order. Nothing here knows about resuming.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import NotCovered, StackRefused
from nearfar.frames.deliverable import Sums
from nearfar.merge import focusing, registering, rendering, sensing
from nearfar.merge.coverage.result import Coverage
from nearfar.merge.coverage.stack import cover_stack
from nearfar.merge.deliver.beside import Beside
from nearfar.merge.deliver.delivery import Delivery
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.deliver.reduced import Reduced
from nearfar.merge.deliver.report import Findings, Report, build_report
from nearfar.merge.deliver.write import deliver
from nearfar.merge.focus.find import FocusMap, FocusWriter
from nearfar.merge.focus.gaps import find_gaps, nothing_sharp
from nearfar.merge.focus.movement import MOST, Moved
from nearfar.merge.focus.patterns import PatternShare
from nearfar.merge.kernel.picture_calls import CELL
from nearfar.merge.register import Registration, Share
from nearfar.merge.render import BLOCK, Band, Renderer, stored_band
from nearfar.merge.sensor import Spots
from nearfar.merge.stack_frames import StackFrames, StackInput, Tick, Workplace, nothing
from nearfar.merge.stack_keys import Keys
from nearfar.merge.survey import check_unchanged, detail_of

LINK_PAGES = 64 << 20
"""Mapped pages that the blocks of one link may take: the kernel maps sixteen around each that is touched."""


class Steps(StackFrames):
    """The steps of one stack."""

    def __init__(self, given: StackInput, workplace: Workplace) -> None:
        super().__init__(given, workplace)
        self.reference = given.reference
        self.share: Share | None = None
        """Set where other processes take part in the registration."""
        digests = [f.digest for f in self.frames]
        self.keys = Keys(given.headers, digests, given.recipe, given.reference)
        self._registration: Registration | None = None
        self._spots: Spots | None = None
        self._focus: tuple[FocusMap, FocusWriter] | None = None
        self._moved: list[Moved] = []

    # Register

    @property
    def is_registered(self) -> bool:
        """Whether the registration is in scratch."""
        return self._registration is not None or self.scratch.has(self.keys.register, "register")

    @property
    def is_looked_at(self) -> bool:
        """Whether the registration and the spots of its frames are in scratch."""
        return self.is_registered and self.scratch.has(self.keys.spots, sensing.KIND)

    def registration(self, tick: Tick = nothing) -> Registration:
        """Poses and gains of all frames, from scratch or made now; ``tick`` is given parts of 1.

        Raises
        ------
        StackRefused
            Fewer than two frames show the same scene.
        """
        if self._registration is None:
            stored = self.scratch.load_text(self.keys.register, "register")
            found = registering.from_json(stored) if stored is not None else self._register(tick)
            if sum(pose.used for pose in found.frames) < min(2, len(self.frames)):
                raise StackRefused(registering.nothing_goes_together(self.frames, found))
            self._registration = found
        return self._registration

    def _register(self, tick: Tick) -> Registration:
        share = self.share
        if share is None and self.plan.threads > 1:
            self.survey(range(len(self.frames)), rows=True)
            with sensing.looking_ahead(self.surveyed(), self.check) as share:
                registration = self.register_anew(tick)
        else:
            registration = self.register_anew(tick)
        self.scratch.save_text(self.keys.register, "register", registering.to_json(registration))
        self._look_for_spots(registration, share)  # while the frames are mapped
        self._release()
        return registration

    def register_anew(self, tick: Tick) -> Registration:
        """Register the stack whether or not scratch has the result; shared with other processes if `share` is set."""
        done = [0.0]

        def listen(share: float) -> None:
            self.relax()
            tick(max(0.0, share - done[0]))
            done[0] = max(share, done[0])

        stack = self.surveyed()
        return registering.register_stack(
            stack,
            self._map(range(len(self.frames))),
            reference=self.reference,
            tick=listen,
            touch=lambda: self.relax(self.plan.threads * LINK_PAGES),
            share=self.share,
        )

    def _look_for_spots(self, registration: Registration, share: Share | None) -> Spots:
        found = sensing.look_for_spots(
            self.surveyed(),
            self._mapped,
            registration,
            relax=lambda: self.relax(LINK_PAGES),
            share=share,
        )
        self.scratch.save_text(self.keys.spots, sensing.KIND, found.stored())
        return found

    def spots(self) -> Spots:
        """Hot and dead pixels and dust on the sensor, from scratch or searched for now."""
        if self._spots is None:
            registration = self.registration()
            stored = self.scratch.load_text(self.keys.spots, sensing.KIND)
            if stored is None:
                self._map(range(len(self.frames)))
                self._spots = self._look_for_spots(registration, self.share)
                self._release()
            else:
                self._spots = Spots.from_stored(stored)
        return self._spots

    def used(self) -> list[int]:
        """Places of the frames that go into the picture."""
        return self.registration().used

    # Focus

    def coverage(self) -> Coverage:
        """Slices of depth that the frames leave out. Raises `NotCovered` if there are any and the recipe asks for that."""
        registration = self.registration()
        return cover_stack(self.surveyed(), self.keys.coverage, registration, tick=lambda _: self.relax())

    @property
    def is_focused(self) -> bool:
        """Whether all that the focus step makes is in scratch."""
        return self.scratch.has(self.keys.focus, "moved") and self.scratch.has(self.keys.coverage, "coverage")

    def focus(self, tick: Tick = nothing, share: PatternShare | None = None) -> tuple[FocusMap, FocusWriter]:
        """Focus map and volume of the used frames; ``tick`` is given parts of their number. Raises `NotCovered`.

        ``share``: given if another process sees to coverage and compares patterns meanwhile.
        """
        if self._focus is None:
            if share is None:
                self.coverage()

            def listen(share: float) -> None:
                self.relax()
                tick(share)

            registration, spots = self.registration(), self.spots()
            found, volume, self._moved = focusing.focus_stack(
                self.surveyed(), self.keys.focus, registration, spots=spots, tick=listen, share=share
            )
            if share is not None:
                self.coverage()
            self._focus = (found, volume)
        return self._focus

    def help_focus(self, share: PatternShare) -> None:
        """Make the coverage, and compare patterns for the process that makes the focus map. Raises what ``share`` raises."""
        with suppress(NotCovered):  # the other process reports it
            self.coverage()
        if self.recipe.focus.movement:
            focusing.help_compare(
                *(self.surveyed(), self.registration()), spots=self.spots(), share=share, check=self.relax
            )

    # Render

    @property
    def bands(self) -> int:
        """Number of bands of the picture."""
        return -(-self.size[1] // BLOCK)

    def costs(self) -> list[float]:
        """What each band costs to render, in proportion: how many frames the focus step admits, summed over its tiles."""
        admitted, each = self.focus()[1].admitted, self.plan.tile // CELL
        lefts = np.arange(0, admitted.shape[2], each)
        tiles = [
            np.count_nonzero(np.maximum.reduceat(admitted[y : y + each].max(axis=0), lefts, axis=1))
            for y in range(0, admitted.shape[0], each)
        ]
        down = BLOCK // self.plan.tile
        return [float(sum(tiles[down * b : down * (b + 1)])) for b in range(self.bands)]

    def blocks(self, bands: Sequence[int]) -> int:
        """Number of blocks in these bands: how much work it is to render them."""
        return len(bands) * -(-self.size[0] // BLOCK)

    def missing(self, which: Sequence[int]) -> list[int]:
        """Those of these bands that are not in scratch."""
        names = self.keys.bands(self.bands)
        return [b for b in which if not self.scratch.has(names[b], "band")]

    def render(self, which: Sequence[int], tick: Tick = nothing) -> Iterator[Band]:
        """Yield these bands from the top; ``tick`` is given blocks. Frames are opened only if a band is missing."""
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
        tables = rendering.GainTables(self.surveyed(), self.registration(), self.scratch.local)
        mapped = self._map(used)
        self._mapped_too = [volume.forget, tables.forget]
        return rendering.make_renderer(
            self.surveyed(),
            mapped,
            self.registration(),
            spots=spots,
            found=found,
            volume=volume,
            tables=tables,
            plan=self.plan,
            relax=self.relax,
        )

    # Deliver

    def reduced(self) -> Reduced:
        """Rows of tiles of the first reduced level, which workers that render may make ahead of delivery."""
        return Reduced(self.scratch, self.keys.bands(self.bands))

    def delivery(self, least: int = 0) -> Delivery:
        """A delivery to be filled by `gather` and written by `deliver`, within one ``with`` block.

        ``least``: longest edge below which no level is needed; with one the picture itself cannot be written.
        """
        key, channels = self.keys.result, self.frames[0].header.channels
        return Delivery(self.size, channels, self.scratch, key, self.reduced(), least=least)

    def gather(self, delivery: Delivery, tick: Tick = nothing) -> NDArray[np.float64]:
        """Add all bands to a delivery; returns each used frame's share of the picture, (frames,), which sum to 1."""
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
        verify: Callable[[Path, Sums], None] = lambda *_: None,
        beside: Beside | None = None,
    ) -> Report:
        """Write the picture and its side files; returns the report as ``finish`` completed it. See `write.deliver`.

        Raises
        ------
        SourceChanged
            A frame is no longer the file that was surveyed.
        """
        check_unchanged(self.frames)
        report, (focus_map, _) = self.report(share, notes), self.focus()
        return deliver(
            *(delivery, outputs, report, self.surveyed(), focus_map),
            stop=self.check,
            finish=finish,
            verify=verify,
            beside=beside,
        )

    def report(self, share: NDArray[np.float64], notes: Sequence[str] = ()) -> Report:
        """The report, without times; ``share`` as `gather` gives it, ``notes``: remarks for people."""
        stack, used, (focus_map, _) = self.surveyed(), self.used(), self.focus()
        names, coverage = [self.frames[k].header.path.name for k in used], self.coverage()
        found = Findings(
            registration=self.registration(),
            share=dict(zip(used, share, strict=True)),
            sharpness=detail_of(self.scratch, self.frames, stack.noise, self.plan.threads),
            gaps=[] if coverage.alike else find_gaps(focus_map, stack.noise, names, self.size),
            soft=nothing_sharp(focus_map, stack.noise),
            coverage=coverage,
            spots=self.spots(),
            moved=[m.as_json(names) for m in self._moved[:MOST]],
        )
        report = build_report(stack, found, plan=self.plan, key=self.keys.result, notes=notes)
        return Report({**report.content, **self.masters.told(), "focus_key": self.keys.focus})
