"""Stacks that are complete become jobs: each once, whatever is stopped in between.

What was taken is remembered before and after it is given to the store. Where the watch was stopped between the two,
the store is asked for a job of the same set from the same folder.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from nearfar.errors import InputRefused, NearfarError, RecipeRefused, UsageError
from nearfar.intake.answering import answered
from nearfar.intake.arrivals import Arrival, Found
from nearfar.intake.digests import set_digest
from nearfar.intake.inbox import Inbox
from nearfar.intake.memory import Known, Memory, trace
from nearfar.intake.settling import Mark
from nearfar.intake.state import readable
from nearfar.jobs import Duplicates, Job, JobQuery, JobState, Store, Submission
from nearfar.merge import recipe as recipes

log = logging.getLogger(__name__)

WHO = "watch"
MOST = 500
"""Jobs of one set that are looked at."""
GIVEN_UP = (JobState.FAILED, JobState.CANCELLED)
ENDED = (JobState.DONE, *GIVEN_UP)

MakeSubmission = Callable[..., Submission]
"""`planning.submission`."""


class Taker:
    """Makes jobs of arrivals.

    Parameters
    ----------
    owner, recipe
        Of stacks that come without.
    policy
        What to do with a set that was given before.
    submission
        Plans the work.
    """

    def __init__(
        self,
        store: Store,
        memory: Memory,
        *,
        owner: str,
        recipe: str,
        policy: Duplicates,
        submission: MakeSubmission,
    ) -> None:
        self.store = store
        self.memory = memory
        self._owner = owner
        self._recipe = recipe
        self._policy = policy
        self._submission = submission

    def take(self, found: Found) -> Known | None:
        """Make a job of an arrival, or find the one it has; None if its folder asks for what is impossible.

        Raises
        ------
        StoreError, OSError
            Nothing is lost: it is offered again.
        """
        arrival = found.arrival
        if arrival is None:
            return found.known
        try:
            recipe, settings = self._checked(arrival)
            return self._take(arrival, recipe, settings)
        except (InputRefused, UsageError) as error:
            found.entry.state, found.entry.why, found.entry.seconds = "waiting", str(error), None
            return None

    def _take(self, arrival: Arrival, recipe: str, settings: Mapping[str, Any]) -> Known:
        owner = arrival.wishes.owner or self._owner
        digest = set_digest(arrival.contents.digests.values(), recipe=recipe, settings=settings)
        before = self.memory.known.get(arrival.path)
        known = self._known(arrival, digest)
        job, duplicate = self._there_already(arrival, digest, owner, before)
        if job is not None:
            told = self._told_of_same(job, before) if duplicate else before.told if before else None
            return self.memory.keep(replace(known, job=job.id, duplicate=duplicate, told=told))
        self.memory.keep(known)
        submitted = self.store.submit(
            self._submission(
                arrival.stack,
                [Path(path) for path in arrival.contents.frames],
                owner=owner,
                recipe=recipe,
                settings=settings,
                priority=arrival.wishes.priority or 0,
                sources=(readable(arrival.source),),
                digest=digest,
                duplicates=Duplicates.AGAIN,  # decided above, with what is known of this folder
                refused=("input", arrival.refused) if arrival.refused else None,
                faults=arrival.faults,
                aside={Path(path): why for path, why in arrival.aside.items()},
            ),
            who=WHO,
        )
        log.info(
            "%s became job %d",
            readable(arrival.path),
            submitted.job,
            extra={"action": "stack.taken", "job": submitted.job},
        )
        self._call_off(arrival, digest, owner, submitted.job)
        told = self._told_of_growth(submitted.job, arrival, before)
        return self.memory.keep(replace(known, job=submitted.job, told=told))

    def _checked(self, arrival: Arrival) -> tuple[str, dict[str, Any]]:
        """Recipe and settings that were asked for. Raises `InputRefused`."""
        name, reference = arrival.wishes.recipe or self._recipe, arrival.wishes.reference
        try:
            recipes.load(name)
        except RecipeRefused as error:
            raise InputRefused(f"recipe of {arrival.source}: {error}") from error
        if reference is None:
            return name, {}
        names = {Path(path).name for path in arrival.contents.frames}
        if reference not in names:
            raise InputRefused(
                f"{arrival.source}: the reference frame {reference} of its nearfar.toml is not in it; expected the name "
                f"of one of its {len(names)} frames, like {min(names)}"
            )
        return name, {"reference": reference}

    def _known(self, arrival: Arrival, digest: str) -> Known:
        contents = arrival.contents
        return Known(
            path=arrival.path,
            source=arrival.source,
            stack=arrival.stack,
            files={name: trace(mark) for name, mark in arrival.files.items()},
            digest=digest,
            digests={arrival.name(path): digest for path, digest in contents.digests.items()},
            companions=tuple(arrival.name(path) for path in contents.companions),
            wishes=arrival.said.said(),
            loose=arrival.loose,
            refused=arrival.refused is not None,
        )

    def _there_already(
        self, arrival: Arrival, digest: str, owner: str, before: Known | None
    ) -> tuple[Job | None, bool]:
        """The job that this set has, and whether that came from another place or an earlier time."""
        page = self.store.jobs(JobQuery(owner=owner, digest=digest, limit=MOST))
        own = [job for job in page.jobs if readable(arrival.source) in job.sources]
        if own and (before is None or before.job is None or own[0].id > before.job):
            return own[0], False  # the watch was stopped before it could remember that
        if before is not None and before.digest == digest and _all_the_same(arrival, before):
            same = [job for job in page.jobs if job.id == before.job]
            if same:
                return same[0], before.duplicate
        good = [job for job in page.jobs if job.state not in GIVEN_UP]
        if good and self._policy is Duplicates.SKIP and arrival.refused is None:
            there = [job for job in good if not self._frames_left(job)]
            return (there[0], True) if there else (None, False)
        return None, False

    def _frames_left(self, job: Job) -> bool:
        """Whether a job that is still to be done lacks a frame where it expects it: its folder was moved."""
        if job.state not in (JobState.WAITING, JobState.RUNNING):
            return False
        paths = [frame.path for frame in self.store.frames(job.id) if Path(frame.path).is_absolute()]
        # On a share that does not answer frames are not gone.
        return answered(lambda: not all(os.path.lexists(path) for path in paths), False)

    def _call_off(self, arrival: Arrival, digest: str, owner: str, job: int) -> None:
        """End jobs of the same set whose frames were moved to where this one has them."""
        if self._policy is not Duplicates.SKIP:
            return
        try:
            same = self.store.jobs(JobQuery(owner=owner, digest=digest, limit=MOST)).jobs
            left = [other.id for other in same if other.id != job and self._frames_left(other)]
        except NearfarError:  # they end by themselves: as failed
            return
        for other in left:
            self._cancel(other, f"its frames were moved to {readable(arrival.source)}; job {job} merges them")

    def _call_off_replaced(self, arrival: Arrival, before: Known, job: int) -> None:
        """End a job that was not begun yet, if another file has the name of one of its frames: it would merge that."""
        new = [n for n in before.digests if n in arrival.files and not before.has(n, arrival.files[n])]
        if not new or before.job is None:
            return
        try:
            waits = self.store.job(before.job).state is JobState.WAITING
        except NearfarError:
            return
        if waits:
            what = f"{new[0]} was replaced" if len(new) == 1 else f"{len(new)} of its frames were replaced"
            self._cancel(before.job, f"{what} before it began; job {job} has what lies there now")

    def _cancel(self, job: int, reason: str) -> bool:
        """End a job whose work is of no use; it may be done by now. Whether it was ended."""
        try:
            if self.store.job(job).state not in ENDED:
                self.store.cancel(job, who=WHO, reason=reason)
                return True
        except NearfarError as error:
            log.info("job %d continues: %s", job, error, extra={"job": job, "action": "job.goes-on"})
        return False

    def _told_of_same(self, job: Job, before: Known | None) -> str:
        where = ", ".join(job.sources) or "an upload"
        return f"the same frames as job {job.id}, which came from {where}"

    def _told_of_growth(self, job: int, arrival: Arrival, before: Known | None) -> str | None:
        """What is to be said if a set lay here before; work on a part of what is here now is of no use."""
        if before is None or before.job is None or before.path != arrival.path:
            return None
        kept = sum(before.has(name, mark) for name, mark in arrival.files.items())
        more = len(arrival.files) - kept
        if kept < len(before.files) or not more:
            self._call_off_replaced(arrival, before, job)
            return f"other frames than those of job {before.job}, which lay here before"
        count = f"{more} frame{'s' if more > 1 else ''} more than job {before.job} had"
        what = count.replace(f"job {before.job}", "it")
        called_off = self._cancel(before.job, f"{what} arrived; job {job} has all of them")
        if not called_off and not before.duplicate:
            self._outgrow(before.job, more, job)
        return count

    def _outgrow(self, old: int, more: int, job: int) -> None:
        """Say of a job that has ended that its folder has more by now: its picture looks as if it were all."""
        came = f"{more} more {'frame' if more == 1 else 'frames'} came to its folder after it was taken"
        try:
            self.store.outgrow(old, reason=f"{came}; job {job} has all of them", who=WHO)
        except NearfarError as error:
            log.info("job %d: %s", old, error, extra={"job": old, "action": "job.not-told"})


def _all_the_same(arrival: Arrival, before: Known) -> bool:
    """Whether these are the very files that were taken before, and no copies of them that came later."""
    names = [arrival.name(path) for path in arrival.contents.frames]
    return all(before.has(name, arrival.files[name]) for name in names)


def remember_loose(memory: Memory, store: Store, inbox: Inbox) -> None:
    """If nothing is remembered, ask the store which frames of cards were taken together, so that they stay a stack."""
    if not memory.fresh:
        return
    cards = {readable(path): path for path in inbox.cards()}
    page = store.jobs(JobQuery(limit=MOST))
    for job in reversed(page.jobs):
        if len(job.sources) == 1 and job.sources[0] in cards:
            _remember(
                memory, job, cards[job.sources[0]], [Path(frame.path) for frame in store.frames(job.id)]
            )


def _remember(memory: Memory, job: Job, root: str, frames: list[Path]) -> None:
    inside = [path for path in frames if path.is_file() and path.is_relative_to(root)]
    marks = {str(path.relative_to(root)): Mark.of(path.stat()) for path in inside}
    if not marks or job.digest is None:
        return
    memory.keep(
        Known(
            path=str(frames[0]),
            source=root,
            stack=job.stack,
            files={name: trace(mark) for name, mark in marks.items()},
            digest=job.digest,
            loose=True,
            refused=job.state is JobState.FAILED and job.cause == "input",
            job=job.id,
        )
    )
