"""Which stacks of a sorted card may be taken, and what the others wait for. Pure rules on small data."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from nearfar.intake.card.decisions import BY_HAND
from nearfar.intake.card.sorted_card import SortedCard, SortedStack, clock_time
from nearfar.intake.listing import DEVELOPED, RAW, natural
from nearfar.intake.memory import Known
from nearfar.intake.names import stack_name
from nearfar.intake.scanning import Folder


@dataclass(frozen=True, kw_only=True)
class Offer:
    """A stack that is not taken yet. ``why``: what it waits for; None if it may be taken."""

    path: str
    """Of its first frame."""
    stack: str
    """Name for the job."""
    frames: tuple[str, ...]
    """In order, by their paths within the card."""
    companions: tuple[str, ...]
    aside: Mapping[str, str] = field(default_factory=dict)
    """Files that were taken with it and are no frames of it, each with the reason, in order."""
    why: str | None = None


def named(card: SortedCard, *, prefix: str) -> dict[str, str]:
    """Names for jobs by the names of stacks: the card's, and when the first frame was taken."""
    plain = {stack.name: _plain(stack, prefix) for stack in card.stacks}
    often = Counter(plain.values())
    return {
        stack.name: plain[stack.name]
        if often[plain[stack.name]] == 1
        else f"{plain[stack.name]}-{stack_name([stack.frames[0].stem])}"
        for stack in card.stacks
    }


def _plain(stack: SortedStack, prefix: str) -> str:
    time = clock_time(stack.first_taken)
    at = f"{datetime.fromisoformat(time):%Y-%m-%d-%H%M%S}" if time else stack_name([stack.frames[0].stem])
    return f"{prefix}-{at}" if prefix else at


def frames_of(known: Known) -> frozenset[str]:
    """Frames of a stack that was taken, by their paths within its folder."""
    return frozenset(known.digests or known.files)


def offers(
    card: SortedCard, folder: Folder, known: Sequence[Known], *, name: str, go: bool
) -> Iterator[Offer]:
    """All stacks that are not taken yet.

    Parameters
    ----------
    card
        Sorted, with all decisions.
    folder
        What lies there now, named within the card.
    known
        Stacks of this card that were taken, or were about to be when the watch was stopped.
    name
        Of the card, for people.
    go
        Whether stacks that a person decided about may be taken.
    """
    taken = {frames_of(k): k.job for k in known if k.job is not None}
    of_job = {frame: job for frames, job in taken.items() for frame in frames}
    names = named(card, prefix=name)
    pending = [k for k in known if k.job is None and _all_there(k, folder)]
    begun = {frame for k in pending for frame in frames_of(k)}
    for k in pending:
        yield _offer(k.stack, _in_order(frames_of(k), card, folder), card, folder)
    for stack in card.stacks:
        inside = [_within(path, folder) for path in stack.frames]
        here = [frame for frame in inside if frame in folder.frames]
        if not here or frozenset(inside) in taken or begun & set(inside):
            continue
        by_hand = stack.why == BY_HAND
        if not by_hand and all(frame in of_job for frame in inside):
            continue
        offer = _offer(names[stack.name], here, card, folder)
        yield replace(offer, why=_why(stack, card, inside, here, of_job, go=go))


def _within(path: Path, folder: Folder) -> str:
    return str(path).removeprefix(folder.path.rstrip("/") + "/")


def _all_there(known: Known, folder: Folder) -> bool:
    return all(name in folder.frames and known.has(name, folder.frames[name]) for name in frames_of(known))


def _in_order(frames: Iterable[str], card: SortedCard, folder: Folder) -> list[str]:
    order = {_within(path, folder): k for k, path in enumerate(card.order)}
    return sorted(frames, key=lambda name: (order.get(name, len(order)), name))


def _offer(stack: str, frames: Sequence[str], card: SortedCard, folder: Folder) -> Offer:
    return Offer(
        path=str(Path(folder.path, frames[0])),
        stack=stack,
        frames=tuple(frames),
        companions=tuple(_twins(frames, folder)),
        aside=_aside(frames, card, folder),
    )


def _aside(frames: Sequence[str], card: SortedCard, folder: Folder) -> dict[str, str]:
    """What was taken between the first and the last of some frames and set aside, with the reasons, in order."""
    inside = set(frames)
    homes = {s.name for s in card.stacks if any(_within(path, folder) in inside for path in s.frames)}
    found = {
        _within(e.path, folder): e.why for e in card.left_out if e.stack in homes and BY_HAND not in e.why
    }
    here = [name for name in _in_order(found, card, folder) if name in folder.frames]
    return {name: found[name] for name in here if _between(name, frames, card, folder)}


def _between(name: str, frames: Sequence[str], card: SortedCard, folder: Folder) -> bool:
    """Whether a file was taken between the first and the last of some frames; by its name if no time is known of it."""
    places = {_within(path, folder): k for k, path in enumerate(card.order)}
    if name in places:
        return places.get(frames[0], 0) < places[name] < places.get(frames[-1], len(places))
    return natural(frames[0]) < natural(name) < natural(frames[-1])


def _twins(frames: Sequence[str], folder: Folder) -> Iterator[str]:
    """Developed pictures of raw frames, and raw files of developed ones: they go where the frames go."""
    forms = {(_stem(f), ending in RAW) for f in frames if (ending := _ending(f)) in RAW | DEVELOPED}
    inside = set(frames)
    for name in folder.frames if forms else ():
        ending = _ending(name)
        if ending in RAW | DEVELOPED and (_stem(name), ending not in RAW) in forms and name not in inside:
            yield name


def _stem(name: str) -> str:
    return str(Path(name).with_suffix("")).casefold()


def _ending(name: str) -> str:
    return Path(name).suffix.casefold()


def _why(
    stack: SortedStack,
    card: SortedCard,
    inside: Sequence[str],
    here: Sequence[str],
    of_job: Mapping[str, int | None],
    *,
    go: bool,
) -> str | None:
    """What a stack waits for."""
    if len(here) < len(inside):
        gone = len(inside) - len(here)
        return f"{gone} of its {len(inside)} frames are no longer there; bring them back, or leave them out"
    if stack.why == BY_HAND:
        return None if go else "decided by a person; taken when a person says go"
    before = [frame for frame in inside if frame in of_job]
    if before:
        jobs = ", ".join(f"job {job}" for job in sorted({of_job[f] or 0 for f in before}))
        new = len(inside) - len(before)
        came = "1 frame more came" if new == 1 else f"{new} frames more came"
        return (
            f"{came} after {jobs} was made of {len(before)}; shall all {len(inside)} be merged as one stack?"
        )
    if stack.state != "clear":
        return questions_of(stack, card)
    return None


def questions_of(stack: SortedStack, card: SortedCard) -> str:
    """What is asked about a stack, in words."""
    asked = [q.text for q in card.questions if set(q.frames) & set(stack.frames)]
    return " ".join(asked) or stack.why
