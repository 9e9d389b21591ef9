"""Sort a card into stacks: read, look, chain, judge, and say what was decided and why. Changes nothing."""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from nearfar.errors import FrameRefused
from nearfar.intake.card import odd_frames
from nearfar.intake.card.cache import CardCache
from nearfar.intake.card.chaining import Chain, chain
from nearfar.intake.card.decisions import apply
from nearfar.intake.card.evidence import Link
from nearfar.intake.card.exposures import Exposure, read_card
from nearfar.intake.card.runs import Verdict, judge
from nearfar.intake.card.series import Series, closer_by, looks_at
from nearfar.intake.card.sorted_card import Boundary, LeftOut, Question, SortedCard, SortedStack
from nearfar.intake.listing import RAW, natural

CLEAR = 0.9
"""Confidence from which on nobody is asked."""
LIKELY = 0.35
"""Chance from which on a run is offered as a stack, with a question."""
RIGHT_BESIDE = 30.0
"""Seconds from a stack within which a single frame is likely to be its divider; common practice, no source."""
NOT_ALL_RAW = "a raw file, which not every frame of its stack has: the developed pictures are taken"
UNREADABLE = "cannot be used"
"""How the reason begins of a file that no picture can be read from."""
UNSURE = (0.05, 0.97)
"""Chances between which a run that was seen in embedded previews is looked at closer."""


def sort_card(
    paths: Iterable[Path], *, cache: Path | None = None, decisions: Sequence[dict[str, Any]] = ()
) -> SortedCard:
    """Tell a card's frames apart into stacks.

    Parameters
    ----------
    paths
        Files and folders; folders are read with all that is below them.
    cache
        Folder in which what was read is remembered; None: nothing is.
    decisions
        What a person decided, applied on top (see `nearfar.intake.card.decisions`).

    Raises
    ------
    InputRefused
        If a path does not exist, or a folder cannot be read.
    UsageError
        If a decision is none.
    """
    with CardCache(cache) as kept:
        card = read_card(list(paths), kept)
        found = _Sorting(left_out=[LeftOut(path=p, why=w) for p, w in card.left_out])
        for camera in card.cameras:
            _sort_camera(camera, kept, found)
    return apply(found.finished(), decisions)


@dataclass(kw_only=True)
class _Sorting:
    """What was found so far, all cameras together."""

    stacks: list[SortedStack] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    boundaries: list[Boundary] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    order: list[Path] = field(default_factory=list)

    def finished(self) -> SortedCard:
        return SortedCard(
            stacks=tuple(self.stacks),
            left_out=tuple(_at_home(entry, self.stacks) for entry in self.left_out),
            boundaries=tuple(self.boundaries),
            questions=tuple(self.questions),
            order=tuple(self.order),
        )

    def next_name(self) -> str:
        return f"stack-{len(self.stacks) + 1:03d}"


def _at_home(entry: LeftOut, stacks: Iterable[SortedStack]) -> LeftOut:
    """A file that cannot be read belongs to the stack between whose frames its name stands; of others more is known."""
    if not entry.why.startswith(UNREADABLE):
        return entry
    for stack in stacks:
        first, last = stack.frames[0], stack.frames[-1]
        if first.parent == entry.path.parent == last.parent and natural(first.name) < natural(
            entry.path.name
        ) < natural(last.name):
            return replace(entry, stack=stack.name)
    return entry


def _sort_camera(camera: Sequence[Exposure], cache: CardCache, found: _Sorting) -> None:
    found.order += [e.path for e in camera]
    looks = looks_at(camera, cache)
    seen = [(e, look) for e, look in zip(camera, looks, strict=True) if not isinstance(look, FrameRefused)]
    found.left_out += [
        LeftOut(path=e.path, why=f"{UNREADABLE}: found {look.found}")
        for e, look in zip(camera, looks, strict=True)
        if isinstance(look, FrameRefused)
    ]
    series = Series([e for e, _ in seen], [look for _, look in seen], closer_by(cache))
    chained, verdicts = _judged(series)
    for run, whole in zip(chained.runs, _whole(chained, verdicts), strict=True):
        if whole:
            _of_one_kind(series, run, found)
    _tell(series, chained, verdicts, found)


