"""Cards in the watched folders: how they were sorted, what people decide. Files are only read, and no picture is opened."""

from __future__ import annotations

import functools
import os
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from nearfar.errors import NotFound, UsageError
from nearfar.intake.card.decisions import BY_HAND, apply
from nearfar.intake.card.kept_card import CardFiles, Decided, Kept, card_files, decide_all
from nearfar.intake.card.sorted_card import SortedCard, SortedStack, clock_time
from nearfar.intake.state import Entry, InboxState, read_state
from nearfar_api.context import Context
from nearfar_api.models.answers import moment
from nearfar_api.models.cards import (
    CardBoundary,
    CardBrief,
    CardCounts,
    CardFrame,
    CardLeftOut,
    CardLinks,
    CardList,
    CardModel,
    CardQuestion,
    CardStack,
    StackState,
)
from nearfar_api.models.shaping import words
from nearfar_api.transfer import beneath
from nearfar_api.transfer.results import Opened

BASE = "/api/v1/cards"
_PLACE = re.compile(r"^decision \d+ \(([a-z-]+)\): ")


@dataclass(frozen=True, kw_only=True)
class Seen:
    """A card: what the watch reports about it, how it was sorted, and what was decided."""

    id: str
    head: Entry | None
    stacks: tuple[Entry, ...]
    kept: Kept | None
    decided: Decided
    card: SortedCard | None
    troubles: tuple[str, ...]
    broken: UsageError | None = None
    """Why what was decided cannot be read; it is not overwritten."""


def listed(ctx: Context) -> CardList:
    """All cards that lie in the watched folders, and those that did and were sorted."""
    state, files = read_state(ctx.places), card_files(ctx.places)
    known = dict.fromkeys([*(e.card for e in state.entries if e.card is not None), *files.all()])
    found = [_brief(seen) for card in known if (seen := _seen(card, state, files)) is not None]
    return CardList(written=moment(state.written or None), cards=found)


def one(ctx: Context, card: str) -> CardModel:
    """One card; raises `NotFound`."""
    return model(look(ctx, card))


def look(ctx: Context, card: str) -> Seen:
    """All there is to know of a card; raises `NotFound`."""
    seen = _seen(card, read_state(ctx.places), card_files(ctx.places))
    if seen is None:
        raise NotFound(f"there is no card {card}")
    return seen


def _seen(card: str, state: InboxState, files: CardFiles) -> Seen | None:
    entries = [entry for entry in state.entries if entry.card == card]
    read = _read_once(files.folder, card, _stamp(files.sorted_file(card)), _stamp(files.decisions_file(card)))
    kept = read.kept
    path = kept.path if kept is not None else min((e.path for e in entries), key=len, default="")
    head = next((entry for entry in entries if entry.path == path), None)
    if kept is None and head is None:
        return None
    return Seen(
        id=card,
        head=head,
        stacks=tuple(entry for entry in entries if entry is not head),
        kept=kept,
        decided=read.decided,
        card=read.card,
        troubles=(*([str(read.broken)] if read.broken else []), *read.troubles),
        broken=read.broken,
    )


@dataclass(frozen=True, kw_only=True)
class _Read:
    """What was kept of a card, with all that was decided."""

    kept: Kept | None
    decided: Decided
    card: SortedCard | None
    troubles: tuple[str, ...]
    broken: UsageError | None


def _stamp(file: Path) -> tuple[int, ...]:
    """Changes with the file, which is only ever put in place whole; empty if it is not there."""
    try:
        status = file.stat()
    except OSError:
        return ()
    return status.st_ino, status.st_size, status.st_mtime_ns


@functools.lru_cache(maxsize=16)
def _kept_once(folder: Path, card: str, kept_by: tuple[int, ...]) -> Kept | None:
    """How a card was sorted: it stays as it is while people decide."""
    return CardFiles(folder).read(card) if kept_by else None


