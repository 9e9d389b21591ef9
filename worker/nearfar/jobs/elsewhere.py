"""Whether another job has the frames that a job lost: whoever looks at the first one need not put anything back then."""

from __future__ import annotations

from nearfar.jobs.listing import JobQuery
from nearfar.jobs.records import Job
from nearfar.jobs.states import JobState
from nearfar.jobs.store import Store

LOOKED_AT = 50
"""Jobs of one set of frames that are looked at, newest first."""
GOOD = (JobState.DONE, JobState.RUNNING, JobState.WAITING, JobState.HELD)
"""States of another job in which it counts, the best one first."""


def with_same_frames(store: Store, job: Job) -> Job | None:
    """The job that has the same set of frames and owner and is done or on its way; None if there is none.

    Raises `StoreError`.
    """
    if job.digest is None:
        return None
    page = store.jobs(JobQuery(owner=job.owner, digest=job.digest, limit=LOOKED_AT)).jobs
    found = {each.state: each for each in reversed(page) if each.id != job.id}
    return next((found[state] for state in GOOD if state in found), None)
