"""What coverage found: as JSON for programs, and in sentences that say what to do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from nearfar.frames.camera import CameraData

Kind = Literal["slice", "start", "end", "wide", "order", "scale", "shaken", "sweeps", "alike"]
HELD_FOR: tuple[Kind, ...] = ("slice", "wide", "order")
"""Findings for which a stack is held if the recipe asks for it. Not the ends: what lies beyond may be meant to be soft."""
NAMED = 4
"""Frames that a sentence names."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing that is wrong with the frames of a stack."""

    kind: Kind
    """``slice``: missing between two frames; ``start``, ``end``: beyond the first or the last; ``wide``: all steps are wider
    than the depth of field; ``order``: frames are out of order; ``sweeps``: they go through the focus several times;
    ``scale``: the magnification turns back; ``shaken``: a frame is blurred as a whole; ``alike``: all have
    the same sharp."""
    after: str | None = None
    """Name of the frame before it."""
    before: str | None = None
    """Name of the frame behind it."""
    numbers: tuple[int, int] | None = None
    """Places of these two frames, from 1."""
    more: int = 0
    """How many frames would fill it, at least."""
    share: float = 0.0
    """Share of the picture that it affects, 0..1."""
    box: tuple[int, int, int, int] | None = None
    """x, y, width, height around most of that, pixels."""
    detail: float | None = None
    """Share of the finest detail that remains midway between the two frames."""
    focus_m: tuple[float, ...] = ()
    """Focus distances at which frames are missing, metres."""
    travel_um: tuple[float, ...] = ()
    """The same as travel of rail or stage from the first frame, micrometres."""
    frames: tuple[str, ...] = ()
    """Names of the frames that it is about, for ``order`` and ``shaken``; for ``scale`` the frames before and behind each
    turn, of which ``after`` and ``before`` are the first; for ``sweeps`` the first and last frame of each."""

    def text(self) -> str:
        """What was found and what to do, as a sentence."""
        return {
            "slice": self._slice,
            "start": self._start,
            "end": self._end,
            "wide": self._wide,
            "order": self._order,
            "scale": self._scale,
            "shaken": self._shaken,
            "sweeps": self._sweeps,
            "alike": self._alike,
        }[self.kind]()

    def _slice(self) -> str:
        frames = "one more frame" if self.more == 1 else f"at least {self.more} more frames"
        return (
            f"a slice of depth is missing between {self.after} and {self.before} ({100 * self.share:.1f} % of the picture "
            f"lies in it): take {frames} between them{self._where()}"
        )

    def _where(self) -> str:
        if self.focus_m:
            return f", focused at about {_listed([show_metres(d) for d in self.focus_m])}"
        if self.travel_um:
            return f", at about {_listed([show_travel(t) for t in self.travel_um])} from the first frame"
        return ""

    def _start(self) -> str:
        return (
            f"{100 * self.share:.0f} % of the picture is sharper still before {self.before}, the first frame: start "
            f"earlier{self._next()}, unless it is meant to be soft"
        )

    def _end(self) -> str:
        return (
            f"{100 * self.share:.0f} % of the picture is sharper still beyond {self.after}, the last frame: go on "
            f"further{self._next()}, unless it is meant to be soft"
        )

    def _next(self) -> str:
        if self.focus_m:
            return f", at about {show_metres(self.focus_m[0])}"
        if self.travel_um:
            return f", by another {show_travel(self.travel_um[0])}"
        return ""

    def _wide(self) -> str:
        left = (
            ""
            if self.detail is None
            else f": midway only {100 * self.detail:.0f} % of the fine detail is left"
        )
        return f"all steps are wider than the depth of field{left}; take smaller steps, or stop down"

    def _order(self) -> str:
        shown = ", ".join(self.frames[:NAMED])
        more = f" and {len(self.frames) - NAMED} more" if len(self.frames) > NAMED else ""
        stands = "stands" if len(self.frames) == 1 else "stand"
        return (
            f"the frames are not in the order of their focus: {shown}{more} {stands} elsewhere than what is sharp says; "
            "sort them by focus, and look for a slice that was left out"
        )

    def _scale(self) -> str:
        turns = [f"between {a} and {b}" for a, b in zip(self.frames[::2], self.frames[1::2], strict=True)]
        return (
            f"the magnification turns back {_listed(turns)}: the focus or the camera moved the "
            "other way there; look whether a frame is out of order or the camera was knocked"
        )

    def _shaken(self) -> str:
        return (
            f"{self.frames[0]} is blurred as a whole, against {self.after} and {self.before}: shaken, or knocked while "
            "exposed; what it alone would have sharp is missing, take it again"
        )

    def _sweeps(self) -> str:
        each = [f"{a} to {b}" for a, b in zip(self.frames[::2], self.frames[1::2], strict=True)]
        return f"the frames go through the focus {len(each)} times, {_listed(each)}; all of them are used as one stack"

    def _alike(self) -> str:
        return (
            "the frames hardly differ in what they have sharp: the focus was moved by less than the depth of field, or not "
            "at all; what is soft is as soft in all of them"
        )

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> Finding:
        """Inverse of `as_json`, but for what that rounds."""
        values: dict[str, Any] = {
            k: tuple(v) if isinstance(v, list) else v for k, v in stored.items() if k != "text"
        }
        values["focus_m"] = tuple(math.inf if v is None else v for v in values["focus_m"])
        return cls(**values)

    def as_json(self) -> dict[str, Any]:
        """The finding as JSON for the report; an infinite distance is null."""
        out = asdict(self)
        out["share"] = round(float(self.share), 4)
        out["detail"] = None if self.detail is None else round(self.detail, 3)
        for name in ("focus_m", "travel_um"):
            out[name] = [None if math.isinf(v) else float(f"{v:.4g}") for v in out[name]]
        for name in ("numbers", "box", "frames"):
            out[name] = None if out[name] is None else list(out[name])
        out["more"] = int(self.more)
        return {**out, "text": self.text()}


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """How completely the frames of a stack cover its depth, as far as that is known before the merge."""

    frames: int
    detail: float | None = None
    """Share of the finest detail that remains midway in a usual step; None if too little is sharp to tell."""
    widths: tuple[float | None, ...] = ()
    """(n - 1,), width of each step in usual steps; None where nothing determines it."""
    order: tuple[str, ...] | None = None
    """Names in the order of focus, if that is not the given order."""
    findings: tuple[Finding, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether nothing was found."""
        return not self.findings

    @property
    def alike(self) -> bool:
        """Whether all frames have the same sharp, so that gaps cannot be told from what is soft by nature."""
        return any(f.kind == "alike" for f in self.findings)

    def to_hold(self) -> list[str]:
        """Why a stack should be held, as sentences; empty if it need not be."""
        return [f.text() for f in self.findings if f.kind in HELD_FOR]

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> Coverage:
        """Inverse of `as_json`, but for what that rounds."""
        order = stored["order"]
        return cls(
            frames=stored["frames"],
            detail=stored["detail"],
            widths=tuple(stored["widths"]),
            order=None if order is None else tuple(order),
            findings=tuple(Finding.from_json(f) for f in stored["findings"]),
        )

    def warnings(self, gaps: Sequence[tuple[str | None, str | None]]) -> list[str]:
        """Sentences about findings, without those between two frames for which ``gaps`` (after, before) has one."""
        told = set(gaps)
        return [f.text() for f in self.findings if f.kind != "slice" or (f.after, f.before) not in told]

    def as_json(self) -> dict[str, Any]:
        """The report's entry ``coverage``."""
        return {
            "frames": self.frames,
            "complete": self.complete,
            "detail": None if self.detail is None else round(self.detail, 3),
            "widths": list(self.widths),
            "order": None if self.order is None else list(self.order),
            "findings": [f.as_json() for f in self.findings],
        }


def distances_between(near: CameraData, far: CameraData, more: int) -> tuple[float, ...]:
    """Focus distances in metres of ``more`` frames evenly between two others; empty unless both wrote theirs.

    Evenly means on the image side, i.e. in 1 / distance. Close to the lens that is a little off, by less than cameras round
    their distances.
    """
    a, b = near.subject_distance, far.subject_distance
    if a is None or b is None or a == b:
        return ()
    return tuple(1 / (1 / a + (1 / b - 1 / a) * (k + 1) / (more + 1)) for k in range(more))


def distances_beyond(end: CameraData, inner: CameraData) -> tuple[float, ...]:
    """Focus distance in metres one step beyond an end; infinite if that is past infinity."""
    a, b = end.subject_distance, inner.subject_distance
    if a is None or b is None or a == b:
        return ()
    inverse = 2 / a - 1 / b
    return (1 / inverse if inverse > 0 else math.inf,)


def show_metres(metres: float) -> str:
    """A focus distance for people."""
    if math.isinf(metres):
        return "infinity"
    return f"{metres:.2f} m" if metres >= 0.1 else f"{1000 * metres:.1f} mm"


def show_travel(um: float) -> str:
    """A travel of rail or stage for people."""
    return f"{um / 1000:.3g} mm" if um >= 1000 else f"{um:.3g} µm"


def _listed(values: Sequence[str]) -> str:
    return values[0] if len(values) == 1 else f"{', '.join(values[:-1])} and {values[-1]}"