@functools.lru_cache(maxsize=32)
def _read_once(folder: Path, card: str, kept_by: tuple[int, ...], decided_by: tuple[int, ...]) -> _Read:
    """Pages ask often and cards are long; the stamps are those of both files."""
    kept, decided, broken = _kept_once(folder, card, kept_by), Decided(), None
    try:
        decided = CardFiles(folder).decided(card)
    except UsageError as error:
        broken = error
    found, troubles = decide_all(kept.card, decided.decisions) if kept else (None, [])
    return _Read(kept=kept, decided=decided, card=found, troubles=tuple(troubles), broken=broken)


def decide(ctx: Context, card: str, decision: Mapping[str, Any]) -> CardModel:
    """Add a decision.

    Raises
    ------
    NotFound
        There is no such card, or it is not sorted yet.
    UsageError
        The decision makes no sense as the card stands.
    """
    files = card_files(ctx.places)
    with files.deciding():
        seen = _sorted(look(ctx, card))
        entry = _resolved(seen, decision)
        try:
            apply(seen.card, [entry])
        except UsageError as error:
            raise UsageError(_PLACE.sub(r"\1: ", str(error))) from error
        decisions = (*seen.decided.decisions, entry)
        files.decide(card, seen.kept.path, replace(seen.decided, decisions=decisions))
    return one(ctx, card)


def undo(ctx: Context, card: str) -> CardModel:
    """Take the last decision back. Raises `NotFound`, also if there is none."""
    files = card_files(ctx.places)
    with files.deciding():
        seen = _sorted(look(ctx, card))
        decisions = seen.decided.decisions[:-1]
        if not seen.decided.decisions:
            raise NotFound(f"nothing was decided about card {card}")
        gone = min(seen.decided.gone, len(decisions))
        files.decide(card, seen.kept.path, Decided(decisions=decisions, gone=gone))
    return one(ctx, card)


def go(ctx: Context, card: str) -> CardModel:
    """Let everything that was decided so far be acted on. Raises `NotFound`."""
    files = card_files(ctx.places)
    with files.deciding():
        seen = _sorted(look(ctx, card))
        files.decide(card, seen.kept.path, replace(seen.decided, gone=len(seen.decided.decisions)))
    return one(ctx, card)


@dataclass(frozen=True, kw_only=True)
class _Sorted:
    kept: Kept
    card: SortedCard
    decided: Decided


def _sorted(seen: Seen) -> _Sorted:
    if seen.broken is not None:
        raise UsageError(str(seen.broken))
    if seen.kept is None or seen.card is None:
        raise NotFound(f"card {seen.id} is not sorted yet; decide once it is")
    return _Sorted(kept=seen.kept, card=seen.card, decided=seen.decided)


def _resolved(seen: _Sorted, decision: Mapping[str, Any]) -> dict[str, Any]:
    """A decision with the paths as they are, if they went out with escapes."""
    everything = [*seen.card.order, *(entry.path for entry in seen.card.left_out)]
    real = {words(str(path)): str(path) for path in everything}
    entry = dict(decision)
    for name in ("before", "with"):
        if name in entry:
            entry[name] = real.get(entry[name], entry[name])
    if "frames" in entry:
        entry["frames"] = [real.get(frame, frame) for frame in entry["frames"]]
    return entry


def open_small(ctx: Context, card: str, name: str) -> Opened:
    """A small picture that sorting made, open; raises `NotFound`."""
    files = card_files(ctx.places)
    try:
        with beneath.opened(files.folder, card) as folder:
            fd = os.open(f"{name}.jpg", os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder)
    except OSError as error:
        raise NotFound(f"card {card} has no small picture {name}") from error
    status = os.fstat(fd)
    about: dict[str, Any] = {"size": status.st_size, "modified": status.st_mtime, "type": "image/jpeg"}
    return Opened(fd=fd, name=f"{name}.jpg", tag=f'"{name}"', **about)


