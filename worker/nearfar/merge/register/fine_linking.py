"""The full-size links of one stack: between near neighbours, where the coarse links have them, and again where bends do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from nearfar.merge.register.bending import Corrected, beyond
from nearfar.merge.register.fine import FineLink, LinkEnd, SeenTilt, fine_link
from nearfar.merge.register.linking import Pair
from nearfar.merge.register.model import FrameView
from nearfar.merge.register.sharpness import CellSharpness, StackSharpness, change_between
from nearfar.merge.register.similarity import Similarity, centre_of, rms_radius
from nearfar.merge.register.sliding import Crew, Pass, find_all
from nearfar.merge.register.tilt import Growth, Tilt, busiest, usual_growth
from nearfar.merge.register.tuning import Tuning

SPANS = (1, 2)  # frames from one end of a link to the other
_GROWTH_LINKS = 8  # that tell how fast blur grows

Measured = tuple[Pair, FineLink | None, float]
"""Places of a link's ends, the link if its blocks say anything, and how much the sharpness of neighbours differs."""


class FineLinker:
    """Links frames at full size whose coarse poses ``rough`` are right to a few pixels.

    ``size``: width and height of a frame, px. ``tick`` is given the share done, 0..1, of every round.
    """

    def __init__(
        self,
        frames: Sequence[FrameView],
        rough: Sequence[Similarity],
        *,
        size: tuple[int, int],
        tuning: Tuning,
        crew: Crew,
        tick: Callable[[float], None],
    ) -> None:
        self.frames, self.rough, self.size = frames, rough, size
        self.tuning, self.crew, self.tick = tuning, crew, tick
        self.centre, self.radius = centre_of(size), rms_radius(size)
        self.sharpness = StackSharpness(frames, rough, self.centre, crew)
        self.tilt = self._tilt()

    def links(self) -> tuple[list[FineLink], list[float]]:
        """The links, and how much the sharpness of each two neighbours differs, (n - 1,), 0..1."""
        found = self._measured("fine", self.rough, None)
        changes = [1.0] * (len(self.frames) - 1)
        for (first, second), _, change in found:
            if second == first + 1:
                changes[first] = change
        return [link for _, link, _ in found if link is not None], changes

    def links_again(self, corrected: Corrected, number: int) -> list[FineLink]:
        """The links of round ``number``, from 0, with the blocks looked for where bends put them."""
        found = self._measured(f"bent-{number}", corrected.poses, corrected)
        return [link for _, link, _ in found if link is not None]

    def _measured(self, step: str, poses: Sequence[Similarity], bent: Corrected | None) -> list[Measured]:
        def measure(pair: Pair, held: dict[int, CellSharpness]) -> Measured:
            i, j = pair
            pose = poses[j].after(poses[i].inverse())
            change = change_between(held[i], held[j], pose, self.centre) if j == i + 1 else 1.0
            link = fine_link(
                self._end(i, held[i]),
                self._end(j, held[j]),
                pose,
                size=self.size,
                tuning=self.tuning,
                seen=SeenTilt(tilt=self.tilt, pose=self.rough[i]),
                beyond=None if bent is None else beyond(bent, pair, self.radius),
            )
            return pair, link, change

        def find(new: range, held: dict[int, CellSharpness]) -> list[Measured]:
            pairs = [(k - span, k) for span in SPANS for k in new if k >= span]
            return self.crew.map(lambda pair: measure(pair, held), pairs)

        asked = Pass(
            step=step,
            count=len(self.frames),
            back=max(SPANS),
            make=self.sharpness.of,
            find=find,
            kinds=(FineLink, Growth, Similarity),
        )
        return find_all(asked, self.crew, self.tick)

    def _tilt(self) -> Tilt:
        """How depth lies, and how blur grows with it: the median of some links, where most cells are sharpest."""
        seen = self.sharpness.tilt
        places = busiest(seen.depth, len(self.frames), _GROWTH_LINKS)
        quick = replace(self.tuning, passes=1, blocks=self.tuning.blocks // 2)

        def measure(k: int) -> Growth | None:
            link = fine_link(
                self._end(k, self.sharpness.of(k)),
                self._end(k + 1, self.sharpness.of(k + 1)),
                self.rough[k + 1].after(self.rough[k].inverse()),
                size=self.size,
                tuning=quick,
                seen=SeenTilt(tilt=seen, pose=self.rough[k]),
                growth=True,
            )
            return None if link is None else link.growth

        def find(new: range, _: dict[int, None]) -> list[Growth | None]:
            return self.crew.map(measure, [places[k] for k in new])

        asked = Pass(step="tilt", count=len(places), back=0, make=lambda _: None, find=find, kinds=(Growth,))
        found = find_all(asked, self.crew)
        return replace(seen, growth=usual_growth([g for g in found if g is not None]))

    def _end(self, place: int, sharpness: CellSharpness) -> LinkEnd:
        return LinkEnd(place=place, view=self.frames[place], sharpness=sharpness)
