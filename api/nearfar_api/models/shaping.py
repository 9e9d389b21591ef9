"""From records of the store to what goes over the wire."""

from __future__ import annotations

from collections.abc import Container, Sequence
from typing import Any

from nearfar.jobs import (
    Attempt,
    Brief,
    Event,
    Job,
    JobState,
    Mending,
    Transfer,
    Transfers,
    Unit,
    Worker,
    WorkerState,
)
from nearfar.jobs.elsewhere import with_same_frames
from nearfar.jobs.transfers.transfers import Kind
from nearfar.runner.failures import PUT_BACK
from nearfar.settings import format_size
from nearfar_api.context import Context
from nearfar_api.models.answers import (
    AttemptModel,
    CarriedModel,
    EventModel,
    FrameCounts,
    JobLinks,
    JobModel,
    LeftModel,
    MendsModel,
    SubmittedModel,
    UnitModel,
    WorkerModel,
    moment,
)
from nearfar_api.status.remaining import time_left
from nearfar_api.status.waiting import waits_for

BASE = "/api/v1/jobs"
CARRIED = {Kind.FETCH: "fetched_from", Kind.DELIVER: "delivered_to"}
TIMES = ("created", "updated", "started", "finished", "at", "beat")


def job_models(ctx: Context, jobs: Sequence[Job]) -> list[JobModel]:
    """Jobs with all that lists show of them; asks the store once for all."""
    numbers = [job.id for job in jobs]
    briefs, mending = ctx.store.briefs(numbers), ctx.store.mending(numbers)
    carried = Transfers(ctx.store).of_jobs(numbers) if ctx.settings.objects.buckets else {}
    return [_job(ctx, job, briefs[job.id], mending[job.id], carried.get(job.id, ())) for job in jobs]


def job_model(ctx: Context, number: int) -> JobModel:
    """One job; raises `NotFound`."""
    return job_models(ctx, [ctx.store.job(number)])[0]


def submitted_model(ctx: Context, number: int, *, duplicate: bool) -> SubmittedModel:
    """The job that a submission made or found."""
    return SubmittedModel(**dict(job_model(ctx, number)), duplicate=duplicate)


def _job(ctx: Context, job: Job, brief: Brief, mending: Mending, carried: Sequence[Transfer]) -> JobModel:
    plain = {name: getattr(job, name) for name in JobModel.model_fields if hasattr(job, name)}
    left = None
    if job.state is JobState.RUNNING:
        found = time_left(job, pace=ctx.pace(), figures=ctx.figures())
        left = LeftModel(least=round(found.least, 1), most=round(found.most, 1)) if found else None
    shown = {
        "reason": reason_of(ctx, job),
        "settings": dict(job.settings),
        "sources": [words(source) for source in job.sources],
        "stage": brief.stage,
        "waits": waits_for(ctx, job, brief),
        "left": left,
        "frames": _counts(brief),
        "mends": MendsModel(count=mending.count, state=mending.state, reason=mending.reason),
        "fetched_from": None,
        "delivered_to": None,
        **{CARRIED[each.kind]: _carried(each) for each in carried},
        "links": _links(job),
    }
    return JobModel(**_with_moments(plain) | shown)


def reason_of(ctx: Context, job: Job) -> str | None:
    """The reason of a job's state; a frame that is gone need not come back once another job has the same frames."""
    reason = job.reason
    if job.state is not JobState.FAILED or reason is None or not reason.endswith(PUT_BACK):
        return reason
    other = with_same_frames(ctx.store, job)
    if other is None:
        return reason
    how = (
        "merged the same frames"
        if other.state is JobState.DONE
        else f"has the same frames and is {other.state}"
    )
    return f"{reason.removesuffix(PUT_BACK)}; job {other.id} {how}, so nothing need be done"


def _carried(transfer: Transfer) -> CarriedModel:
    plain = {name: getattr(transfer, name) for name in CarriedModel.model_fields}
    return CarriedModel(**plain | {"finished": moment(transfer.finished)})


def _with_moments(plain: dict[str, Any]) -> dict[str, Any]:
    times = {name: value for name, value in plain.items() if name in TIMES and isinstance(value, float | int)}
    return plain | {name: moment(value) for name, value in times.items()}


def _counts(brief: Brief) -> FrameCounts:
    counts = {state.name.lower(): number for state, number in brief.frames.items()}
    return FrameCounts(total=sum(counts.values()), **counts)


def _links(job: Job) -> JobLinks:
    own = f"{BASE}/{job.id}"
    there = job.state is JobState.DONE and job.result is not None
    results = {name: f"{own}/{name}" if there else None for name in ("picture", "report", "preview")}
    return JobLinks(self=own, events=f"{own}/events", frames=f"{own}/frames", files=f"{own}/files", **results)


def unit_model(unit: Unit) -> UnitModel:
    """A unit."""
    plain = {name: getattr(unit, name) for name in UnitModel.model_fields}
    return UnitModel(**_with_moments(plain))


def attempt_model(attempt: Attempt) -> AttemptModel:
    """A line about an attempt."""
    plain = {name: getattr(attempt, name) for name in AttemptModel.model_fields}
    return AttemptModel(**_with_moments(plain))


def event_model(event: Event) -> EventModel:
    """A line of the trail."""
    plain = {name: getattr(event, name) for name in EventModel.model_fields}
    return EventModel(**_with_moments(plain))


def doing(worker: Worker, busy: Container[str]) -> str:
    """A worker's state, in which one that is not among ``busy``, the names of those with a unit, is idle."""
    idle = worker.state is WorkerState.WORKING and worker.id not in busy
    return "idle" if idle else str(worker.state)


def worker_model(worker: Worker, busy: Container[str]) -> WorkerModel:
    """A worker; ``busy``: as in `doing`."""
    plain = {name: getattr(worker, name) for name in WorkerModel.model_fields}
    plain["state"] = doing(worker, busy)
    return WorkerModel(**_with_moments(plain))


def words(text: str) -> str:
    """Text that any reader takes: bytes of a name that are no UTF-8 are shown as their escapes."""
    return text.encode("utf-8", "backslashreplace").decode()


def memory(size: float) -> str:
    """Bytes of memory, whose GB are those of 2**30 bytes, as makers of memory count (JEDEC Standard 100B.01)."""
    return format_size(size).replace("iB", "B")
