"""The state of the jobs of stacks, in words for the list of what lies in the watched folders."""

from __future__ import annotations

import logging

from nearfar.errors import NearfarError, NotFound
from nearfar.intake.arrivals import Found
from nearfar.intake.memory import Known
from nearfar.intake.state import Entry, State
from nearfar.jobs import Job, JobState, Store
from nearfar.jobs.elsewhere import with_same_frames
from nearfar.jobs.reading import Reading

log = logging.getLogger(__name__)

WHO = "watch"
HEALED = 5
"""Runs of a job after which it is no longer begun again by itself when its frames are back."""
PAGE = 200
LOST = ("missing", "changed")
"""Causes of failure that say nothing about the same frames in another place."""
OPEN = (JobState.WAITING, JobState.RUNNING, JobState.HELD)


class Standings:
    """Jobs of the store; one is asked for again when the audit trail speaks of it.

    Parameters
    ----------
    healing
        Whether jobs whose frames are back run again.
    """

    def __init__(self, store: Store, *, healing: bool = True) -> None:
        self.store = store
        self._healing = healing
        self._jobs: dict[int, Job | None] = {}
        self._elsewhere: dict[int, Job | None] = {}
        self._reading = Reading(store.last_event())

    def refresh(self) -> None:
        """See which jobs changed. Raises `StoreUnreachable`."""
        if self.store.last_event() == self._reading.last and not self._reading.missing:
            return
        self._elsewhere.clear()
        while events := self.store.events(self._reading.after, limit=PAGE):
            for event in self._reading.take(events):
                self._jobs.pop(event.job or 0, None)
            if len(events) < PAGE:
                return

    def of(self, number: int) -> Job | None:
        """A job; None if it is no longer on record. Raises `StoreUnreachable`."""
        if number not in self._jobs:
            try:
                self._jobs[number] = self.store.job(number)
            except NotFound:
                self._jobs[number] = None
        return self._jobs[number]

    def tell(self, found: Found) -> None:
        """Write into the entry of a stack that was taken how its job stands."""
        known, entry = found.known, found.entry
        if known is None or known.job is None:
            return
        job = self.of(known.job)
        entry.job, entry.seconds = known.job, None
        entry.state, entry.why = _words(known, job)
        notes = [known.told] if known.told else []
        gone = len(known.files) - found.left
        if gone > 0 and not known.moved and found.left:
            notes.append(f"{gone} of its {len(known.files)} files are no longer there")
        if known.trouble and not known.moved:
            notes.append(f"its frames could not be moved: {known.trouble}")
        entry.why = "; ".join([entry.why, *notes])
        if job is not None and not gone and self._healing and not known.duplicate:
            self._heal(job)

    def lost(self, known: Known) -> bool:
        """Whether a stack counts as the same as one whose frames went away or were changed before they were merged."""
        if not known.duplicate or known.job is None:
            return False
        job = self.of(known.job)
        return job is not None and job.state is JobState.FAILED and job.cause in LOST

    def _heal(self, job: Job) -> None:
        """Let a job that missed its frames run again now that all of them are there."""
        if job.state is not JobState.FAILED or job.cause != "missing" or job.run >= HEALED:
            return
        try:
            self.store.run_again(job.id, who=WHO)
        except NearfarError as error:
            log.info(
                "job %d is not run again: %s",
                job.id,
                error,
                extra={"job": job.id, "action": "stack.not-run-again"},
            )
            return
        self._jobs.pop(job.id, None)
        log.info(
            "the frames of job %d are back; it runs again",
            job.id,
            extra={"job": job.id, "action": "stack.back"},
        )

    def away(self, known: Known) -> Found | None:
        """An entry for a stack of which nothing was seen, if it was moved or somebody still waits for it."""
        if known.job is None or known.duplicate:
            return None
        job = self.of(known.job)
        if known.moved and job is not None:
            state, why = _words(known, job)
            entry = Entry(path=known.path, stack=known.stack, state=state, why=why, job=known.job)
            entry.frames = len(known.digests)
            return Found(entry=entry)
        if job is None or (job.state not in OPEN and job.cause != "missing"):
            return None
        entry = Entry(path=known.path, stack=known.stack, state="waiting", why="", job=known.job)
        other = self._merged_elsewhere(job) if job.state is JobState.FAILED else None
        if other is None:
            entry.why = f"its frames are not there; job {job.id} needs them and continues when they are back"
        else:
            entry.state, entry.why = _words_elsewhere(job, other)
        return Found(entry=entry)

    def _merged_elsewhere(self, job: Job) -> Job | None:
        """As `with_same_frames`, asked once."""
        if job.id not in self._elsewhere:
            self._elsewhere[job.id] = with_same_frames(self.store, job)
        return self._elsewhere[job.id]


def _words_elsewhere(job: Job, other: Job) -> tuple[State, str]:
    where = ", ".join(other.sources) or "an upload"
    if other.state is JobState.DONE:
        return (
            "done",
            f"job {job.id} lost its frames; job {other.id} merged them from {where}: {other.result}",
        )
    return (
        "queued",
        f"job {job.id} lost its frames; job {other.id}, which has them from {where}, is {other.state}",
    )


def _words(known: Known, job: Job | None) -> tuple[State, str]:
    number = f"job {known.job}"
    if known.moved:
        return "moved", f"merged by {number}; its frames are in {known.moving}"
    if job is None:
        return "done", f"taken as {number}, which is no longer on record"
    if known.duplicate:
        return "duplicate", f"{number} is {job.state}"
    match job.state:
        case JobState.DONE:
            return "done", f"merged by {number}: {job.result or 'no result on record'}"
        case JobState.WAITING:
            return "queued", f"{number} waits for its turn"
        case JobState.RUNNING:
            return "queued", f"{number} is at work"
        case JobState.HELD:
            return "queued", f"{number} is held: {job.reason or 'by a person'}"
        case JobState.FAILED:
            reason = (job.reason or "").removesuffix(".")
            return "refused", f"{number} failed: {reason}; looked at again when a file changes"
        case JobState.CANCELLED:
            return "refused", f"{number} was cancelled: {job.reason or 'by a person'}"
