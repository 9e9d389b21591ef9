"""A person's decisions on a sorted card, applied on top of what was found: pure functions on small data.

A decision is a small table, a list of them is the whole memory; taking one back is removing it from the list.

- ``{"do": "join", "frames": [a, b, ...]}``: the stacks of these frames, and frames that are in none, become one.
- ``{"do": "split", "before": a}``: the stack of this frame ends before it; a new one begins with it.
- ``{"do": "leave-out", "frames": [...]}``: these frames are in no stack.
- ``{"do": "take", "frames": [...], "with": a}``: these frames go into the stack of ``a``, from wherever they are; this
  moves a boundary too. Without ``with`` they become a stack of their own.
- ``{"do": "confirm", "frames": [...]}``: the stacks of these frames are right as they are.

A frame is named by its path as it was printed, or by its file name if no two on the card share it.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from nearfar.errors import InputRefused, UsageError
from nearfar.intake.card.sorted_card import LeftOut, SortedCard, SortedStack

BY_HAND = "decided by a person"
KEYS = {
    "join": {"frames"},
    "split": {"before"},
    "leave-out": {"frames"},
    "take": {"frames", "with"},
    "confirm": {"frames"},
}
OPTIONAL = {"with", "note"}


def read_decisions(path: Path) -> list[dict[str, Any]]:
    """Decisions from a file: TOML with ``[[decisions]]`` tables, or JSON with the same key or a bare list.

    Raises
    ------
    InputRefused
        If it is not there, cannot be read, or holds something else.
    """
    try:
        text = path.read_text(encoding="utf-8")
        data = tomllib.loads(text) if _form(path) == "TOML" else json.loads(text)
    except OSError as error:
        raise InputRefused(
            f"{path}: the decisions cannot be read ({error.strerror}); give the path of a readable TOML or JSON file"
        ) from error
    except (ValueError, RecursionError) as error:
        raise InputRefused(
            f"{path}: found no {_form(path)} ({error}); expected a list of decisions. Correct the file"
        ) from error
    entries = data.get("decisions", []) if isinstance(data, dict) else data
    if not isinstance(entries, list):
        raise InputRefused(
            f"{path}: found {type(entries).__name__}; expected a list of decisions. Correct the file"
        )
    try:
        return [check(entry, k) for k, entry in enumerate(entries, 1)]
    except UsageError as error:
        raise InputRefused(f"{path}: {error}") from error


def _form(path: Path) -> str:
    return "TOML" if path.suffix.casefold() == ".toml" else "JSON"


def check(entry: object, number: int = 1) -> dict[str, Any]:
    """One decision, if it is well formed.

    Raises
    ------
    UsageError
        If it is not, with what was found and what would do.
    """
    if not isinstance(entry, Mapping):
        raise UsageError(f"decision {number}: found {entry!r:.80}; expected a table such as do = 'join'")
    do = entry.get("do")
    if do not in KEYS:
        raise UsageError(f"decision {number}: found do = {do!r:.80}; expected one of {', '.join(KEYS)}")
    known = KEYS[do] | {"do"} | OPTIONAL
    wrong = sorted(set(map(str, entry)) - known)
    missing = sorted(KEYS[do] - OPTIONAL - set(entry))
    if wrong or missing:
        what = f"{wrong[0]!r}, which is not known" if wrong else f"no {missing[0]!r}"
        raise UsageError(f"decision {number} ({do}): found {what}; expected {', '.join(sorted(KEYS[do]))}")
    frames = entry.get("frames", [])
    if (
        not isinstance(frames, list)
        or not all(isinstance(f, str) for f in frames)
        or ("frames" in KEYS[do] and not frames)
    ):
        raise UsageError(f"decision {number} ({do}): found frames = {frames!r:.80}; expected a list of paths")
    for name in ("before", "with"):
        if name in entry and not isinstance(entry[name], str):
            raise UsageError(f"decision {number} ({do}): found {name} = {entry[name]!r:.80}; expected a path")
    return dict(entry)


def apply(card: SortedCard, decisions: Iterable[Mapping[str, Any]]) -> SortedCard:
    """The card with all decisions applied, in order; the card itself stays as it is.

    Raises
    ------
    UsageError
        If a decision is not well formed, names a frame that is not on the card, or makes no sense where it stands.
    """
    done = list(decisions)
    for number, entry in enumerate(done, 1):
        card = _STEPS[check(entry, number)["do"]](card, entry, f"decision {number} ({entry['do']})")
    return card if not done else _tidied(card)


class _Frames:
    """Frames by what a decision may call them; made once for each, since a card may have thousands."""

    def __init__(self, card: SortedCard, where: str) -> None:
        self._where = where
        self._paths: dict[str, Path] = {}
        self._names: dict[str, list[Path]] = {}
        for path in [*(p for s in card.stacks for p in s.frames), *(e.path for e in card.left_out)]:
            self._paths[str(path)] = path
            self._names.setdefault(path.name, []).append(path)

    def one(self, name: str) -> Path:
        named = [self._paths[name]] if name in self._paths else self._names.get(name, [])
        if len(named) != 1:
            found = f"{len(named)} files called {name}" if named else f"no file {name} on this card"
            raise UsageError(
                f"{self._where}: found {found}; expected the path of one frame, as 'nearfar sort' prints it"
            )
        return named[0]


def _find(card: SortedCard, name: str, where: str) -> Path:
    return _Frames(card, where).one(name)


def _all(card: SortedCard, entry: Mapping[str, Any], where: str) -> list[Path]:
    frames = _Frames(card, where)
    return list(dict.fromkeys(frames.one(name) for name in entry["frames"]))


def _homes(card: SortedCard) -> dict[Path, SortedStack]:
    """The stack of each frame that is in one."""
    return {p: s for s in card.stacks for p in s.frames}


def _join(card: SortedCard, entry: Mapping[str, Any], where: str) -> SortedCard:
    frames, home = _all(card, entry, where), _homes(card)
    homes = list(dict.fromkeys(home[f].name for f in frames if f in home))
    everything = [*frames, *(p for s in card.stacks if s.name in homes for p in s.frames)]
    if len(homes) + sum(f not in home for f in frames) < 2:
        raise UsageError(f"{where}: found frames of one stack only; expected frames of two stacks or more")
    return _gathered(card, everything, homes[0] if homes else None, drop=homes[1:])


def _take(card: SortedCard, entry: Mapping[str, Any], where: str) -> SortedCard:
    frames = _all(card, entry, where)
    if "with" not in entry:
        return _gathered(card, frames, None)
    home = _homes(card).get(_find(card, entry["with"], where))
    if home is None:
        raise UsageError(f"{where}: {entry['with']} is in no stack; expected a frame of the stack to add to")
    return _gathered(card, [*home.frames, *frames], home.name)


def _gathered(
    card: SortedCard, frames: Sequence[Path], name: str | None, drop: Sequence[str] = ()
) -> SortedCard:
    """Put frames into one stack (an existing one by name, or a new one) and take them out of everything else."""
    wanted = set(frames)
    order = {p: k for k, p in enumerate(card.order)}
    inside = tuple(sorted(wanted, key=lambda p: (order.get(p, len(order)), str(p))))
    stacks = [s for s in card.stacks if s.name not in drop]
    if name is None:
        name = _new_name(card)
        cameras = {s.camera for s in card.stacks if s.camera and wanted & set(s.frames)}
        camera = cameras.pop() if len(cameras) == 1 else ""
        stacks.append(
            SortedStack(name=name, frames=inside, confidence=1.0, state="clear", why=BY_HAND, camera=camera)
        )
    done = [_by_hand(s, inside) if s.name == name else _without(s, wanted) for s in stacks]
    left = tuple(e for e in card.left_out if e.path not in wanted)
    return replace(card, stacks=tuple(done), left_out=left)


def _by_hand(stack: SortedStack, frames: tuple[Path, ...]) -> SortedStack:
    """The stack with these frames; when they were taken is only known of those that it began and ended with before."""
    return replace(
        stack,
        frames=frames,
        confidence=1.0,
        state="clear",
        why=BY_HAND,
        first_taken=stack.first_taken if frames[:1] == stack.frames[:1] else None,
        last_taken=stack.last_taken if frames[-1:] == stack.frames[-1:] else None,
    )


def _without(stack: SortedStack, frames: set[Path]) -> SortedStack:
    kept = tuple(p for p in stack.frames if p not in frames)
    return stack if len(kept) == len(stack.frames) else _by_hand(stack, kept)


def _new_name(card: SortedCard) -> str:
    taken = {s.name for s in card.stacks}
    number = len(card.stacks) + 1
    while f"stack-{number:03d}" in taken:
        number += 1
    return f"stack-{number:03d}"


def _split(card: SortedCard, entry: Mapping[str, Any], where: str) -> SortedCard:
    frame = _find(card, entry["before"], where)
    home = _homes(card).get(frame)
    if home is None or home.frames[0] == frame:
        what = "in no stack" if home is None else "the first of its stack"
        raise UsageError(f"{where}: {frame.name} is {what}; expected a frame within a stack")
    return _gathered(card, home.frames[home.frames.index(frame) :], None)


def _leave_out(card: SortedCard, entry: Mapping[str, Any], where: str) -> SortedCard:
    frames, home = _all(card, entry, where), _homes(card)
    wanted = set(frames)
    left = [e for e in card.left_out if e.path not in wanted]
    left += [
        LeftOut(path=f, why=f"left out: {BY_HAND}", stack=home[f].name if f in home else None) for f in frames
    ]
    return replace(card, stacks=tuple(_without(s, wanted) for s in card.stacks), left_out=tuple(left))


def _confirm(card: SortedCard, entry: Mapping[str, Any], where: str) -> SortedCard:
    frames = set(_all(card, entry, where))
    stacks = tuple(_by_hand(s, s.frames) if frames & set(s.frames) else s for s in card.stacks)
    if stacks == card.stacks and not any(frames & set(s.frames) for s in card.stacks):
        raise UsageError(f"{where}: found frames of no stack; expected a frame of the stack that is right")
    return replace(card, stacks=stacks)


_STEPS: dict[str, Callable[[SortedCard, Mapping[str, Any], str], SortedCard]] = {
    "join": _join,
    "split": _split,
    "leave-out": _leave_out,
    "take": _take,
    "confirm": _confirm,
}


def _tidied(card: SortedCard) -> SortedCard:
    """Stacks in the order taken, none of them empty; questions and boundaries that are still open."""
    order = {p: k for k, p in enumerate(card.order)}
    stacks = tuple(
        sorted((s for s in card.stacks if s.frames), key=lambda s: order.get(s.frames[0], len(order)))
    )
    home = {p: s for s in stacks for p in s.frames}
    open_ones = {s.name for s in stacks if s.state == "ask"}
    questions = tuple(
        q for q in card.questions if any(p in home and home[p].name in open_ones for p in q.frames)
    )
    boundaries = tuple(
        b for b in card.boundaries if b.before not in home or home[b.before] is not home.get(b.after)
    )
    return replace(card, stacks=stacks, questions=questions, boundaries=boundaries)