def _whole(chained: Chain, verdicts: Sequence[Verdict | None]) -> list[bool]:
    """Which runs are offered as stacks."""
    bracketed = {k for group in chained.brackets for k in group}
    return [
        verdict is not None and verdict.chance >= LIKELY and bracketed.isdisjoint(run)
        for run, verdict in zip(chained.runs, verdicts, strict=True)
    ]


def _of_one_kind(series: Series, run: Sequence[int], found: _Sorting) -> None:
    """If only some frames of a stack have a raw file, its developed pictures are taken: a merge needs frames alike."""
    raw = [k for k in run if series.exposures[k].path.suffix.casefold() in RAW]
    if len(raw) == len(run) or not raw or not all(series.exposures[k].has_copy for k in raw):
        return
    for k in raw:
        master = series.exposures[k].path
        copy = series.use_copy(k).path
        found.order[found.order.index(master)] = copy
        found.left_out = [e for e in found.left_out if e.path != copy]
        found.left_out.append(LeftOut(path=master, why=NOT_ALL_RAW))


def _judged(series: Series) -> tuple[Chain, list[Verdict | None]]:
    """Chain and judge; runs that embedded previews leave in doubt are looked at closer, and all is judged again."""
    chained = chain(series)
    verdicts = [judge(series, run) if len(run) > 1 else None for run in chained.runs]
    doubtful = [
        run
        for run, verdict in zip(chained.runs, verdicts, strict=True)
        if verdict is not None and UNSURE[0] < verdict.chance < UNSURE[1]
    ]
    gained = [series.look_closer(run) for run in doubtful]
    if any(gained):
        chained = chain(series)
        verdicts = [judge(series, run) if len(run) > 1 else None for run in chained.runs]
    return chained, verdicts


def _tell(series: Series, chained: Chain, verdicts: Sequence[Verdict | None], found: _Sorting) -> None:
    """Put stacks, boundaries, questions and what is left out into words."""
    owner: dict[int, str] = {}
    spoken: set[int] = set()
    bracketed = {k: group for group in chained.brackets for k in group}
    for run, verdict, whole in zip(chained.runs, verdicts, _whole(chained, verdicts), strict=True):
        if verdict is not None and whole:
            name = found.next_name()
            found.stacks.append(_stack(series, chained, run, verdict, name, found))
            owner |= dict.fromkeys(range(run[0], run[-1] + 1), name)
            spoken.update(run)
    for run, verdict in zip(chained.runs, verdicts, strict=True):
        for k in run:
            if k not in spoken:
                why = _why_alone(series, k, verdict, bracketed.get(k), spoken)
                found.left_out.append(LeftOut(path=series.exposures[k].path, why=why))
    for k, odd in chained.odd.items():
        found.left_out.append(LeftOut(path=series.exposures[k].path, why=odd.why, stack=owner.get(k)))
    for one, other in pairwise(chained.runs):
        if one[-1] in spoken or other[0] in spoken:
            found.boundaries.append(_boundary(series, one[-1], other[0], chained.links[one[-1]]))


def _stack(
    series: Series, chained: Chain, run: Sequence[int], verdict: Verdict, name: str, found: _Sorting
) -> SortedStack:
    """A stack with its confidence: that of the run, of both its ends, and of its weakest link."""
    inner = [chained.links[k].confidence for k in run[:-1]]
    weakest = min(inner, default=1.0)
    ends = [_end(chained, run, first=True), _end(chained, run, first=False)]
    confidence = verdict.chance * weakest
    for end in ends:
        confidence *= end[1].confidence if end else 1.0
    doubt, question = _least_sure(series, chained, run, verdict, ends)
    clear = min(confidence, doubt) >= CLEAR
    why = verdict.why or "frames of one view"
    if not clear:
        why = f"{why}; to be asked: {question.text}"
        if not any(question.text == asked.text for asked in found.questions):
            found.questions.append(question)
    exposures = [series.exposures[k] for k in run]
    return SortedStack(
        name=name,
        frames=tuple(e.path for e in exposures),
        confidence=confidence,
        state="clear" if clear else "ask",
        why=why,
        camera=exposures[0].body,
        first_taken=exposures[0].seconds,
        last_taken=exposures[-1].seconds,
    )


