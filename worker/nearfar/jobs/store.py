"""The job store as the rest of the program sees it: open it, then ask it. Every method is one transaction.

Nothing here waits for work, knows pixels or sends messages. All methods may be called from any thread; each process
opens the store for itself. Any of them may raise `StoreUnreachable` if the database does not answer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from nearfar.jobs import (
    backup,
    briefs,
    control,
    events,
    figures,
    flags,
    keeping,
    listing,
    owners,
    place,
    schema,
    submit,
    totals,
)
from nearfar.jobs.briefs import Brief
from nearfar.jobs.engine import Database, Rules, dispose, engine_for, parse_url
from nearfar.jobs.figures import Figures, Pace, TooLarge
from nearfar.jobs.keeping import Forgotten
from nearfar.jobs.listing import JobQuery, Page
from nearfar.jobs.mends.store import MendStore
from nearfar.jobs.order import Room
from nearfar.jobs.records import (
    Attempt,
    Event,
    FrameEntry,
    FrameNote,
    Job,
    Owner,
    Submission,
    Submitted,
    Unit,
    UnitPlan,
)
from nearfar.jobs.states import ServerState, UnitKind
from nearfar.jobs.unit_store import UnitStore


def open_store(
    url: str,
    *,
    rules: Rules | None = None,
    clock: Callable[[], float] | None = None,
    host: str | None = None,
) -> Store:
    """Open a store, making it or bringing it to today's form if needed.

    Parameters
    ----------
    url
        ``sqlite:////absolute/path/store.sqlite``, whose folder must exist on a disk of this machine, or
        ``postgresql://user@host/database``.
    rules
        How patient it is; the same in all processes but for ``answer``.
    clock
        Seconds since 1970; for tests. PostgreSQL's own clock if not given, this machine's for SQLite.
    host
        A name for this host; `place.host_id` if not given.

    Raises
    ------
    StoreError
        The address or the folder will not do, another host uses the file, or a newer version made it.
    StoreUnreachable
        The database does not answer.
    """
    parsed = parse_url(url)
    local = parsed.get_backend_name() == "sqlite"
    if local:
        place.refuse_network(place.folder_of(Path(parsed.database or "")))
    engine = engine_for(parsed, rules.answer if rules else None)
    schema.migrate(engine)
    store = Store(Database(engine, rules=rules or Rules(), clock=clock))
    if local:
        store.database.write(lambda tx: flags.keep_host(tx, host or place.host_id()))
    return store


class Store(UnitStore, MendStore):
    """An open job store; made by `open_store`.

    Here is what people and the server do with jobs. `UnitStore` adds what workers do with units, `MendStore` mends.
    """

    def __init__(self, database: Database) -> None:
        self.database = database

    def close(self) -> None:
        """Close this process's connections."""
        dispose(self.database.engine)

    def now(self) -> float:
        """Seconds since 1970 by the store's clock; also shows that it answers."""
        return self.database.read(lambda tx: tx.now)

    def try_writing(self) -> None:
        """Write something small, to show that it takes what it is given: on a full disk it still answers questions."""
        self.database.write(flags.show_writing)

    def submit(self, submission: Submission, *, who: str) -> Submitted:
        """Record a job, or find the one that the same submission or set made before; see `Submission`.

        Raises
        ------
        KeyReused
            The idempotency key came before, with another submission.
        StoreError, UsageError
            The submission contradicts itself.
        """
        return self.database.write(lambda tx: submit.submit(tx, submission, who=who))

    def known(self, *, owner: str, key: str, fingerprint: str) -> int | None:
        """Number of the job that this owner made with an idempotency key and `Submission.fingerprint` before.

        For callers that do not want to build a submission twice; None: there is none. Raises `KeyReused`.
        """
        return self.database.read(lambda tx: submit.by_key(tx, owner=owner, key=key, fingerprint=fingerprint))

    def plan(
        self,
        job: int,
        units: Sequence[UnitPlan],
        *,
        weights: Mapping[str, float] | None = None,
        who: str,
    ) -> None:
        """Give a held or waiting job, that nobody began, its (further) units.

        Raises
        ------
        NotFound, IllegalTransition
        """
        self.database.write(lambda tx: submit.plan(tx, job, units, weights, who=who))

    def begin(
        self, job: int, units: Sequence[UnitPlan], *, weights: Mapping[str, float], hold: str | None, who: str
    ) -> bool:
        """Give a job that was held for lack of units its units, and release it unless there is a reason to hold it.

        Both or nothing; False if it has units already or is no longer held. Raises `NotFound`.
        """
        return self.database.write(lambda tx: control.begin(tx, job, units, weights, hold=hold, who=who))

    def note_frames(self, job: int, notes: Sequence[FrameNote]) -> None:
        """Write what is known of frames, e.g. that one arrived. Workers do this with `finish`. Raises `NotFound`."""
        self.database.write(lambda tx: submit.note_frames(tx, job, notes))

    def run_again(self, job: int, *, who: str) -> None:
        """Let a failed or cancelled job run again from its first units.

        Raises
        ------
        NotFound, IllegalTransition, StoreError
        """
        self.database.write(lambda tx: submit.run_again(tx, job, who=who))

    def submit_again(self, job: int, submission: Submission, *, who: str) -> Submitted:
        """Record a new job linked to an older one: the same frames with another recipe. Raises as `submit`."""
        return self.database.write(lambda tx: submit.submit_again(tx, job, submission, who=who))

    # People and jobs

    def cancel(self, job: int, *, who: str, reason: str | None = None) -> None:
        """End a job. Workers learn it by `wish` or `beat`. Raises `NotFound`, `IllegalTransition`."""
        self.database.write(lambda tx: control.cancel(tx, job, who=who, reason=reason))

    def outgrow(self, job: int, *, reason: str, who: str) -> None:
        """Say of a job that has ended that more of its stack came, and which job has that. Raises `NotFound`."""
        self.database.write(lambda tx: control.outgrow(tx, job, reason=reason, who=who))

    def hold(self, job: int, *, who: str, reason: str | None = None) -> None:
        """Give out no further unit of a job. Raises `NotFound`, `IllegalTransition`."""
        self.database.write(lambda tx: control.hold(tx, job, who=who, reason=reason))

    def release(self, job: int, *, who: str) -> None:
        """Let a held job continue. Raises `NotFound`, `IllegalTransition`; `StoreError` if it has no units."""
        self.database.write(lambda tx: control.release(tx, job, who=who))

    def refuse(self, job: int, *, cause: str, reason: str, who: str) -> None:
        """End a job that turned out not to be workable. Raises `NotFound`, `IllegalTransition`."""
        self.database.write(lambda tx: control.refuse(tx, job, cause=cause, reason=reason, who=who))

    def set_priority(self, job: int, priority: int, *, who: str) -> None:
        """Change a job's place in the order, -9 to 9. Raises `NotFound`, `IllegalTransition`, `UsageError`."""
        self.database.write(lambda tx: submit.set_priority(tx, job, priority, who=who))

    def set_share(self, owner: str, share: float) -> None:
        """Give an owner a larger or smaller part of the server than 1, which everybody has. Raises `UsageError`."""
        self.database.write(lambda tx: owners.set_share(tx, owner, share))

    def owners(self) -> tuple[Owner, ...]:
        """All owners there ever were, by name."""
        return self.database.read(owners.known)

    def server_state(self) -> ServerState:
        """Whether work is given out."""
        return self.database.read(flags.server_state)

    def set_server_state(self, state: ServerState, *, who: str) -> None:
        """Pause, drain or open the server, for all workers of the store."""
        self.database.write(lambda tx: flags.set_server_state(tx, state, who=who))

    # Questions

    def job(self, job: int) -> Job:
        """One job; raises `NotFound`."""
        return self.database.read(lambda tx: listing.get_job(tx, job))

    def frames(self, job: int) -> tuple[FrameEntry, ...]:
        """Its frames, in order."""
        return self.database.read(lambda tx: listing.job_frames(tx, job))

    def units(self, job: int, *, run: int | None = None) -> tuple[Unit, ...]:
        """The units of its present run, or of an earlier one, by stage and range."""
        return self.database.read(lambda tx: listing.job_units(tx, job, run=run))

    def attempts(self, job: int) -> tuple[Attempt, ...]:
        """All that is on record of attempts at its units, oldest first."""
        return self.database.read(lambda tx: listing.job_attempts(tx, job))

    def jobs(self, query: JobQuery | None = None) -> Page:
        """A page of the list of jobs; raises `UsageError`."""
        return self.database.read(lambda tx: listing.list_jobs(tx, query or JobQuery()))

    def waiting(self, *, limit: int, owner: str | None = None) -> tuple[Job, ...]:
        """Jobs that wait, of one owner or of all, in the order of their turns."""
        return self.database.read(lambda tx: listing.by_turn(tx, owner=owner, limit=limit))

    def briefs(self, jobs: Sequence[int]) -> Mapping[int, Brief]:
        """How the frames of each of these jobs stand, and its step at work or next; for lists."""
        return self.database.read(lambda tx: briefs.briefs(tx, jobs))

    def events(
        self, after: int = 0, *, job: int | None = None, limit: int = 200, settled: bool = False
    ) -> tuple[Event, ...]:
        """The audit trail after a number, oldest first.

        Those of one job come in the order of their numbers. Of all jobs together, at PostgreSQL, one may become
        visible a moment after another one with a higher number: `Reading` heeds that; with ``settled`` the list ends
        where one may still come.
        """
        return tuple(
            self.database.read(lambda tx: events.since(tx, after, job=job, limit=limit, settled=settled))
        )

    def last_event(self) -> int:
        """Number of the newest event; 0 if there is none."""
        return self.database.read(events.last)

    def figures(self) -> Figures:
        """Figures about the whole store."""
        return self.database.read(figures.figures)

    def claimable(self, *, memory: int | None = None, disk: int | None = None, limit: int = 64) -> int:
        """How many units could be given out now to a worker with this room, counted up to a limit."""
        room = Room(worker="", memory=memory, disk=disk)
        return self.database.read(lambda tx: figures.claimable(tx, room, limit=limit))

    def free_slots(self) -> tuple[int, int, int]:
        """Units that workers could take besides those they have; the most memory and disk (bytes) one of them has."""
        return self.database.read(figures.free_slots)

    def held_by(self, worker: str) -> tuple[Unit, ...]:
        """The units that a worker has."""
        return self.database.read(lambda tx: figures.held_by(tx, worker))

    def pace(self) -> Mapping[UnitKind, Pace]:
        """How long units took lately, against what was expected: for the time that a job still needs, as a range."""
        return self.database.read(figures.pace)

    def too_large(self) -> tuple[TooLarge, ...]:
        """Ready units that need more room than any living worker has."""
        return self.database.read(figures.too_large)

    def count(self, name: str, amount: float = 1.0) -> None:
        """Add to a sum that `figures` reports under ``counted``, e.g. hints published."""
        self.database.write(lambda tx: totals.add(tx, {("counted", name): amount}))

    # Keeping

    def at_rest(self, job: int) -> bool:
        """Whether nobody works on a job any longer, so that its scratch may go; also True if it is gone."""
        return self.database.read(lambda tx: keeping.at_rest(tx, job))

    def forget(self, *, before: float, who: str) -> tuple[Forgotten, ...]:
        """Remove a batch of jobs that ended before a time; call it until it gives none."""
        return self.database.write(lambda tx: keeping.forget(tx, before=before, who=who))

    def forget_trail(self, *, before: float) -> int:
        """Remove lines of the audit trail, and workers that are gone, from before a time; how many lines."""
        return self.database.write(lambda tx: keeping.forget_trail(tx, before=before))

    def copy(self, target: Path) -> None:
        """Write a copy of an SQLite store to a file, while it is in use. Raises `StoreError`."""
        backup.copy(self.database.engine, target)
