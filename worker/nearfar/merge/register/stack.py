"""The steps of registering one stack, in order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from nearfar.errors import StackRefused
from nearfar.merge.register import verdict
from nearfar.merge.register.adjust import Adjusted, adjust
from nearfar.merge.register.bending import Corrected, beyond, correct
from nearfar.merge.register.equal_blur import WIDE, EqualBlur
from nearfar.merge.register.fine import FineLink, LinkEnd, SeenTilt, fine_link
from nearfar.merge.register.gains import solve_gains
from nearfar.merge.register.link import Link
from nearfar.merge.register.linking import CoarseLinks, Linker, Pair
from nearfar.merge.register.model import Bent, FramePose, FrameView, Registration
from nearfar.merge.register.pictures import coarse_levels, gap_levels
from nearfar.merge.register.sharpness import CellSharpness, StackSharpness, change_between
from nearfar.merge.register.similarity import Similarity, centre_of, rms_radius, rounded, to_matrix
from nearfar.merge.register.sliding import Crew, find_all
from nearfar.merge.register.tilt import Growth, Tilt, busiest, usual_growth
from nearfar.merge.register.tuning import Tuning

SPANS = (1, 2)  # frames from one end of a link to the other
_GROWTH_LINKS = 8  # that tell how fast blur grows
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
        recipe: Tuning,
        crew: Crew,
        tick: Callable[[float], None],
    ) -> None:
        self.frames, self.size, self.recipe, self.crew, self.tick = frames, size, recipe, crew, tick
        self.centre, self.radius = centre_of(size), rms_radius(size)
        self.changes: list[float] = []

    def run(self, reference: int | None) -> Registration:
        """Coarse links, parts, relative sharpness, fine links, adjustment, verdict.

        ``reference``: place of the frame whose geometry the picture takes; None: the middle one of those that go together.
        Raises `StackRefused` if there is no frame at that place, it goes together with no other, or no two frames do.
        """
        if len(self.frames) == 1:
            return self._alone()
        linker = Linker(self.frames, size=self.size, recipe=self.recipe, crew=self.crew)
        coarse = linker.run(lambda share: self.tick(_COARSE_SHARE * share))
        parts = verdict.belonging(coarse, len(self.frames), self.recipe)
        members = self._choose(parts, coarse, reference)
        if reference is None:
            reference = members[(len(members) - 1) // 2]
        rough = self._rough(members, reference, coarse)
        rough = self._over_wide_steps(members, reference, coarse, rough)
        links = self._fine(members, rough)
        if self.crew.share is not None:
            self.crew.share.all_linked()
        adjusted, used = self._adjust(members, reference, links, coarse)
        self.tick(1.0)
        corrected = self._corrected(members, reference, rough, links, adjusted)
        return self._result(parts, members, reference, coarse, adjusted, used, corrected)

    def _alone(self) -> Registration:
        pose = to_matrix(Similarity(1 + 0j, 0j), self.centre)
        self.tick(1.0)
        only = FramePose(
            used=True, why=None, pose=pose, gain_ev=0.0, confidence=1.0, likeness=1.0, sigma=0.0, drift=0.0
        )
        return Registration(reference=0, frames=(only,), warnings=())

    def _choose(
        self, parts: Sequence[Sequence[int]], coarse: CoarseLinks, reference: int | None
    ) -> list[int]:
        """The part that is registered: the reference's if one is asked for, else the largest."""
        count = len(self.frames)
        if reference is not None and not 0 <= reference < count:
            raise StackRefused(f"there is no frame at place {reference}: the stack has {count}")
        if reference is None:
            part: Sequence[int] = parts[0] if parts else []
        else:
            part = next((p for p in parts if reference in p), [])
        if len(part) > 1:
            return list(part)
        best = max((link.likeness for link in coarse.tried.values()), default=0.0)
        if reference is not None and any(len(p) > 1 for p in parts):
            raise StackRefused(
                f"{self.frames[reference].name} was to give the picture its geometry, but it resembles none of the "
                f"other frames (likeness {max(coarse.likeness(reference), 0.0):.2f}, "
                f"{self.recipe.belong_likeness:.2f} is needed). Choose another reference frame."
            )
        first, last = self.frames[0].name, self.frames[-1].name
        raise StackRefused(
            f"no two of the {count} frames {first} to {last} show the same scene: the most alike reach a likeness of "
            f"{max(best, 0.0):.2f}, {self.recipe.belong_likeness:.2f} is needed. "
            "Give the frames of one scene, with detail in focus and overlapping by a third at least."
        )

    def _rough(self, members: Sequence[int], reference: int, coarse: CoarseLinks) -> list[Similarity]:
        """Poses of the members from the coarse links alone."""
        place = {k: m for m, k in enumerate(members)}
        links = self._coarse_links(place, coarse)
        return adjust(len(members), place[reference], links, radius=self.radius, robust=False).poses

    def _over_wide_steps(
        self, members: Sequence[int], reference: int, coarse: CoarseLinks, rough: list[Similarity]
    ) -> list[Similarity]:
        """The same, with the links over steps of wide blur measured anew, under equal blur; they take the others' place."""
        place = {k: m for m, k in enumerate(members)}
        wide = {
            (place[i], place[j]): link
            for (i, j), link in sorted(coarse.held().items())
            if i in place and j in place and ((i, j) in coarse.gaps or link.likeness < WIDE)
        }
        frames = [self.frames[k] for k in members]
        for _ in range(_EQUAL_ROUNDS):
            if not wide:
                break
            depth = StackSharpness(frames, rough, self.centre, self.crew).tilt.depth
            wide = EqualBlur(
                frames=frames, poses=rough, depth=depth, size=self.size, even=coarse.banded
            ).links(wide)
            coarse.tried |= {(members[i], members[j]): link for (i, j), link in wide.items()}
            rough = self._rough(members, reference, coarse)
        return rough

    def _coarse_links(self, place: dict[int, int], coarse: CoarseLinks) -> list[Link]:
        """Coarse links between members, as weak as they are."""
        to_px = np.diag([1, 1, self.radius, self.radius])
        links = []
        for (i, j), link in sorted(coarse.held().items()):
            if i in place and j in place:
                over_gap = (i, j) in coarse.gaps
                finest = (gap_levels(self.size) if over_gap else coarse_levels(self.size))[-1]
                floor = ((_GAP_SIGMA if over_gap else _COARSE_SIGMA) * finest) ** 2 * np.eye(4)
                from_px = np.linalg.inv(to_px)
                noise = np.linalg.inv(from_px @ link.information @ from_px + 1e-3 * np.eye(4))
                known = to_px @ np.linalg.inv(noise + floor) @ to_px
                links.append(
                    Link(first=place[i], second=place[j], pose=link.pose, information=known, coarse=True)
                )
        return links

    def _corrected(
        self,
        members: Sequence[int],
        reference: int,
        rough: Sequence[Similarity],
        links: Sequence[FineLink],
        adjusted: Adjusted,
    ) -> Corrected:
        """Frames bent where shift, scale and roll do not do. Blocks that lie far off a pose are measured short: then all are
        measured again, where the bends so far have them.
        """

        def corrected(links: Sequence[FineLink]) -> Corrected:
            return correct(
                *(links, adjusted.poses, members.index(reference)),
                size=self.size,
                limit=self.recipe.field_limit,
                bend=self.recipe.bend,
            )

        found = corrected(links)
        for again in range(_MEASURED_AGAIN):
            before = found
            if not before.bent:
                break
            found = corrected(self._fine(members, rough, before, again))
            if float(np.abs(found.terms - before.terms).max()) < _SETTLED:
                break
        return found

    def _fine(
        self,
        members: Sequence[int],
        rough: Sequence[Similarity],
        bent: Corrected | None = None,
        again: int = 0,
    ) -> list[FineLink]:
        """Full-size links over one and two members, and how much the sharpness of neighbours differs."""
        frames = [self.frames[k] for k in members]
        if bent is None:
            self.sharpness = StackSharpness(frames, rough, self.centre, self.crew)
            self.tilt = self._tilt(frames, rough, self.sharpness)
        sharpness, tilt = self.sharpness, self.tilt
        poses = rough if bent is None else bent.poses

        def measure(pair: Pair, held: dict[int, CellSharpness]) -> tuple[Pair, FineLink | None, float]:
            i, j = pair
            step = poses[j].after(poses[i].inverse())
            change = change_between(held[i], held[j], step, self.centre) if j == i + 1 else 1.0
            link = fine_link(
                _end(frames, i, held[i]),
                _end(frames, j, held[j]),
                step,
                size=self.size,
                recipe=self.recipe,
                seen=SeenTilt(tilt=tilt, pose=rough[i]),
                beyond=None if bent is None else beyond(bent, pair, self.radius),
            )
            return pair, link, change

        def find(new: range, held: dict[int, CellSharpness]) -> list[tuple[Pair, FineLink | None, float]]:
            pairs = [(k - span, k) for span in SPANS for k in new if k >= span]
            return self.crew.map(lambda pair: measure(pair, held), pairs)

        found = find_all(
            *(
                "fine" if bent is None else f"bent-{again}",
                len(frames),
                max(SPANS),
                sharpness.of,
                self.crew,
                find,
                (FineLink, Growth, Similarity),
            ),
            tick=lambda share: self.tick(_COARSE_SHARE + (1 - _COARSE_SHARE) * share),
        )
        if bent is not None:
            return [link for _, link, _ in found if link is not None]
        self.changes = [1.0] * (len(frames) - 1)
        for (first, second), _, change in found:
            if second == first + 1:
                self.changes[first] = change
        return [link for _, link, _ in found if link is not None]

    def _tilt(
        self, frames: Sequence[FrameView], rough: Sequence[Similarity], sharpness: StackSharpness
    ) -> Tilt:
        """How depth lies, and how blur grows with it: the median of some links, where most cells are sharpest."""
        places = busiest(sharpness.tilt.depth, len(frames), _GROWTH_LINKS)
        quick = replace(self.recipe, passes=1, blocks=self.recipe.blocks // 2)

        def measure(k: int) -> Growth | None:
            step = rough[k + 1].after(rough[k].inverse())
            link = fine_link(
                _end(frames, k, sharpness.of(k)),
                _end(frames, k + 1, sharpness.of(k + 1)),
                step,
                size=self.size,
                recipe=quick,
                seen=SeenTilt(tilt=sharpness.tilt, pose=rough[k]),
                growth=True,
            )
            return None if link is None else link.growth

        def find(new: range, _: dict[int, None]) -> list[Growth | None]:
            return self.crew.map(measure, [places[k] for k in new])

        found = find_all("tilt", len(places), 0, lambda _: None, self.crew, find, (Growth,), lambda _: None)
        return replace(sharpness.tilt, growth=usual_growth([g for g in found if g is not None]))

    def _adjust(
        self, members: Sequence[int], reference: int, fine: Sequence[FineLink], coarse: CoarseLinks
    ) -> tuple[Adjusted, list[Link]]:
        """All poses at once. Coarse links stand in, weakly, where a frame would hang on nothing."""
        place = {k: m for m, k in enumerate(members)}
        gaps = [place[i] for i, j in coarse.gaps if i in place and j in place]
        links = [
            Link(
                first=f.first,
                second=f.second,
                pose=f.pose,
                information=f.information,
                doubt=f.doubt * (_GAP_DOUBT if any(f.first <= k < f.second for k in gaps) else 1),
            )
            for f in sorted(fine, key=lambda f: (f.first, f.second))
        ]
        links += self._coarse_links(place, coarse)
        adjusted = adjust(
            len(members),
            place[reference],
            links,
            radius=self.radius,
            numbers=[self.frames[k].number for k in members],
            repeats=self._repeats(),
            breathing=self.recipe.breathing,
        )
        return adjusted, links

    def _repeats(self) -> list[int]:
        return verdict.repeats(self.changes, self.recipe)

    def _remarks(self, members: Sequence[int], adjusted: Adjusted) -> dict[int, str]:
        """Remarks on members that are used, by place in the stack."""
        steps = [b.after(a.inverse()) for a, b in zip(adjusted.poses, adjusted.poses[1:], strict=False)]
        shifts = np.array([abs(s.t) for s in steps])
        remarks = {}
        for k in verdict.bumps(shifts, self.size[0]):
            before = self.frames[members[k]].name
            remarks[members[k + 1]] = (
                f"the camera moved by {shifts[k]:.0f} px after {before}; used all the same"
            )
        for k in self._repeats():
            text = f"repeats {self.frames[members[k]].name}; used all the same"
            remarks[members[k + 1]] = (
                f"{remarks[members[k + 1]]}; {text}" if members[k + 1] in remarks else text
            )
        return remarks

    def _result(
        self,
        parts: Sequence[Sequence[int]],
        members: Sequence[int],
        reference: int,
        coarse: CoarseLinks,
        adjusted: Adjusted,
        links: Sequence[Link],
        corrected: Corrected,
    ) -> Registration:
        place = {k: m for m, k in enumerate(members)}
        gains = solve_gains(
            len(members),
            [
                (place[i], place[j], g)
                for (i, j), g in sorted(coarse.gains.items())
                if i in place and j in place
            ],
        )
        remarks = self._remarks(members, adjusted)
        repeated = {members[k + 1]: self.frames[members[k]].name for k in self._repeats()}
        poses = []
        for k in range(len(self.frames)):
            alike = float(np.clip(coarse.likeness(k), 0, 1))
            if k not in place:
                why = verdict.reason_left_out(k, parts, members, self.frames, coarse, self.recipe)
                poses.append(_left_out(why, alike))
                continue
            m = place[k]
            sigma = verdict.link_sigma(m, links, adjusted)
            drift = verdict.drift_of(adjusted.covariance[m])
            poses.append(
                FramePose(
                    used=True,
                    why=remarks.get(k),
                    pose=rounded(to_matrix(corrected.poses[m], self.centre)),
                    gain_ev=round(float(gains[m]), 6),
                    confidence=verdict.confidence(alike, sigma, drift, self.recipe),
                    likeness=alike,
                    sigma=sigma,
                    drift=drift,
                    repeats=repeated.get(k),
                    bend=corrected.bends[m],
                )
            )
        return Registration(
            reference=reference,
            frames=tuple(poses),
            warnings=(
                *verdict.scenes_told(parts, members, self.frames),
                *verdict.gaps_told(members, self.frames, coarse.gaps),
                *([verdict.BANDED] if coarse.banded else []),
                *verdict.poses_told(poses, members, self.frames, reference, corrected, self.recipe),
            ),
            bent=Bent(
                size=round(corrected.size, 3), place=members[corrected.place], left=round(corrected.left, 3)
            )
            if corrected.bent
            else None,
            banded=coarse.banded,
        )


def _end(frames: Sequence[FrameView], place: int, sharpness: CellSharpness) -> LinkEnd:
    return LinkEnd(place=place, view=frames[place], sharpness=sharpness)


def _left_out(why: str, likeness: float) -> FramePose:
    """What is known of a frame that is no part of the picture."""
    return FramePose(
        used=False,
        why=why,
        pose=None,
        gain_ev=0.0,
        confidence=0.0,
        likeness=likeness,
        sigma=float("inf"),
        drift=float("inf"),
    )