def _end(chained: Chain, run: Sequence[int], *, first: bool) -> tuple[int, Link] | None:
    """The link across an end of a run; None at the end of the card."""
    if not first:
        link = chained.links.get(run[-1])
        return (run[-1], link) if link else None
    at = chained.good.index(run[0])
    return (chained.good[at - 1], chained.links[chained.good[at - 1]]) if at else None


def _least_sure(
    series: Series,
    chained: Chain,
    run: Sequence[int],
    verdict: Verdict,
    ends: Sequence[tuple[int, Link] | None],
) -> tuple[float, Question]:
    """What is least sure about a stack, how sure it is, and the question to ask about it."""
    paths = {k: series.exposures[k].path for k in chained.good}
    asked = tuple(paths[k] for k in run)
    found = [
        (
            verdict.chance,
            Question(
                text=f"Are {asked[0].name} to {asked[-1].name} one stack?",
                frames=asked,
                suggests={"do": "leave-out", "frames": [str(p) for p in asked]},
            ),
        )
    ]
    found += [
        (
            chained.links[a].confidence,
            Question(
                text=f"Do {paths[a].name} and {paths[b].name} belong to one stack?",
                frames=(paths[a], paths[b]),
                suggests={"do": "split", "before": str(paths[b])},
            ),
        )
        for a, b in pairwise(run)
    ]
    for end in ends:
        if end is not None:
            a, b = paths[end[0]], paths[chained.good[chained.good.index(end[0]) + 1]]
            text = f"Are {a.name} and {b.name} apart?"
            suggests = {"do": "join", "frames": [str(a), str(b)]}
            found.append((end[1].confidence, Question(text=text, frames=(a, b), suggests=suggests)))
    return min(found, key=lambda pair: pair[0])


def _why_alone(
    series: Series, k: int, verdict: Verdict | None, group: tuple[int, ...] | None, stacked: Container[int]
) -> str:
    """Why a frame is in no stack; ``stacked`` are those that are, ``group`` is the exposure bracket that it is in."""
    if group is not None:
        return f"one of an exposure bracket of {len(group)}, not a stack"
    if verdict is not None:
        return verdict.otherwise
    if _covered(series, k):
        return "a single frame with hardly any detail: something before the lens, it seems"
    neighbours = [(min(j, k), max(j, k)) for j in (k - 1, k + 1) if 0 <= j < len(series)]
    beside = [pair for pair in neighbours if not any(j in stacked for j in pair)]
    if any((series.panned(*pair) or 0.0) > 0.3 and series.likeness(*pair).same < 0.96 for pair in beside):
        return "one of several frames side by side (a panorama), not a stack"
    pauses = [series.pause(a, b) for a, b in neighbours if a in stacked or b in stacked]
    if any(pause is not None and pause < RIGHT_BESIDE for pause in pauses):
        return "a single frame right beside a stack: a divider, or a picture by itself"
    return "a single frame"


def _covered(series: Series, k: int) -> bool:
    """Whether a frame at an end of the card, or between two others, has much less detail than they."""
    level = odd_frames.soft_level(series.looks[k])
    beside = [odd_frames.soft_level(series.looks[j]) for j in (k - 1, k + 1) if 0 <= j < len(series)]
    return bool(beside) and level < min(beside) - odd_frames.SOFTER


def _boundary(series: Series, a: int, b: int, link: Link) -> Boundary:
    return Boundary(
        before=series.exposures[a].path,
        after=series.exposures[b].path,
        confidence=link.confidence,
        why="; ".join(link.reasons[:3]) or "little speaks for or against it",
    )
