"""What goes out over the wire, as the OpenAPI document describes it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from nearfar.jobs import FrameState, JobState, MendState, ServerState, UnitKind, UnitState


def moment(seconds: float | None) -> str | None:
    """Seconds since 1970 as RFC 3339, UTC."""
    if seconds is None:
        return None
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


Moment = Annotated[str, Field(json_schema_extra={"format": "date-time"})]


class _Out(BaseModel):
    model_config = ConfigDict(frozen=True)


class LeftModel(_Out):
    """Seconds that a job still takes, from at best to at worst."""

    least: float
    most: float


class FrameCounts(_Out):
    """How the frames of a job stand."""

    total: int
    expected: int
    """Announced, and not here yet."""
    present: int
    used: int
    left_out: int
    refused: int


class JobLinks(_Out):
    """Addresses below the server's root path; null if there is nothing yet."""

    self: str
    events: str
    frames: str
    files: str
    picture: str | None
    report: str | None
    preview: str | None


class MendsModel(_Out):
    """How the mends of a picture stand."""

    count: int = Field(description="Number of mends in force.")
    state: MendState
    reason: str | None = Field(description="Why they cannot be carried out, if so; a sentence.")


class CarriedModel(_Out):
    """How it stands with what is fetched from, or put to, object storage."""

    place: str = Field(description="`s3://bucket/prefix/`; for a result that was delivered, its folder.")
    state: Literal["waiting", "done", "failed", "dropped"]
    tries: int
    reason: str | None = Field(description="Why the last try failed, if it did; a sentence.")
    finished: Moment | None


class JobModel(_Out):
    """A stack on its way through the server."""

    id: int
    stack: str
    owner: str
    recipe: str
    settings: dict[str, Any]
    priority: int
    state: JobState
    cause: str | None = Field(description="Why it failed, if it did; one word.")
    reason: str | None = Field(
        description="Why it is held, failed or was cancelled, or what came to its folder after it was done; a sentence."
    )
    waits: str | None = Field(description="What it waits for, if it could continue; a sentence.")
    progress: float = Field(ge=0, le=1)
    stage: UnitKind | None = Field(description="The step in work, or the next one.")
    left: LeftModel | None = Field(description="Time remaining, in seconds; null if unknown.")
    run: int
    created: Moment
    updated: Moment
    started: Moment | None
    finished: Moment | None
    sources: list[str]
    again_of: int | None
    frames: FrameCounts
    mends: MendsModel
    fetched_from: CarriedModel | None = Field(description="The bucket that its frames come from, if any.")
    delivered_to: CarriedModel | None = Field(description="The bucket that its result is copied to, if any.")
    links: JobLinks


class SubmittedModel(JobModel):
    """The job that a submission made or found."""

    duplicate: bool = Field(
        description="Whether the job existed already, by the idempotency key or the same set of frames."
    )


class JobList(_Out):
    """A page of jobs."""

    jobs: list[JobModel]
    next: str | None = Field(description="The cursor of the next page; null: this is the last one.")


class FrameModel(_Out):
    """A frame of a job."""

    number: int = Field(ge=1)
    name: str
    size: int | None
    received: int = Field(description="Bytes that have arrived.")
    digest: str | None
    state: FrameState
    reason: str | None


class FrameList(_Out):
    """The frames of a job, in order."""

    frames: list[FrameModel]


class Received(_Out):
    """How much of a frame is here."""

    received: int
    size: int
    complete: bool


class UnitModel(_Out):
    """A piece of a job that one worker does in one go."""

    id: int
    run: int
    kind: UnitKind
    start: int
    stop: int
    weight: float
    state: UnitState
    memory: int
    disk: int
    attempts: int
    worker: str | None
    started: Moment | None
    progress: float
    cause: str | None
    reason: str | None


class UnitList(_Out):
    """The units of a job's present run."""

    units: list[UnitModel]


