"""What the store offers about mends; `Store` inherits it. Every method is one transaction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from nearfar.jobs.engine import Database
from nearfar.jobs.mends import mends
from nearfar.jobs.mends.records import Mend, MendClaim, Mending


class MendStore:
    """Mends of delivered pictures: first what people do with them, then what the process that carries them out does."""

    database: Database

    def add_mend(self, job: int, annotation: Mapping[str, Any], *, who: str) -> Mend:
        """Put a mend on record, to be carried out.

        Raises
        ------
        NotFound, IllegalTransition
            There is no such job, or it has no picture.
        StoreError
            The picture has as many as it may.
        """
        return self.database.write(lambda tx: mends.add(tx, job, annotation, who=who))

    def undo_mend(self, job: int, number: int, *, who: str) -> Mend:
        """Take a mend back; the row stays. Raises `NotFound`, `IllegalTransition`."""
        return self.database.write(lambda tx: mends.set_undone(tx, job, number, undone=True, who=who))

    def redo_mend(self, job: int, number: int, *, who: str) -> Mend:
        """Put a mend in force again. Raises `NotFound`, `IllegalTransition`."""
        return self.database.write(lambda tx: mends.set_undone(tx, job, number, undone=False, who=who))

    def mends(self, job: int) -> tuple[Mend, ...]:
        """All mends of a job, those undone as well, in the order in which they were made."""
        return self.database.read(lambda tx: mends.of_job(tx, job))

    def mending(self, jobs: Sequence[int]) -> Mapping[int, Mending]:
        """How the mends of each of these jobs stand; for lists."""
        return self.database.read(lambda tx: mends.standings(tx, jobs))

    def mends_wait(self) -> bool:
        """Whether there are mends that could be taken now; only reads, to be asked often."""
        return self.database.read(mends.waiting)

    def claim_mending(self, worker: str) -> MendClaim | None:
        """The job whose mends waited longest, now this worker's."""
        return self.database.write(lambda tx: mends.claim(tx, worker))

    def beat_mending(self, claim: MendClaim) -> None:
        """Renew the lease, every few seconds. Raises `LostClaim`."""
        self.database.write(lambda tx: mends.beat(tx, claim))

    def finish_mending(self, claim: MendClaim, *, detail: Mapping[str, Any], seconds: float) -> None:
        """The picture shows what was wanted when the claim was made. Raises `LostClaim`."""
        self.database.write(lambda tx: mends.finish(tx, claim, detail, seconds))

    def fail_mending(self, claim: MendClaim, *, cause: str, reason: str, retry: bool = True) -> None:
        """It did not work. Raises `LostClaim`."""
        self.database.write(lambda tx: mends.fail(tx, claim, cause=cause, reason=reason, retry=retry))

    def hand_back_mending(self, claim: MendClaim) -> None:
        """Return it unfinished and uncounted. Raises `LostClaim`."""
        self.database.write(lambda tx: mends.hand_back(tx, claim))

    def release_mending(self) -> int:
        """Release all mends that are held; only for a caller who knows that no process works on any."""
        return self.database.write(mends.release)
