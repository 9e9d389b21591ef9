"""Perform one unit of a job completely: hold it, do the work, and tell the store how it ended."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping

from nearfar.errors import (
    FrameRefused,
    InputRefused,
    LostClaim,
    NotCovered,
    NotFound,
    StackRefused,
    StoreUnreachable,
)
from nearfar.jobs import Claim, FrameNote, FrameState, Outcome, Store
from nearfar.merge.memory import give_back_heap, keep_heap_small
from nearfar.runner.failures import Failure, in_words, is_full, shut_folder
from nearfar.runner.hands import Hands
from nearfar.runner.holding import Holding, Stopped, Why
from nearfar.runner.loading import NOT_COVERED, Refused
from nearfar.runner.performing import Performance
from nearfar.runner.processes import traces

__all__ = ["Hands", "work_on"]

log = logging.getLogger(__name__)

REST = 10.0
"""Seconds that a unit rests for which there was no space on a disk, or no data folder."""


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
    keep_heap_small()
    log.info("begins", extra=_about(claim, "unit.begin"))
    with traces.unit_span(claim), Holding(store, claim, leaving, hands.end) as holding:
        try:
            _perform(holding, hands)
        except (LostClaim, NotFound) as error:
            log.warning("dropped: %s", error, extra=_about(claim, "unit.lost"))
    give_back_heap()


def _about(claim: Claim, action: str) -> dict[str, object]:
    return {**claim.log_context(), "action": action}


def _perform(holding: Holding, hands: Hands) -> None:
    performance = Performance(holding, hands)
    try:
        outcome = performance.outcome()
        _finished(holding, outcome)
        performance.tidy()
    except Stopped as stopped:
        _stopped(holding, stopped)
    except (StoreUnreachable, LostClaim, NotFound):
        raise
    except Exception as error:  # noqa: BLE001 - put on record
        away = holding.tell(performance.why_away)
        if away is not None:
            _folder_away(holding, away, error)
        else:
            _went_wrong(holding, performance, hands, error)


def _went_wrong(holding: Holding, performance: Performance, hands: Hands, error: Exception) -> None:
    if isinstance(error, Refused):
        _refused(holding, performance, error.errors, error.told())
    elif isinstance(error, NotCovered):
        _set_aside(holding, error)
    elif isinstance(error, FrameRefused):
        _refused(holding, performance, performance.by_place({error.path: error}), error)
    elif isinstance(error, StackRefused):
        _refused(holding, performance, performance.by_place(error.odd), error)
    elif is_full(error):
        _no_space(holding, error)
    elif (shut := shut_folder(error, hands.places.written())) is not None:
        _folder_shut(holding, shut)
    else:
        _failed(holding, performance.failure(error), error)


def _refused(
    holding: Holding, performance: Performance, errors: Mapping[int, FrameRefused | str], told: InputRefused
) -> None:
    """Frames cannot be used: put on record which ones, unless they are only missing or still arriving."""
    failure = performance.failure(told)
    if failure.cause == "input":
        notes = [
            FrameNote(position=place, state=FrameState.REFUSED, reason=str(error))
            for place, error in errors.items()
        ]
        holding.tell(lambda: holding.store.note_frames(holding.claim.job, notes))
    _failed(holding, failure, told)


def _finished(holding: Holding, outcome: Outcome) -> None:
    holding.tell(lambda: holding.store.finish(holding.claim, outcome))
    log.info("done", extra=_about(holding.claim, "unit.done"))


def _failed(holding: Holding, failure: Failure, error: Exception | None = None) -> None:
    about = _about(holding.claim, "unit.failed")
    trace = error if failure.cause == "mistake" else None
    log.log(
        logging.ERROR if trace else logging.WARNING,
        "%s: %s",
        failure.cause,
        failure.reason,
        extra=about,
        exc_info=trace,
    )
    holding.tell(
        lambda: holding.store.fail(
            holding.claim,
            cause=failure.cause,
            reason=failure.reason,
            retry=failure.retry,
            memory=failure.memory,
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


def _set_aside(holding: Holding, error: NotCovered) -> None:
    """The recipe wants a person to look first."""
    found = str(error).partition(": add what is missing")[0]
    reason = f"{found}: release the job to merge what there is, or cancel it and give a stack that has what is missing"
    log.warning("held: %s", reason, extra=_about(holding.claim, "unit.set-aside"))
    holding.tell(lambda: holding.store.set_aside(holding.claim, cause=NOT_COVERED, reason=reason))


def _folder_away(holding: Holding, away: str, error: Exception) -> None:
    """What failed says nothing of the frames: the unit goes back, uncounted."""
    about = _about(holding.claim, "unit.folder-away")
    log.warning("handed back for a while: %s (%s)", away, in_words(error), extra=about)
    holding.tell(lambda: holding.store.hand_back(holding.claim, rest=REST, cause="folder", reason=away))


def _folder_shut(holding: Holding, why: str) -> None:
    """The next try may find it open: the unit goes back, uncounted."""
    log.warning("handed back for a while: %s", why, extra=_about(holding.claim, "unit.folder-shut"))
    holding.tell(lambda: holding.store.hand_back(holding.claim, rest=REST, cause="folder", reason=why))


def _no_space(holding: Holding, error: Exception) -> None:
    log.warning("no space, handed back for a while: %s", error, extra=_about(holding.claim, "unit.no-space"))
    reason = f"there is no space on a disk: {in_words(error)}"
    holding.tell(lambda: holding.store.hand_back(holding.claim, rest=REST, cause="disk", reason=reason))
