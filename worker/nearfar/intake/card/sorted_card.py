"""A card that was sorted: stacks, what separates them, what is left out, and what a person should be asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any


@dataclass(frozen=True, kw_only=True)
class SortedStack:
    """Frames of one scene in the order taken. ``state``: 'clear', or 'ask' if a person should look."""

    name: str
    frames: tuple[Path, ...]
    confidence: float
    state: str
    why: str
    camera: str = ""
    first_taken: float | None = None  # seconds on the camera's clock
    last_taken: float | None = None


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """A file that is in no stack. ``stack``: the name of the one that it was taken with, if it was."""

    path: Path
    why: str
    stack: str | None = None


@dataclass(frozen=True, kw_only=True)
class Boundary:
    """Between two neighbouring frames: that they are apart, how sure that is, and why."""

    before: Path
    after: Path
    confidence: float
    why: str


@dataclass(frozen=True, kw_only=True)
class Question:
    """What a person is asked, in words, about which frames; ``suggests``: the decision that would say no."""

    text: str
    frames: tuple[Path, ...]
    suggests: dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class SortedCard:
    """All of it; every file is in one stack, or left out."""

    stacks: tuple[SortedStack, ...]
    left_out: tuple[LeftOut, ...]
    boundaries: tuple[Boundary, ...] = ()
    questions: tuple[Question, ...] = ()
    order: tuple[Path, ...] = ()
    """All exposures, camera by camera, in the order they were taken."""


def as_json(card: SortedCard) -> dict[str, Any]:
    """The form that ``nearfar sort --json`` prints."""
    return {
        "stacks": [
            {
                "name": s.name,
                "frames": [str(p) for p in s.frames],
                "confidence": round(s.confidence, 4),
                "state": s.state,
                "why": s.why,
                "camera": s.camera,
                "taken": [clock_time(s.first_taken), clock_time(s.last_taken)],
            }
            for s in card.stacks
        ],
        "left_out": [
            {"path": str(e.path), "why": e.why, **({"stack": e.stack} if e.stack else {})}
            for e in card.left_out
        ],
        "boundaries": [
            {
                "before": str(b.before),
                "after": str(b.after),
                "confidence": round(b.confidence, 4),
                "why": b.why,
            }
            for b in card.boundaries
        ],
        "questions": [
            {"text": q.text, "frames": [str(p) for p in q.frames], "suggests": q.suggests}
            for q in card.questions
        ],
    }


def clock_time(seconds: float | None) -> str | None:
    """Seconds of `Exposure.seconds` as date and time on the camera's clock."""
    if seconds is None:
        return None
    return (datetime(2000, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S")


def from_json(told: Mapping[str, Any]) -> SortedCard:
    """The card of `as_json`; ``order`` may be told besides. Raises `LookupError`, `TypeError` or `ValueError`."""
    return SortedCard(
        stacks=tuple(
            SortedStack(
                name=s["name"],
                frames=tuple(map(Path, s["frames"])),
                confidence=float(s["confidence"]),
                state=s["state"],
                why=s["why"],
                camera=s["camera"],
                first_taken=_seconds(s["taken"][0]),
                last_taken=_seconds(s["taken"][1]),
            )
            for s in told["stacks"]
        ),
        left_out=tuple(
            LeftOut(path=Path(e["path"]), why=e["why"], stack=e.get("stack")) for e in told["left_out"]
        ),
        boundaries=tuple(
            Boundary(
                before=Path(b["before"]),
                after=Path(b["after"]),
                confidence=float(b["confidence"]),
                why=b["why"],
            )
            for b in told["boundaries"]
        ),
        questions=tuple(
            Question(text=q["text"], frames=tuple(map(Path, q["frames"])), suggests=dict(q["suggests"]))
            for q in told["questions"]
        ),
        order=tuple(map(Path, told.get("order", ()))),
    )


def _seconds(time: str | None) -> float | None:
    if time is None:
        return None
    return (
        datetime.fromisoformat(time).replace(tzinfo=UTC) - datetime(2000, 1, 1, tzinfo=UTC)
    ).total_seconds()
