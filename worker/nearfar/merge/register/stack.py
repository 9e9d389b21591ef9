"""The steps of registering one stack, in order."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from nearfar.errors import StackRefused
from nearfar.merge.register import verdict
from nearfar.merge.register.adjust import Adjusted, adjust
from nearfar.merge.register.bending import Corrected, correct
from nearfar.merge.register.equal_blur import WIDE, EqualBlur
from nearfar.merge.register.fine import FineLink
from nearfar.merge.register.fine_linking import FineLinker
from nearfar.merge.register.link import Link
from nearfar.merge.register.linking import CoarseLinks, Linker
from nearfar.merge.register.model import FrameView, Registration
from nearfar.merge.register.outcome import Found, Members, alone, registration_of
from nearfar.merge.register.pictures import coarse_levels, gap_levels
from nearfar.merge.register.sharpness import StackSharpness
from nearfar.merge.register.similarity import Similarity, centre_of, rms_radius
from nearfar.merge.register.sliding import Crew
from nearfar.merge.register.tuning import Tuning

_GAP_DOUBT = 6.0  # times what else such blurred blocks err by, where a slice is missing between the frames
_COARSE_SIGMA = 0.0075  # px of the finest reduced picture by which a link from it errs beyond its noise
_GAP_SIGMA = 0.06  # the same over a missing slice
_EQUAL_ROUNDS = 3  # depths are taken anew from better poses so many times
_MEASURED_AGAIN, _SETTLED = 4, 0.05  # times; px by which terms of bends still change
_COARSE_SHARE = 0.4  # of the whole work, for progress


class StackRegistration:
    """One stack on its way from views to poses; ``size`` in pixels, ``tick`` is given the share done, 0..1."""

    def __init__(
        self,
        frames: Sequence[FrameView],
        *,
        size: tuple[int, int],
        tuning: Tuning,
        crew: Crew,
        tick: Callable[[float], None],
    ) -> None:
        self.frames, self.size, self.tuning, self.crew, self.tick = frames, size, tuning, crew, tick
        self.centre, self.radius = centre_of(size), rms_radius(size)

    def run(self, reference: int | None) -> Registration:
        """Coarse links, parts, relative sharpness, fine links, adjustment, verdict.

        ``reference``: place of the frame whose geometry the picture takes; None: the middle one of those that go together.
        Raises `StackRefused` if there is no frame at that place, it goes together with no other, or no two frames do.
        """
        if len(self.frames) == 1:
            self.tick(1.0)
            return alone(self.size)
        linker = Linker(self.frames, size=self.size, tuning=self.tuning, crew=self.crew)
        coarse = linker.run(lambda share: self.tick(_COARSE_SHARE * share))
        members = self._choose(coarse, reference)
        rough = self._over_wide_steps(members, coarse, self._rough(members, coarse))
        fine = FineLinker(
            members.views,
            rough,
            size=self.size,
            tuning=self.tuning,
            crew=self.crew,
            tick=lambda share: self.tick(_COARSE_SHARE + (1 - _COARSE_SHARE) * share),
        )
        links, changes = fine.links()
        if self.crew.share is not None:
            self.crew.share.all_linked()
        repeats = verdict.repeats(changes, self.tuning)
        adjusted, used = self._adjust(members, links, coarse, repeats)
        self.tick(1.0)
        corrected = self._corrected(members, fine, links, adjusted)
        found = Found(coarse=coarse, links=used, adjusted=adjusted, corrected=corrected, repeats=repeats)
        return registration_of(members, found, size=self.size, tuning=self.tuning)

    def _choose(self, coarse: CoarseLinks, reference: int | None) -> Members:
        """The part that is registered: the reference's if one is asked for, else the largest."""
        count = len(self.frames)
        parts = verdict.belonging(coarse, count, self.tuning)
        if reference is not None and not 0 <= reference < count:
            raise StackRefused(f"there is no frame at place {reference}: the stack has {count}")
        if reference is None:
            part: Sequence[int] = parts[0] if parts else []
        else:
            part = next((p for p in parts if reference in p), [])
        if len(part) > 1:
            middle = part[(len(part) - 1) // 2]
            return Members(
                frames=self.frames,
                parts=parts,
                places=part,
                reference=middle if reference is None else reference,
            )
        best = max((link.likeness for link in coarse.tried.values()), default=0.0)
        if reference is not None and any(len(p) > 1 for p in parts):
            raise StackRefused(
                f"{self.frames[reference].name} was to give the picture its geometry, but it resembles none of the "
                f"other frames (likeness {max(coarse.likeness(reference), 0.0):.2f}, "
                f"{self.tuning.belong_likeness:.2f} is needed). Choose another reference frame."
            )
        first, last = self.frames[0].name, self.frames[-1].name
        raise StackRefused(
            f"no two of the {count} frames {first} to {last} show the same scene: the most alike reach a likeness of "
            f"{max(best, 0.0):.2f}, {self.tuning.belong_likeness:.2f} is needed. "
            "Give the frames of one scene, with detail in focus and overlapping by a third at least."
        )

    def _rough(self, members: Members, coarse: CoarseLinks) -> list[Similarity]:
        """Poses of the members from the coarse links alone."""
        number = members.number
        links = self._coarse_links(number, coarse)
        return adjust(len(number), number[members.reference], links, radius=self.radius, robust=False).poses

    def _over_wide_steps(
        self, members: Members, coarse: CoarseLinks, rough: list[Similarity]
    ) -> list[Similarity]:
        """The same, with the links over steps of wide blur measured anew, under equal blur; they take the others' place."""
        number = members.number
        wide = {
            (number[i], number[j]): link
            for (i, j), link in sorted(coarse.held().items())
            if i in number and j in number and ((i, j) in coarse.gaps or link.likeness < WIDE)
        }
        frames = members.views
        for _ in range(_EQUAL_ROUNDS):
            if not wide:
                break
            depth = StackSharpness(frames, rough, self.centre, self.crew).tilt.depth
            wide = EqualBlur(
                frames=frames, poses=rough, depth=depth, size=self.size, even=coarse.banded
            ).links(wide)
            coarse.tried |= {(members.places[i], members.places[j]): link for (i, j), link in wide.items()}
            rough = self._rough(members, coarse)
        return rough

    def _coarse_links(self, number: dict[int, int], coarse: CoarseLinks) -> list[Link]:
        """Coarse links between members, as weak as they are."""
        to_px = np.diag([1, 1, self.radius, self.radius])
        from_px = np.linalg.inv(to_px)
        links = []
        for (i, j), link in sorted(coarse.held().items()):
            if i in number and j in number:
                over_gap = (i, j) in coarse.gaps
                finest = (gap_levels(self.size) if over_gap else coarse_levels(self.size))[-1]
                floor = ((_GAP_SIGMA if over_gap else _COARSE_SIGMA) * finest) ** 2 * np.eye(4)
                noise = np.linalg.inv(from_px @ link.information @ from_px + 1e-3 * np.eye(4))
                known = to_px @ np.linalg.inv(noise + floor) @ to_px
                links.append(
                    Link(first=number[i], second=number[j], pose=link.pose, information=known, coarse=True)
                )
        return links

    def _adjust(
        self, members: Members, fine: Sequence[FineLink], coarse: CoarseLinks, repeats: Sequence[int]
    ) -> tuple[Adjusted, list[Link]]:
        """All poses at once. Coarse links stand in, weakly, where a frame would hang on nothing."""
        number = members.number
        gaps = [number[i] for i, j in coarse.gaps if i in number and j in number]
        links = [
            Link(
                first=f.first,
                second=f.second,
                pose=f.pose,
                information=f.information,
                astray=f.astray,
                doubt=f.doubt * (_GAP_DOUBT if any(f.first <= k < f.second for k in gaps) else 1),
            )
            for f in sorted(fine, key=lambda f: (f.first, f.second))
        ]
        links += self._coarse_links(number, coarse)
        adjusted = adjust(
            len(number),
            number[members.reference],
            links,
            radius=self.radius,
            numbers=[view.number for view in members.views],
            repeats=repeats,
            breathing=self.tuning.breathing,
        )
        return adjusted, links

    def _corrected(
        self, members: Members, fine: FineLinker, links: Sequence[FineLink], adjusted: Adjusted
    ) -> Corrected:
        """Frames bent where shift, scale and roll do not do. Blocks that lie far off a pose are measured short: then all are
        measured again, where the bends so far have them.
        """

        def corrected(links: Sequence[FineLink]) -> Corrected:
            return correct(
                links,
                adjusted.poses,
                members.number[members.reference],
                size=self.size,
                limit=self.tuning.field_limit,
                bend=self.tuning.bend,
            )

        found = corrected(links)
        for again in range(_MEASURED_AGAIN):
            before = found
            if not before.bent:
                break
            found = corrected(fine.links_again(before, again))
            if float(np.abs(found.terms - before.terms).max()) < _SETTLED:
                break
        return found
