"""Perform one unit of a job completely: hold it, do the work, and tell the store how it ended."""

from __future__ import annotations

import logging
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from nearfar.errors import LostClaim, NotFound, StoreUnreachable
from nearfar.jobs import Claim, FrameNote, FrameState, Outcome, Store
from nearfar.merge.plan import give_back_heap
from nearfar.places import Places
from nearfar.runner.failures import Failure, failure_of, is_full
from nearfar.runner.holding import Holding, Stopped, Why
from nearfar.runner.loading import Refused, Task
from nearfar.runner.performing import Hands, Performance
from nearfar.runner.planning import root_of

__all__ = ["Folders", "Hands", "folders_of", "work_on"]

log = logging.getLogger(__name__)

REST = 10.0
"""Seconds that a unit rests for which there was no space on a disk."""


def work_on(store: Store, claim: Claim, hands: Hands, *, leaving: Callable[[], bool]) -> None:
    """Perform a unit and tell the store how it ended, whatever that is.

    Parameters
    ----------
    hands
        What this worker may take.
    leaving
        Whether this worker is to leave; asked after every frame and tile, from several threads.

    Raises
    ------
    StoreUnreachable
        The store stayed away for longer than the lease; the unit is somebody else's by then.
    """
    log.info("begins", extra=_about(claim, "unit.begin"))
    with Holding(store, claim, leaving) as holding:
        try:
            _perform(holding, hands)
        except LostClaim as error:
            log.warning("dropped: %s", error, extra=_about(claim, "unit.lost"))
    give_back_heap()


def _about(claim: Claim, action: str) -> dict[str, object]:
    return {**claim.log_context(), "action": action}


def _perform(holding: Holding, hands: Hands) -> None:
    performance = Performance(holding, hands)
    try:
        outcome = performance.outcome()
    except Stopped as stopped:
        _stopped(holding, stopped)
    except (StoreUnreachable, LostClaim):
        raise
    except NotFound as error:
        raise LostClaim(f"{error}; drop the work") from error
    except Refused as refused:
        _note_refused(holding, refused)
        _failed(holding, failure_of(refused.told(), _paths(performance.task)))
    except Exception as error:
        if is_full(error):
            _no_space(holding, error)
            return
        failure = performance.failure(error) or failure_of(error, _paths(performance.task))
        if failure.cause == "mistake":
            log.exception("a mistake in the program", extra=_about(holding.claim, "unit.mistake"))
        _failed(holding, failure)
    else:
        _finished(holding, outcome)


def _paths(task: Task | None) -> tuple[Path, ...]:
    return task.paths if task is not None else ()


def _finished(holding: Holding, outcome: Outcome) -> None:
    holding.tell(lambda: holding.store.finish(holding.claim, outcome))
    log.info("done", extra=_about(holding.claim, "unit.done"))


def _failed(holding: Holding, failure: Failure) -> None:
    log.warning("%s: %s", failure.cause, failure.reason, extra=_about(holding.claim, "unit.failed"))
    holding.tell(
        lambda: holding.store.fail(
            holding.claim, cause=failure.cause, reason=failure.reason, retry=failure.retry
        )
    )


def _stopped(holding: Holding, stopped: Stopped) -> None:
    """The work was stopped and has removed what it was making."""
    store, claim = holding.store, holding.claim
    log.info("stopped: %s", stopped.why, extra=_about(claim, "unit.stopped"))
    if stopped.why is Why.AWAY:
        raise StoreUnreachable(
            f"the job store did not answer for {holding.lease:.0f} s; the unit was dropped"
        )
    if stopped.why is Why.DEADLINE:
        reason = (
            f"not done within {claim.deadline - claim.lease_until + holding.lease:.0f} s, which is its time"
        )
        _failed(holding, Failure(cause="deadline", reason=reason, retry=True))
    elif stopped.why is not Why.LOST:
        holding.tell(lambda: store.hand_back(claim))


def _no_space(holding: Holding, error: Exception) -> None:
    log.warning("no space, handed back for a while: %s", error, extra=_about(holding.claim, "unit.no_space"))
    holding.tell(lambda: holding.store.hand_back(holding.claim, rest=REST))


def _note_refused(holding: Holding, refused: Refused) -> None:
    """Put on record which frames cannot be used; one that is only missing may come back."""
    notes = [
        FrameNote(position=place, state=FrameState.REFUSED, reason=str(error))
        for place, error in refused.errors.items()
    ]
    holding.tell(lambda: holding.store.note_frames(holding.claim.job, notes))


@dataclass(frozen=True, kw_only=True)
class Folders:
    """What a job leaves behind on the way to its result; shared with the jobs that it repeats."""

    work: Path
    """Outputs under keys, for all workers."""
    scratch: Path
    """Decoded frames and passing files, on this machine."""

    def remove_bands(self) -> None:
        """Remove rendered bands: of use no longer once the result is published."""
        for entry in self.work.glob("*.band"):
            entry.unlink(missing_ok=True)

    def remove(self) -> None:
        """Remove both."""
        for folder in (self.work, self.scratch):
            shutil.rmtree(folder, ignore_errors=True)


def folders_of(store: Store, places: Places, job: int) -> Folders:
    """Folders of a job's work; raises `NotFound` where it is no longer in the store."""
    root = str(root_of(store, store.job(job)))
    return Folders(work=places.work / root, scratch=places.scratch / root)
