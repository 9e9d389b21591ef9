"""Which frames show the same scene: coarse links between near neighbours, and the components that they form."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.register.coarse import CoarseLink, coarse_link
from nearfar.merge.register.gains import gain_between
from nearfar.merge.register.model import FrameView
from nearfar.merge.register.pictures import Reduced, coarse_levels, gap_levels, reduce_frame
from nearfar.merge.register.similarity import Similarity, centre_of, to_matrix
from nearfar.merge.register.sliding import Crew, Pass, find_all, ranges, slide
from nearfar.merge.register.tuning import Tuning

Pair = tuple[int, int]

_FAR, _CLEARLY = 0.1, 0.85
"""Share of the shorter side: shifts from which a link is compared with one of further reduced pictures, and how alike those
must be elsewhere for it not to hold; other scenes of the same make-up reach .65."""
_BANDS = 0.05  # by which rows of even brightness must make frames more alike
_BANDED = 0.25  # share of the links that must gain so for the frames to be banded
_SAME_AGAIN, _SWEEP = 0.95, 3  # likeness of frames of one focus, and the fewest frames of a sweep
_KEPT = 16 << 20  # bytes of light that are kept where processes share a stack


@dataclass(kw_only=True)
class CoarseLinks:
    """All pairs that were tried, gains between near frames, how much structure each frame shows, and the pairs that are
    linked over a slice that is missing between them.
    """

    tried: dict[Pair, CoarseLink] = field(default_factory=dict)
    gains: dict[Pair, float] = field(default_factory=dict)
    structure: list[float] = field(default_factory=list)
    gaps: list[Pair] = field(default_factory=list)

    def held(self) -> dict[Pair, CoarseLink]:
        """The pairs that are linked."""
        return {pair: link for pair, link in self.tried.items() if link.holds}

    @property
    def banded(self) -> bool:
        """Whether rows of frames are brighter or darker in bands."""
        evened = [link.evened for link in self.held().values()]
        return sum(evened) >= max(2, _BANDED * len(evened))

    def likeness(self, frame: int) -> float:
        """The best correlation of a frame with another."""
        return max((link.likeness for pair, link in self.tried.items() if frame in pair), default=0.0)


def components(frames: Iterable[int], pairs: Iterable[Pair]) -> list[list[int]]:
    """Frames that hang together, largest set first, then by their first frame."""
    parent = {k: k for k in frames}

    def root(k: int) -> int:
        while parent[k] != k:
            parent[k] = parent[parent[k]]
            k = parent[k]
        return k

    for i, j in pairs:
        if i in parent and j in parent:
            parent[root(i)] = root(j)
    sets: dict[int, list[int]] = {}
    for k in sorted(parent):
        sets.setdefault(root(k), []).append(k)
    return sorted(sets.values(), key=lambda s: (-len(s), s[0]))


def _lit_of(made: Reduced) -> _Lit:
    return _Lit(light=made.light, structure=made.structure)


def _connected(i: int, j: int, held: Iterable[Pair]) -> bool:
    """Whether links within i..j join i to j already."""
    inside = range(i, j + 1)
    return any(i in part and j in part for part in components(inside, held))


@dataclass(frozen=True, kw_only=True)
class _Lit:
    """What gains need of a frame: its light at the coarsest reduction, and how much structure it shows."""

    light: NDArray[np.float32]
    structure: float


class _Lazily(dict[int, Reduced]):
    """Reduced frames by place, each made when it is first asked for."""

    def __init__(self, make: Callable[[int], Reduced]) -> None:
        self._make = make

    def __missing__(self, place: int) -> Reduced:
        found = self[place] = self._make(place)
        return found


class Linker:
    """Finds the coarse links of one stack."""

    def __init__(
        self, frames: Sequence[FrameView], *, size: tuple[int, int], tuning: Tuning, crew: Crew
    ) -> None:
        self.frames, self.size, self.tuning, self.crew = frames, size, tuning, crew
        self.levels = coarse_levels(size)
        self.links = CoarseLinks()
        self._ahead: dict[Pair, CoarseLink] = {}
        self._lit: dict[int, _Lit] = {}

    def run(self, tick: Callable[[float], None]) -> CoarseLinks:
        """Link neighbours, bridge over frames that do not fit, then join parts that lie further apart."""
        count = len(self.frames)
        shared = self.crew.share is not None
        if shared:
            self._link_neighbours()
        for new, held in (
            self._seldom() if shared else slide(count, self.tuning.bridge, self._reduced, self.crew)
        ):
            for span in range(1, self.tuning.bridge + 1):
                pairs = [(k - span, k) for k in new if k >= span]
                if span > 1:
                    near = [p for p in self.links.held() if p[0] >= new.start - self.tuning.bridge]
                    pairs = [p for p in pairs if not _connected(*p, near)]
                self._try(pairs, held)
            if not shared:
                self._take_gains(new, self._gains(new, {k: _lit_of(v) for k, v in held.items()}))
            tick(new.stop / count)
        if shared:
            self._share_gains()
        self._join_sweeps()
        self._join_parts()
        self._join_over_gaps()
        return self.links

    def _link_neighbours(self) -> None:
        """What processes can share: whether a link over more frames is needed depends on all before it."""

        def find(new: range, held: dict[int, Reduced]) -> list[tuple[Pair, CoarseLink]]:
            pairs = [(k - 1, k) for k in new if k >= 1]
            return list(zip(pairs, self._link(pairs, held), strict=True))

        links = Pass(
            step="coarse",
            count=len(self.frames),
            back=1,
            make=self._reduced,
            find=find,
            kinds=(CoarseLink, Similarity),
        )
        made = find_all(links, self.crew)
        self._ahead = {(pair[0], pair[1]): link for pair, link in made}

    def _seldom(self) -> Iterator[tuple[range, dict[int, Reduced]]]:
        """As `slide`, where neighbours are linked already: other pictures are hardly asked for."""
        held = _Lazily(self._reduced)
        for new in ranges(len(self.frames), self.crew):
            yield new, held
            for place in [p for p in held if p < new.stop - self.tuning.bridge]:
                del held[place]

    def _reduced(self, place: int) -> Reduced:
        made = reduce_frame(self.frames[place], self.levels)
        if self.crew.share is not None and (len(self._lit) + 1) * made.light.nbytes <= _KEPT:
            self._lit[place] = _lit_of(made)
        return made

    def _link(self, pairs: list[Pair], held: dict[int, Reduced]) -> list[CoarseLink]:
        def link(pair: Pair) -> CoarseLink:
            if pair in self._ahead:
                return self._ahead[pair]
            return self._without_bands(
                pair, coarse_link(held[pair[0]], held[pair[1]], size=self.size, tuning=self.tuning)
            )

        return self.crew.map(link, pairs)

    def _without_bands(self, pair: Pair, found: CoarseLink) -> CoarseLink:
        """The link, or the one that rows of even brightness give where those make the frames clearly more alike."""
        if found.likeness >= self.tuning.sure_likeness:
            return found
        first, second = (reduce_frame(self.frames[k], self.levels, even=True) for k in pair)
        again = coarse_link(first, second, size=self.size, tuning=self.tuning)
        more = again.holds and again.likeness > found.likeness + _BANDS
        return replace(again, evened=True) if more else found

    def _try(self, pairs: list[Pair], held: dict[int, Reduced]) -> None:
        for pair, link in zip(pairs, self._link(pairs, held), strict=True):
            found = replace(link, holds=False) if link.holds and self._elsewhere(pair, link) else link
            self.links.tried[pair] = found
            if found.gain_ev is not None:
                self.links.gains[pair] = found.gain_ev

    def _elsewhere(self, pair: Pair, link: CoarseLink) -> bool:
        """Whether a link over a wide shift is of a repeated pattern, as rows of windows are: pictures reduced so far that
        blur hardly matters then lie on each other elsewhere.
        """
        if abs(link.pose.t) < _FAR * min(self.size):
            return False
        levels = gap_levels(self.size)
        if levels[0] <= self.levels[0]:
            return False
        first, second = (reduce_frame(self.frames[k], levels) for k in pair)
        strict = replace(self.tuning, link_likeness=_CLEARLY)
        wide = coarse_link(first, second, size=self.size, tuning=strict)
        return wide.holds and abs(wide.pose.t - link.pose.t) > 2 * levels[0]

    def _share_gains(self) -> None:
        """What processes can share as well: whoever linked a frame to its neighbours has its light at hand."""

        def lit(place: int) -> _Lit:
            return self._lit.get(place) or _lit_of(self._reduced(place))

        count = len(self.frames)
        found = find_all(Pass(step="gains", count=count, back=2, make=lit, find=self._gains), self.crew)
        self._take_gains(range(count), [(structure, gain) for structure, gain in found])
        self._lit.clear()

    def _gains(self, new: range, held: dict[int, _Lit]) -> list[tuple[float, float | None]]:
        """Structure of frames, and gains over two steps, which keep a chain of medians from wandering."""
        centre, tried = centre_of(self.size), self.links.tried

        def measure(k: int) -> tuple[float, float | None]:
            if k < 2 or not (tried[k - 2, k - 1].holds and tried[k - 1, k].holds):
                return held[k].structure, None
            step = tried[k - 1, k].pose.after(tried[k - 2, k - 1].pose)
            matrix = to_matrix(step, centre, self.levels[0])
            return held[k].structure, gain_between(held[k - 2].light, held[k].light, matrix, self.levels[0])

        return self.crew.map(measure, new)

    def _take_gains(self, new: range, found: Sequence[tuple[float, float | None]]) -> None:
        for k, (structure, gain) in zip(new, found, strict=True):
            self.links.structure.append(structure)
            if gain is not None:
                self.links.gains[k - 2, k] = gain

    def _join_parts(self) -> None:
        """Try the nearest two frames of the largest part and of every other part that has more than one frame. A frame that
        resembles others too little to belong joins nothing.
        """
        parts = components(self._sure(), self.links.held())
        for part in parts[1:]:
            if len(part) < 2:
                break
            _, i, j = min((abs(i - j), min(i, j), max(i, j)) for i in parts[0] for j in part)
            if (i, j) not in self.links.tried:
                self._try([(i, j)], {k: self._reduced(k) for k in (i, j)})

    def _join_sweeps(self) -> None:
        """Where a step leaves frames little alike, a second sweep may begin: as the first one did, and it ends so."""
        strict = replace(self.tuning, link_likeness=_SAME_AGAIN)
        last = len(self.frames) - 1
        for k in range(_SWEEP, last + 2 - _SWEEP):
            if self.links.tried[k - 1, k].likeness >= self.tuning.sure_likeness:
                continue
            for pair in ((0, k), (k - 1, last)):
                first, second = (self._reduced(place) for place in pair)
                found = coarse_link(first, second, size=self.size, tuning=strict)
                if found.holds:
                    self.links.tried[pair] = found

    def _sure(self) -> list[int]:
        """Frames that resemble another one enough to belong."""
        return [k for k in range(len(self.frames)) if self.links.likeness(k) >= self.tuning.belong_likeness]

    def _join_over_gaps(self) -> None:
        """Link neighbours that are not in one part by pictures reduced so far that blur hardly matters: what lies on both
        sides of a missing slice, and frames of few and wide steps.
        """
        levels = gap_levels(self.size)
        if levels[0] <= self.levels[0] or self.tuning.belong_likeness > self.tuning.gap_likeness:
            return  # who asks for more does not excuse blur
        strict = replace(self.tuning, link_likeness=self.tuning.gap_likeness)
        sure = self._sure()
        parts, held = components(sure, self.links.held()), dict[int, Reduced]()
        for pair in pairwise(range(len(self.frames))):
            if any(pair[0] in p and pair[1] in p for p in parts):
                continue
            held = {k: held[k] if k in held else reduce_frame(self.frames[k], levels) for k in pair}
            found = coarse_link(held[pair[0]], held[pair[1]], size=self.size, tuning=strict)
            if found.holds:
                self.links.tried[pair] = found
                self.links.gaps.append(pair)
                if found.gain_ev is not None:
                    self.links.gains[pair] = found.gain_ev
                sure = sorted({*sure, *pair})
                parts = components(sure, self.links.held())
