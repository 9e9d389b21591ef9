"""What each kind of unit does: from the store's rows to the steps of the merge, and back to an outcome."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from nearfar.errors import DoesNotFit, FrameRefused
from nearfar.jobs import Outcome, UnitKind
from nearfar.merge.keys import Fingerprint, file_digest
from nearfar.merge.memory import peak_resident
from nearfar.merge.scratch import Scratch, share_scratch
from nearfar.merge.survey import changed
from nearfar.runner.bound import bounded
from nearfar.runner.failures import Failure, failure_of
from nearfar.runner.hands import Hands
from nearfar.runner.holding import Holding
from nearfar.runner.loading import Task
from nearfar.runner.results.publish import Results
from nearfar.runner.stages import delivering, picturing, registering, surveying
from nearfar.runner.stages.stack import Stack

T = TypeVar("T")

STAGES: Mapping[UnitKind, Callable[[Stack], Outcome]] = {
    UnitKind.SURVEY: surveying.survey,
    UnitKind.REGISTER: registering.register,
    UnitKind.FOCUS: picturing.focus,
    UnitKind.RENDER: picturing.render,
    UnitKind.DELIVER: delivering.deliver,
}


class Performance:
    """The work on one unit, from its claim to the outcome to be recorded."""

    def __init__(self, holding: Holding, hands: Hands) -> None:
        self.holding = holding
        self.hands = hands
        self.claim = holding.claim
        self.task: Task | None = None
        self._stack: Stack | None = None

    def outcome(self) -> Outcome:
        """Do the work. Raises what went wrong, or `Stopped` if the work should end."""
        self.holding.check()
        _forget_peak()
        began = time.process_time()
        self.task = task = self.holding.tell(
            lambda: Task.load(self.holding.store, self.claim.job, self.hands.places)
        )
        places = self.hands.places
        work, local = (folder / str(task.root) for folder in (places.work, places.scratch))
        places.make_again(places.work)
        mark = f"u{self.claim.unit}t{self.claim.token}"
        scratch = share_scratch(work, local, mark=mark, all_see=places.share_rows)
        self.holding.clear = lambda: self._clear(scratch)
        self._stack = Stack(self.holding, self.hands, task, scratch)
        with bounded(self.hands.memory, self.hands.threads):
            made = STAGES[self.claim.kind](self._stack)
        spent = round(time.process_time() - began, 3)
        return replace(made, result={**(made.result or {}), "peak": peak_resident(), "processor": spent})

    def why_away(self) -> str | None:
        """Why the data folder cannot be used, or None."""
        return self.hands.why_away(self.holding.store)

    def failure(self, error: Exception) -> Failure:
        """The failure of the unit that an error stands for, given what is known here of workers and frames."""
        paths = self.task.paths if self.task is not None else ()
        found = failure_of(error, paths)
        if isinstance(error, FrameRefused) and found.cause == "input" and self._is_other(error.path):
            found = failure_of(changed(error.path), paths)
        if found.cause == "changed":  # while frames are surveyed they may still be arriving
            return replace(found, retry=self.claim.kind is UnitKind.SURVEY)
        if isinstance(error, DoesNotFit) and error.need is not None:
            return self._too_little_memory(error, error.need)
        return found

    def tidy(self) -> None:
        """Once the outcome is recorded, remove what nobody needs any longer: rendered bands of a delivered picture."""
        for path in self._stack.spent if self._stack is not None else ():
            with suppress(OSError):
                path.unlink(missing_ok=True)

    def _clear(self, scratch: Scratch) -> None:
        """Remove files that this unit has not finished."""
        scratch.remove_passing()
        Results(self.hands.places.results).clear(self.claim.job, self.claim.token)

    def by_place(self, said: Mapping[Path, T]) -> dict[int, T]:
        """Values by path, turned into values by the frames' places in the store."""
        paths = self.task.paths if self.task is not None else ()
        return {place: said[path] for place, path in enumerate(paths) if path in said}

    def _is_other(self, path: Path) -> bool:
        """Whether a frame's file is no longer the one that was digested."""
        mark = self._stack.marks.get(path) if self._stack is not None else None
        with suppress(OSError):
            if mark is not None:
                return Fingerprint.of(path) != mark[1]
            known = self._surveyed(path)
            return known is not None and file_digest(path) != known
        return False

    def _surveyed(self, path: Path) -> str | None:
        """Digest of a frame when it was surveyed, if it was."""
        place = self.by_place({path: path})
        if self.task is None or not place or self.claim.kind is UnitKind.SURVEY:
            return None
        return self.task.entries[next(iter(place))].digest

    def _too_little_memory(self, error: DoesNotFit, need: int) -> Failure:
        workers = self.holding.tell(lambda: self.holding.store.workers(alive=True))
        elsewhere = any(w.memory >= need for w in workers if w.id != self.claim.worker)
        found = str(error).rsplit(" Give --memory", 1)[0]
        remedy = "give the workers more memory (memory in the table [worker] of the settings), or fewer slots"
        return Failure(
            cause="room",
            reason=f"{found} That is for each unit at work: {remedy}.",
            retry=elsewhere,
            memory=need if elsewhere else None,
        )


def _forget_peak() -> None:
    """Reset the kernel's count of this process's peak of memory (proc_pid_clear_refs(5))."""
    with suppress(OSError), open("/proc/self/clear_refs", "wb", buffering=0) as file:
        os.write(file.fileno(), b"5")
