"""The frames of one camera in order, with everything that was seen of them, compared on demand and only once."""

from __future__ import annotations

import contextlib
from collections import OrderedDict
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

from nearfar.errors import FrameRefused
from nearfar.frames.ending import examine
from nearfar.frames.glance import glance
from nearfar.intake.card import evidence
from nearfar.intake.card.cache import CardCache
from nearfar.intake.card.exposures import Exposure
from nearfar.intake.card.likeness import Floats, Likeness, compare, panned, soft
from nearfar.intake.card.previews import CHEAP, CLOSE, Look, take_look
from nearfar.intake.card.sharpness import Patterns, patterns

THREADS = 2
SLACK = 0.5
"""Seconds that pauses differ by for no reason: cameras hiccup while they write."""
ALIKE = 0.8
"""Correlation from which two frames show the same view."""
SOFT_KEPT = 256
"""Small pictures without noise that are kept, 48 KiB each; frames are compared with those around them."""
BATCH = 64
"""Looks taken between two writes to the cache: what a reading that is stopped loses at most."""


class Series:
    """Exposures whose pictures can be shown, and comparisons between them by their index."""

    def __init__(self, exposures: Sequence[Exposure], looks: Sequence[Look], closer: Closer) -> None:
        self.exposures = tuple(exposures)
        self.looks = list(looks)
        self._closer = closer
        self._soft: OrderedDict[int, Floats] = OrderedDict()
        self._compared: dict[tuple[int, int], Likeness] = {}

    def __len__(self) -> int:
        return len(self.exposures)

    def use_copy(self, index: int) -> Exposure:
        """Let a raw frame be represented by its developed copy from now on; returns it."""
        copy = self.exposures[index].by_copy()
        self.exposures = (*self.exposures[:index], copy, *self.exposures[index + 1 :])
        return copy

    def soft(self, index: int) -> Floats:
        """The small picture of a frame, noise taken off."""
        if index not in self._soft:
            self._soft[index] = soft(self.looks[index])
            if len(self._soft) > SOFT_KEPT:
                self._soft.popitem(last=False)
        self._soft.move_to_end(index)
        return self._soft[index]

    def likeness(self, one: int, other: int) -> Likeness:
        """How two frames compare."""
        if (one, other) not in self._compared:
            self._compared[one, other] = compare(
                self.soft(one), self.soft(other), (self.looks[one].colour, self.looks[other].colour)
            )
        return self._compared[one, other]

    def panned(self, one: int, other: int) -> float | None:
        """Share of the frame that the view moved on by, if it did."""
        return panned(self.soft(one), self.soft(other))

    def patterns(self, run: Sequence[int]) -> Patterns | None:
        """Patterns of sharpness of a run; None if its looks were made in different ways."""
        if len({self.looks[k].source for k in run}) != 1:
            return None
        return patterns([self.looks[k] for k in run])

    def pause(self, one: int, other: int) -> float | None:
        """Seconds between the end of one exposure and the start of another, by the camera's clock."""
        a, b = self.exposures[one], self.exposures[other]
        if a.seconds is None or b.seconds is None:
            return None
        pause = b.seconds - a.seconds - (a.found.camera.exposure_time or 0.0)
        return max(0.0, pause) if b.seconds >= a.seconds - 1.0 else abs(b.seconds - a.seconds)

    def look_closer(self, run: Sequence[int]) -> bool:
        """Look at frames of a run again, from the files themselves; whether anything was gained."""
        todo = [k for k in run if not self.looks[k].source.startswith("decoded")]
        found = self._closer([self.exposures[k] for k in todo])
        for k, look in zip(todo, found, strict=True):
            if look is not None:
                self.looks[k] = look
        return any(look is not None for look in found)


Closer = Callable[[Sequence[Exposure]], list[Look | None]]


def alike(series: Series, one: int, other: int) -> bool:
    """Whether two frames, if both are there, show the same view."""
    return min(one, other) >= 0 and series.likeness(one, other).same >= ALIKE


def same_settings(series: Series, one: int, other: int) -> bool:
    """Whether two frames were exposed alike, as far as their files tell."""
    step = evidence.exposure_step(series.exposures[one], series.exposures[other])
    return step is None or abs(step) < 0.2


def looks_at(
    exposures: Sequence[Exposure], cache: CardCache, closeness: int = CHEAP
) -> list[Look | FrameRefused]:
    """Looks at exposures, from the cache if they were taken before; a refusal if a picture cannot be decoded."""
    found: list[Look | FrameRefused | None] = [cache.look(e.key, closeness) for e in exposures]
    todo = [k for k, look in enumerate(found) if look is None]

    def one(k: int) -> Look | FrameRefused:
        try:
            return _look(exposures[k], closeness)
        except FrameRefused as error:
            return error
        except MemoryError:
            return FrameRefused(
                exposures[k].shown_by,
                found="a picture too large for the memory that sorting may take",
                expected="a smaller picture, or one with a small picture in it",
                remedy="Give the workers more memory, or put its frames into a folder of their own.",
            )

    with ThreadPoolExecutor(THREADS) as pool:
        for start in range(0, len(todo), BATCH):
            batch = todo[start : start + BATCH]
            made = list(pool.map(one, batch))
            for k, look in zip(batch, made, strict=True):
                found[k] = look
            fresh = [(exposures[k].key, m) for k, m in zip(batch, made, strict=True) if isinstance(m, Look)]
            cache.keep_looks(closeness, fresh)
    return [look for look in found if look is not None]


def _look(exposure: Exposure, closeness: int) -> Look:
    """A look at a frame that is all there: decoders fill what is missing with grey. Raises `FrameRefused`."""
    examine(exposure.path)
    if exposure.has_copy:
        with contextlib.suppress(FrameRefused):  # a raw file is not lost with its developed copy
            examine(exposure.shown_by)
            return take_look(exposure.shown_by, exposure.found, closeness)
        return take_look(exposure.path, glance(exposure.path), closeness)
    return take_look(exposure.path, exposure.found, closeness)


def closer_by(cache: CardCache) -> Closer:
    """Close looks through a cache."""

    def closer(exposures: Sequence[Exposure]) -> list[Look | None]:
        return [look if isinstance(look, Look) else None for look in looks_at(exposures, cache, CLOSE)]

    return closer
