"""A card as its page shows it: stacks in the order taken, what lies between them and why, in parts that stay short."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from nearfar_api.cards import Seen
from nearfar_api.models.cards import CardBoundary, CardLeftOut, CardModel, CardQuestion, CardStack
from nearfar_api.models.shaping import words
from nearfar_api.pages.drawing import plural

STACKS = 12
"""Stacks on a part of the page at most."""
FRAMES = 300
"""Frames on a part of the page, if it holds more than one stack."""
ENDS = 10
"""Frames shown at either end of a long run; those between are folded up."""
LEFT = 300
"""Files that are no frames, at most."""


@dataclass(frozen=True, kw_only=True)
class Frame:
    """One frame; ``why`` if it is left out."""

    path: str
    name: str
    small: str | None
    why: str | None = None

    @property
    def stem(self) -> str:
        """The name without its ending."""
        return self.name.rpartition(".")[0] or self.name


@dataclass(frozen=True, kw_only=True)
class Gap:
    """Between two stacks, or before the first: frames that are left out, and what was found there."""

    left: list[Frame] = field(default_factory=list)
    found: list[CardBoundary] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True)
class Row:
    """A stack with what comes after it. ``number``: from 1, by the order taken; also of the neighbours to move to."""

    number: int
    stack: CardStack
    frames: list[Frame]
    questions: list[CardQuestion]
    gap: Gap
    before: int | None
    after: int | None

    @property
    def first(self) -> str:
        """Path of the frame that stands for the stack."""
        return self.stack.frames[0].path

    @property
    def why(self) -> str:
        """What was found of it, without the questions that are asked beside it."""
        said = self.stack.why.partition("; to be asked:")[0]
        return "" if any(question.text in said for question in self.questions) else said

    @property
    def folded(self) -> tuple[list[Frame], list[Frame], list[Frame]]:
        """Frames at the beginning, between, and at the end."""
        return fold(self.frames)


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """All of a card. ``rest``: files that were never looked at as frames."""

    lead: Gap
    rows: list[Row]
    rest: list[CardLeftOut]
    cameras: int

    def frame(self, path: str) -> Frame | None:
        """A frame by its path."""
        runs = [self.lead.left, *(run for row in self.rows for run in (row.frames, row.gap.left))]
        return next((frame for run in runs for frame in run if frame.path == path), None)

    def row_of(self, path: str) -> Row | None:
        """The stack that a frame is in, or else the one that it comes after."""
        for row in self.rows:
            if any(frame.path == path for frame in [*row.frames, *row.gap.left]):
                return row
        return None


def fold(frames: list[Frame]) -> tuple[list[Frame], list[Frame], list[Frame]]:
    """A long run in three: its middle may be folded up."""
    if len(frames) <= 2 * ENDS + 4:
        return frames, [], []
    return frames[:ENDS], frames[ENDS:-ENDS], frames[-ENDS:]


def reasons(frames: Sequence[Frame]) -> list[tuple[str, str]]:
    """Which frames are left out and why, those that follow each other with one reason together."""
    found: list[tuple[list[Frame], str]] = []
    for frame in frames:
        if frame.why is None:
            continue
        if not found or found[-1][1] != frame.why:
            found.append(([], frame.why))
        found[-1][0].append(frame)
    return [(f"{run[0].stem} to {run[-1].stem}" if len(run) > 1 else run[0].stem, why) for run, why in found]


def sheet_of(seen: Seen, card: CardModel) -> Sheet:
    """Put stacks, frames that are left out, and boundaries if they were taken."""
    order = {words(str(path)): k for k, path in enumerate(seen.card.order if seen.card else ())}
    starts = [order.get(stack.frames[0].path, len(order)) for stack in card.content]
    spans = {
        stack.name: (starts[k], order.get(stack.frames[-1].path, -1)) for k, stack in enumerate(card.content)
    }
    inside: dict[str, list[Frame]] = {stack.name: [] for stack in card.content}
    gaps = [Gap() for _ in range(len(card.content) + 1)]
    rest = []
    for entry in sorted(card.files_left_out, key=lambda entry: order.get(entry.path, len(order))):
        at = order.get(entry.path)
        frame = _left_out(entry)
        if at is None:
            rest.append(entry)
        elif entry.stack in spans and spans[entry.stack][0] < at < spans[entry.stack][1]:
            inside[entry.stack].append(frame)
        else:
            gaps[bisect_right(starts, at)].left.append(frame)
    for boundary in card.boundaries:
        gaps[bisect_right(starts, order.get(boundary.before, -1))].found.append(boundary)
    rows = [_row(number, card, order, inside, gaps[number]) for number in range(1, len(card.content) + 1)]
    return Sheet(lead=gaps[0], rows=rows, rest=rest, cameras=len({s.camera for s in card.content}))


def _left_out(entry: CardLeftOut) -> Frame:
    return Frame(path=entry.path, name=_name(entry.path), small=entry.small, why=entry.why)


def _name(path: str) -> str:
    return path.rpartition("/")[2]


def _row(
    number: int, card: CardModel, order: Mapping[str, int], inside: Mapping[str, list[Frame]], gap: Gap
) -> Row:
    stack = card.content[number - 1]
    own = [Frame(path=f.path, name=f.name, small=f.small) for f in stack.frames]
    paths = {f.path for f in stack.frames}
    asked = [q for q in card.questions if paths & set(q.frames)] if stack.state == "ask" else []

    def neighbour(at: int) -> int | None:
        if not 1 <= at <= len(card.content):
            return None
        other = card.content[at - 1].camera
        return at if not other or not stack.camera or other == stack.camera else None

    return Row(
        number=number,
        stack=stack,
        frames=sorted([*own, *inside[stack.name]], key=lambda frame: order.get(frame.path, len(order))),
        questions=asked,
        gap=gap,
        before=neighbour(number - 1),
        after=neighbour(number + 1),
    )


def parts(rows: Sequence[Row]) -> list[list[Row]]:
    """Rows by parts of the page, none of them long but for what a single stack takes."""
    found: list[list[Row]] = []
    size = 0
    for row in rows:
        own = len(row.frames) + len(row.gap.left)
        if not found or len(found[-1]) == STACKS or size + own > FRAMES:
            found.append([])
            size = 0
        found[-1].append(row)
        size += own
    return found


def told(decision: Mapping[str, object]) -> str:
    """A decision in words."""
    frames = decision.get("frames")
    names = [_name(str(frame)) for frame in frames] if isinstance(frames, list) else []
    some = names[0] if len(names) == 1 else plural(len(names), "frame")
    if decision.get("do") == "split":
        return f"a new stack begins with {_name(str(decision.get('before')))}"
    if decision.get("do") == "take":
        home = decision.get("with")
        return f"{some} to the stack of {_name(str(home))}" if home else f"{some} as a stack of its own"
    if decision.get("do") == "leave-out":
        return f"{some} left out"
    if decision.get("do") == "join":
        return f"the stacks of {' and '.join(names[:2])} are one"
    return f"the stack of {names[0] if names else 'a frame'} is right"
