"""The process that carries mends out: ``python -m nearfar.runner.mending.process``.

A person waits at the screen for a mend, while a unit of the merge may take minutes and every worker may have one. So
mends have a small process of their own, with everything loaded, which asks the store several times a second. One
server has one such process, which a lock sees to: what an earlier one held is free again when the next one starts.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from nearfar.errors import Interrupted, LostClaim, StoreError, StoreUnreachable
from nearfar.jobs import MendClaim, Store
from nearfar.places import Places, places_of
from nearfar.runner.failures import failure_of
from nearfar.runner.mending.files import clear_staged
from nearfar.runner.mending.work import MendWork
from nearfar.runner.opening import open_when_there
from nearfar.runner.processes import beats, here, logs
from nearfar.runner.processes.turn import alone, stop_on_signals
from nearfar.server_settings import ServerSettings, load_server

log = logging.getLogger(__name__)

EVERY = 0.1
"""Seconds between two looks for mends that wait."""
BEAT = 5.0
"""Seconds between two signs of life while mends are at work."""
AWAY = 2.0
"""Seconds of rest while the store does not answer."""


class Mender:
    """Takes mends and carries them out, one picture after the other."""

    def __init__(self, settings: ServerSettings, places: Places, store: Store, *, threads: int) -> None:
        self.settings = settings
        self.places = places
        self.store = store
        self.threads = threads
        self.name = here.worker_name()
        self.stop = threading.Event()

    def run(self) -> None:
        """Run until told to stop."""
        self.store.release_mending()
        clear_staged(self.places.results)
        while not self.stop.is_set():
            beats.beat()
            try:
                busy = self.store.mends_wait() and self.turn()
            except StoreUnreachable as error:
                log.warning("%s", error, extra={"action": "mend.store-away"})
                self.stop.wait(AWAY)
            except StoreError as error:
                log.warning("%s", error, extra={"action": "mend.store-failed"})
                self.stop.wait(AWAY)
            else:
                if not busy:
                    self.stop.wait(EVERY)

    def turn(self) -> bool:
        """Take the next picture's mends and carry them out; False if there are none. Raises `StoreError`."""
        claim = self.store.claim_mending(self.name)
        if claim is None:
            return False
        began = time.monotonic()
        frames: tuple[Path, ...] = ()
        try:
            with self._holding(claim) as check:
                work = MendWork(
                    claim, self.store, self.places, self.settings, threads=self.threads, check=check
                )
                frames = work.task.paths
                outcome = work.run()
            seconds = time.monotonic() - began
            self.store.finish_mending(
                claim, detail={**outcome.as_json(), "seconds": round(seconds, 3)}, seconds=seconds
            )
            log.info(
                "job %d: version %d is there, %d of %d tiles made in %.2f s",
                *(claim.job, outcome.version, outcome.made, outcome.tiles, seconds),
                extra={"action": "mend.done", **claim.log_context()},
            )
        except LostClaim as error:
            log.warning("%s", error, extra={"action": "mend.lost", **claim.log_context()})
        except Interrupted:
            self.store.hand_back_mending(claim)
        except StoreUnreachable:
            raise
        except Exception as error:  # noqa: BLE001 - recorded, the next one continues
            self._failed(claim, error, frames)
        return True

    def _failed(self, claim: MendClaim, error: Exception, frames: tuple[Path, ...]) -> None:
        failure = failure_of(error, frames)
        if failure.cause == "mistake":
            log.error(
                "a mistake in Nearfar",
                exc_info=error,
                extra={"action": "mend.mistake", **claim.log_context()},
            )
        log.warning(
            "job %d: mends failed: %s",
            *(claim.job, failure.reason),
            extra={"action": "mend.failed", **claim.log_context()},
        )
        self.store.fail_mending(claim, cause=failure.cause, reason=failure.reason, retry=failure.retry)

    @contextmanager
    def _holding(self, claim: MendClaim) -> Iterator[Callable[[], None]]:
        """Renew the lease from a thread of its own; gives what the work calls often."""
        done, lost = threading.Event(), threading.Event()

        def renew() -> None:
            while not done.wait(BEAT):
                try:
                    self.store.beat_mending(claim)
                except LostClaim:
                    lost.set()
                    return
                except StoreError as error:
                    log.warning("%s", error, extra={"action": "mend.not-renewed", **claim.log_context()})

        def check() -> None:
            beats.beat()
            if lost.is_set():
                raise LostClaim(f"mends of job {claim.job}: somebody else has them now; drop the work")
            if self.stop.is_set():
                raise Interrupted("the server stops")

        thread = threading.Thread(target=renew, name="mend-beat", daemon=True)
        thread.start()
        try:
            yield check
        finally:
            done.set()
            thread.join()


def main() -> int:
    """By the settings of the environment."""
    logs.set_up("mend")
    stop = stop_on_signals()
    settings = load_server()
    places = places_of(settings)
    places.make()
    try:
        store = open_when_there(settings, places, leaving=stop.is_set, waiting=beats.beat)
    except StoreError as error:
        log.error("%s", error, extra={"action": "mend.cannot-start"})
        return error.exit_code
    if store is None:
        return 0
    with alone(places.state / "mending.lock", "mend", stop) as only:
        if only:
            mender = Mender(settings, places, store, threads=settings.worker.threads)
            mender.stop = stop
            mender.run()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