class AttemptModel(_Out):
    """That an attempt at a unit began, or how it ended."""

    id: int
    unit: int
    step: str
    at: Moment
    worker: str | None
    seconds: float | None
    cause: str | None
    reason: str | None


class AttemptList(_Out):
    """All attempts on record, oldest first."""

    attempts: list[AttemptModel]


class FileLinks(_Out):
    """Where a file is fetched."""

    self: str


class FileModel(_Out):
    """A file of a result."""

    name: str
    size: int
    type: str
    modified: Moment
    links: FileLinks


class FileList(_Out):
    """The files of a result; none before it is there."""

    files: list[FileModel]


class VersionLinks(_Out):
    """Where the files of an earlier version are fetched."""

    picture: str
    report: str
    preview: str


class VersionModel(_Out):
    """A picture as it was delivered before."""

    number: int = Field(ge=1)
    created: Moment
    mends: list[int] = Field(description="Numbers of the mends that the version shows.")
    links: VersionLinks


class VersionList(_Out):
    """Earlier versions that are kept, oldest first; none if the picture was never mended."""

    versions: list[VersionModel]


class EventModel(_Out):
    """A line of the audit trail."""

    id: int
    at: Moment
    who: str
    action: str
    job: int | None
    unit: int | None
    detail: dict[str, Any]


class Trail(_Out):
    """A part of the audit trail, oldest first."""

    events: list[EventModel]
    last: int = Field(description="Number of the last event here; ask with it as 'after' for what follows.")


class WorkerModel(_Out):
    """A process that takes units."""

    id: str
    host: str
    pid: int
    version: str
    slots: int
    memory: int
    disk: int
    state: Literal["idle", "working", "draining", "gone", "lost"] = Field(
        description="'idle': it has no unit; 'draining': it takes no new ones; 'gone': it ended as it should; 'lost': its "
        "heartbeat stopped without a word."
    )
    started: Moment
    beat: Moment


class WorkerList(_Out):
    """Workers on record."""

    workers: list[WorkerModel]


class ServerModel(_Out):
    """The server, and figures about it."""

    state: ServerState
    version: str
    at: Moment
    jobs: dict[JobState, int]
    oldest_waiting: float | None = Field(
        description="How long the oldest waiting job has waited, in seconds."
    )
    units: dict[Literal["ready", "held"], int]
    workers: int
    slots: int
    disk: str | None = Field(description="Why nothing new is accepted, if a disk is short of space.")
    broker: str | None = Field(
        description="Why hints cannot be published; null if they can, as far as is known."
    )


class RecipeModel(_Out):
    """A recipe that comes with the server."""

    name: str
    title: str
    default: bool


class RecipeList(_Out):
    """Recipes that come with the server."""

    recipes: list[RecipeModel]


class InboxEntry(_Out):
    """A stack in a watched folder."""

    model_config = ConfigDict(extra="allow")
    path: str
    stack: str
    state: str
    why: str
    seconds: float | None = None
    frames: int = 0
    expected: int | None = None
    job: int | None = None
    ignored: list[tuple[str, str]] = []
    card: str | None = Field(
        default=None, description="The card's name, for a card and for the stacks on it."
    )


class WatchedModel(_Out):
    """A watched folder."""

    model_config = ConfigDict(extra="allow")
    path: str
    problem: str | None = None


class InboxModel(_Out):
    """What the watched folders hold and why it waits; null as time: nobody watches yet."""

    written: Moment | None
    folders: list[WatchedModel]
    entries: list[InboxEntry]


class ProblemKind(_Out):
    """What a kind of problem means."""

    name: str
    status: int
    title: str
    remedy: str


class Check(_Out):
    """One thing that has to be there."""

    name: str
    ok: bool
    why: str | None = Field(description="Only for callers with the key.")


class Health(_Out):
    """Whether all that is needed is there."""

    ready: bool
    checks: list[Check]
