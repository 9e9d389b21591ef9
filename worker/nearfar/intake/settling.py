"""When is a stack complete? Pure rules: what was seen and when goes in, a verdict with a reason comes out.

No single sign is enough. Sizes stand still while a copy stalls, time stamps are set back by copy programs, a file may
have its full size before its first byte is written, and whoever writes may close the file and open it again. So all of
it counts: everything known of every file of the stack stands still for a while, nobody has one open for writing, and
every file parses to its end. Times are seconds of a monotonic clock; time stamps of files are compared for equality only.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

SHOWN = 3
PAUSES = 2.0
"""How many times the longest pause is waited for in which a stack counted as complete and then went on."""
EMPTY = (
    "found an empty file (0 bytes); expected a picture. Copy the file again from the card, or leave it out."
)


class Mark(NamedTuple):
    """What the file system says about a file; while the file is being written, at least one of these changes."""

    device: int
    inode: int
    size: int
    mtime_ns: int
    ctime_ns: int
    blocks: int
    owner: int

    @classmethod
    def of(cls, status: os.stat_result) -> Mark:
        """From the result of a stat call."""
        return cls(
            status.st_dev,
            status.st_ino,
            status.st_size,
            status.st_mtime_ns,
            status.st_ctime_ns,
            getattr(status, "st_blocks", 0),
            status.st_uid,
        )

    @property
    def identity(self) -> tuple[int, int]:
        """Device and inode: the same for the same file under any name."""
        return self.device, self.inode


class Fault(NamedTuple):
    """What is wrong with a file."""

    why: str
    doubt: bool = False
    """Whether a complete file may look like this as well; it is then taken after `Patience.patience`."""


class Stage(StrEnum):
    """How far a stack has come."""

    ARRIVING = "arriving"
    """Something is still changing, or missing."""
    SETTLING = "settling"
    """Nothing changes any longer, but not for long enough."""
    COMPLETE = "complete"
    """It may be taken."""
    GIVEN_UP = "given up"
    """Nothing has changed for long, and a file in it cannot be read."""


@dataclass(frozen=True, kw_only=True)
class Patience:
    """How long to wait, in seconds."""

    quiet: float
    """How long nothing may have changed."""
    quiet_unseen: float
    """The same if open writers cannot be seen."""
    patience: float
    """How long unreadable and temporary files are waited for."""


@dataclass(frozen=True, kw_only=True)
class Sight:
    """The contents of a folder at one moment."""

    frames: Mapping[str, Mark]
    """By name."""
    temporary: Mapping[str, Mark] = field(default_factory=dict)
    """Files under names that copy programs use until they are done."""
    others: Mapping[str, Mark] = field(default_factory=dict)
    """Further files whose changes count, like side-cars and settings."""
    expected: int | None = None
    """How many frames there should be, if ``nearfar.expect`` says so."""
    count: int | None = None
    """Exposures among the frames, if several files may be one; the number of files if not given."""
    ready: bool = False
    """Whether ``nearfar.ready`` says that all is here."""
    unseen: str | None = None
    """Why open writers cannot be seen."""


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """How a stack is judged at one moment."""

    stage: Stage
    why: str
    seconds: float | None = None
    """Seconds until it is taken or given up if nothing changes; None if unknown."""
    faults: Mapping[str, str] = field(default_factory=dict)
    """By name, what is wrong; with `Stage.GIVEN_UP` the reasons for it."""
    waits_for: Collection[str] = ()
    """Names of files that may still be filled; they are waited for that long and no longer."""


Writers = Callable[[Collection[Mark]], Mapping[tuple[int, int], str]]
"""Who has which of these files open for writing, by identity."""
Examine = Callable[[str, Mark], Fault | None]
"""What is wrong with a file."""


class Settling:
    """Follows one stack from its first file on."""

    def __init__(self, rules: Patience) -> None:
        self.rules = rules
        self._seen: dict[str, tuple[Mark, float]] = {}
        self._moved = 0.0
        self._moved_by = ""
        self._pause = 0.0
        self._complete = False

    @property
    def moved(self) -> float:
        """When something changed last."""
        return self._moved

    def look(self, now: float, sight: Sight, *, writers: Writers, examine: Examine) -> Verdict:
        """Judge the present contents. The two callables are called only if nothing else is changing.

        Parameters
        ----------
        now
            Seconds of a monotonic clock, not less than in the call before.
        """
        verdict = self._judged(now, sight, writers, examine)
        self._complete = verdict.stage is Stage.COMPLETE
        return verdict

    def _judged(self, now: float, sight: Sight, writers: Writers, examine: Examine) -> Verdict:
        self._note(now, sight)
        verdict = self._missing(now, sight) or self._moving(now, sight)
        if verdict is not None:
            return verdict
        written = writers(sight.frames.values())
        for name, mark in sight.frames.items():
            if mark.identity in written:
                self._moved, self._moved_by = now, f"{name} is open for writing by {written[mark.identity]}"
                return Verdict(stage=Stage.ARRIVING, why=self._moved_by, seconds=self._wait(sight))
        return self._examined(now, sight, examine)

    def _note(self, now: float, sight: Sight) -> None:
        """Remember since when each file is unchanged."""
        everything = {**sight.others, **sight.temporary, **sight.frames}
        if self._complete and not sight.frames.keys() <= self._seen.keys():
            self._learn(now - self._moved, self._least(sight))
        for name in set(self._seen) - set(everything):
            del self._seen[name]
            self._moved, self._moved_by = now, f"{name} went away"
        new = [
            name for name, mark in everything.items() if name not in self._seen or self._seen[name][0] != mark
        ]
        for name in new:
            self._moved_by = f"{name} {'changed' if name in self._seen else 'came'}"
            self._moved = now
            self._seen[name] = (everything[name], now)

    def _learn(self, pause: float, least: float) -> None:
        """Somebody copies with pauses longer than the quiet time, or takes frames right into the folder: wait longer."""
        if least <= pause <= self.rules.patience / PAUSES:
            self._pause = max(self._pause, pause)

    def _missing(self, now: float, sight: Sight) -> Verdict | None:
        fresh = [n for n in sight.temporary if now - self._seen[n][1] < self.rules.patience]
        if fresh:
            return Verdict(
                stage=Stage.ARRIVING,
                why=f"{_names(fresh)} {'is' if len(fresh) == 1 else 'are'} still being copied, by the name",
                seconds=self.rules.patience - (now - max(self._seen[name][1] for name in fresh)),
                waits_for=fresh,
            )
        if not sight.frames:
            return Verdict(stage=Stage.ARRIVING, why="no frame has arrived yet")
        count = len(sight.frames) if sight.count is None else sight.count
        if sight.expected is not None and count < sight.expected:
            return Verdict(stage=Stage.ARRIVING, why=f"{count} of {sight.expected} frames are here")
        return None

    def _wait(self, sight: Sight) -> float:
        return 0.0 if sight.ready else max(self._least(sight), PAUSES * self._pause)

    def _least(self, sight: Sight) -> float:
        """Seconds of quiet, as long as no pause was longer."""
        return self.rules.quiet_unseen if sight.unseen else self.rules.quiet

    def _moving(self, now: float, sight: Sight) -> Verdict | None:
        still, wait = now - self._moved, self._wait(sight)
        if still >= wait:
            return None
        if still == 0:
            return Verdict(stage=Stage.ARRIVING, why=self._moved_by, seconds=wait)
        why = f"nothing has changed for {still:.0f} s; taken after {wait:g} s of quiet"
        if wait > self._least(sight):
            why += f", since frames came after {self._pause:.0f} s without any"
        elif sight.unseen:
            why += f", since {sight.unseen}"
        return Verdict(stage=Stage.SETTLING, why=why, seconds=wait - still)

    def _examined(self, now: float, sight: Sight, examine: Examine) -> Verdict:
        faults: dict[str, Fault] = {}
        for name, mark in sight.frames.items():
            fault = Fault(f"{name}: {EMPTY}") if mark.size == 0 else examine(name, mark)
            if fault is not None:
                faults[name] = fault
        left = self.rules.patience - (now - self._moved)
        firm = {name: fault.why for name, fault in faults.items() if not fault.doubt}
        if firm:
            return self._faulty(firm, left)
        if faults and left > 0:
            why = "; ".join(fault.why for fault in list(faults.values())[:SHOWN])
            return Verdict(
                stage=Stage.SETTLING,
                why=f"{why}: that may still be filled; taken if it stays so",
                seconds=left,
                waits_for=list(faults),
            )
        count = len(sight.frames)
        whole = "1 file is complete" if count == 1 else f"{count} files are complete"
        return Verdict(stage=Stage.COMPLETE, why=whole, seconds=0.0)

    def _faulty(self, faults: Mapping[str, str], left: float) -> Verdict:
        told = "; ".join(why.removesuffix(".") for why in list(faults.values())[:SHOWN])
        more = f"; and {len(faults) - SHOWN} more" if len(faults) > SHOWN else ""
        if left > 0:
            return Verdict(
                stage=Stage.ARRIVING,
                why=f"not readable yet: {told}{more}",
                seconds=left,
                faults=faults,
                waits_for=list(faults),
            )
        return Verdict(stage=Stage.GIVEN_UP, why=f"{told}{more}", seconds=0.0, faults=faults)


def _names(names: Collection[str]) -> str:
    shown = ", ".join(sorted(names)[:SHOWN])
    return shown if len(names) <= SHOWN else f"{shown} and {len(names) - SHOWN} more"