def _state_of(
    stack: SortedStack, entries: Iterable[Entry], decided: Decided
) -> tuple[StackState, str, int | None]:
    """How a stack stands, why, and its job: by what the watch reports about it, else by how it was sorted."""
    own = [entry for entry in entries if entry.path == str(stack.frames[0])]
    open_ones = [entry for entry in own if entry.job is None]
    if own and not open_ones:
        return "taken", own[-1].why, own[-1].job
    why = next((entry.why for entry in open_ones), stack.why)
    if stack.why == BY_HAND:
        return ("clear" if decided.go else "decided"), why, None
    waits = any(entry.state == "waiting" for entry in open_ones)
    return ("ask" if waits or stack.state == "ask" else "clear"), why, None


def _brief(seen: Seen) -> CardBrief:
    path = seen.kept.path if seen.kept else seen.head.path if seen.head else ""
    counts = Counter(_state_of(stack, seen.stacks, seen.decided)[0] for stack in _stacks(seen))
    head = seen.head
    return CardBrief(
        id=seen.id,
        path=words(path),
        name=words(head.stack if head else Path(path).name),
        state=_head_state(head),
        why=words(head.why) if head else "its folder is not there, or no watch has looked into it yet",
        frames=head.frames if head else 0,
        sorted=seen.card is not None,
        stacks=CardCounts(
            clear=counts["clear"], ask=counts["ask"], decided=counts["decided"], taken=counts["taken"]
        ),
        left_out=len(seen.card.left_out) if seen.card else 0,
        links=CardLinks(
            self=f"{BASE}/{seen.id}", decisions=f"{BASE}/{seen.id}/decisions", go=f"{BASE}/{seen.id}/go"
        ),
    )


def _head_state(head: Entry | None) -> Any:
    if head is None:
        return "away"
    return head.state if head.state in ("arriving", "settling", "done", "ignored") else "waiting"


def _stacks(seen: Seen) -> tuple[SortedStack, ...]:
    return seen.card.stacks if seen.card else ()


def model(seen: Seen) -> CardModel:
    """A card as it goes out."""
    small = (
        {path: f"{BASE}/{seen.id}/small/{name}" for path, name in seen.kept.small.items()}
        if seen.kept
        else {}
    )
    card = seen.card
    return CardModel(
        **dict(_brief(seen)),
        content=[_stack(stack, seen, small) for stack in _stacks(seen)],
        files_left_out=[
            CardLeftOut(
                path=words(str(e.path)), why=words(e.why), stack=e.stack, small=small.get(str(e.path))
            )
            for e in (card.left_out if card else ())
        ],
        boundaries=[
            CardBoundary(
                before=words(str(b.before)),
                after=words(str(b.after)),
                confidence=b.confidence,
                why=words(b.why),
            )
            for b in (card.boundaries if card else ())
        ],
        questions=[
            CardQuestion(
                text=words(q.text), frames=[words(str(f)) for f in q.frames], suggests=_readable(q.suggests)
            )
            for q in (card.questions if card else ())
        ],
        decisions=[_readable(entry) for entry in seen.decided.decisions],
        go=seen.decided.go,
        troubles=[words(text) for text in seen.troubles],
    )


def _readable(entry: Mapping[str, Any]) -> dict[str, Any]:
    return {k: [words(f) for f in v] if isinstance(v, list) else words(str(v)) for k, v in entry.items()}


def _stack(stack: SortedStack, seen: Seen, small: Mapping[str, str]) -> CardStack:
    state, why, job = _state_of(stack, seen.stacks, seen.decided)
    return CardStack(
        name=stack.name,
        state=state,
        confidence=stack.confidence,
        why=words(why),
        job=job,
        camera=words(stack.camera),
        taken_at=(clock_time(stack.first_taken), clock_time(stack.last_taken)),
        frames=[
            CardFrame(path=words(str(f)), name=words(f.name), small=small.get(str(f))) for f in stack.frames
        ],
    )
