"""The job store: the only truth about jobs. It knows no pixels.

`open_store` gives a `Store`, whose methods are all there is to call; the other names here are what goes in and comes
out. Life of a job::

    submit -> waiting -> (first claim) running -> ... -> (last finish) done
                 hold / release   cancel   fail three times -> failed -> run_again

A worker's round::

    claim = store.claim(worker, memory=free, disk=free)        # None: nothing to do
    # a thread with its own rhythm: every second store.wish(claim), every 10 s store.beat(claim, progress=...)
    store.finish(claim, Outcome(result=..., then=[UnitPlan(...)]))   # or fail, or hand_back

If any of these raises `LostClaim`, the work is dropped: nothing of it was kept. Units of later stages come with the
`Outcome` of a unit of an earlier one; whoever finishes last makes the next stage ready. Every process calls `reap` now
and then. Results in files carry `Claim.token` in their names, since a database cannot fence a file.

`People` knows accounts, keys and sessions in the same store.
"""

from __future__ import annotations

from nearfar.jobs.backup import restore
from nearfar.jobs.briefs import Brief
from nearfar.jobs.engine import Rules
from nearfar.jobs.figures import Figures, Pace, TooLarge
from nearfar.jobs.keeping import Forgotten
from nearfar.jobs.listing import JobQuery, Page, Sort
from nearfar.jobs.mends.records import Mend, MendClaim, Mending, MendState
from nearfar.jobs.messages.outbox import Outbox
from nearfar.jobs.people.accounts import Account
from nearfar.jobs.people.keys import Key
from nearfar.jobs.people.people import People
from nearfar.jobs.people.roles import Role
from nearfar.jobs.reap import Reaped
from nearfar.jobs.records import (
    ACCEPTED,
    Attempt,
    Claim,
    Coming,
    Duplicates,
    Event,
    FrameEntry,
    FrameNote,
    Job,
    Owner,
    Submission,
    Submitted,
    Unit,
    UnitPlan,
    Wish,
    Worker,
)
from nearfar.jobs.states import (
    AttemptStep,
    FrameState,
    JobState,
    ServerState,
    UnitKind,
    UnitState,
    WorkerState,
)
from nearfar.jobs.store import Store, open_store
from nearfar.jobs.transfers.transfers import Transfer, Transfers
from nearfar.jobs.work import Outcome

__all__ = [
    "ACCEPTED",
    "Account",
    "Attempt",
    "AttemptStep",
    "Brief",
    "Claim",
    "Coming",
    "Duplicates",
    "Event",
    "Figures",
    "Forgotten",
    "FrameEntry",
    "FrameNote",
    "FrameState",
    "Job",
    "JobQuery",
    "JobState",
    "Key",
    "Mend",
    "MendClaim",
    "MendState",
    "Mending",
    "Outbox",
    "Outcome",
    "Owner",
    "Pace",
    "Page",
    "People",
    "Reaped",
    "Role",
    "Rules",
    "ServerState",
    "Sort",
    "Store",
    "Submission",
    "Submitted",
    "TooLarge",
    "Transfer",
    "Transfers",
    "Unit",
    "UnitKind",
    "UnitPlan",
    "UnitState",
    "Wish",
    "Worker",
    "WorkerState",
    "open_store",
    "restore",
]
