"""The process that holds the pool of workers: ``python -m nearfar.runner.work``.

It takes hints from the broker and passes them on; the work is done by the processes that it forks. It opens no store and
touches no pixel, so that what it forks owns its connections and threads. It does load the code that they run: they
share it (117 MiB at rest with two of them instead of 180), and one that died is replaced within a moment.
"""

from __future__ import annotations

import json
import logging
import mmap
import os
import shutil
import signal
import threading
import time
import warnings
from collections.abc import Callable
from multiprocessing.util import get_temp_dir
from typing import Any, NoReturn

from celery import Celery, bootsteps, signals
from celery.apps.worker import Worker
from celery.platforms import SecurityWarning

from nearfar.jobs import Claim, Store
from nearfar.places import Places, places_of
from nearfar.runner import broker, tasks, units
from nearfar.runner.app import make_app
from nearfar.runner.disk import write_whole
from nearfar.runner.presence import Presence
from nearfar.runner.processes import beats, here, logs
from nearfar.runner.reconcile import end_of
from nearfar.server_settings import ServerSettings, load_server

log = logging.getLogger(__name__)

NICE = 5
"""Merging takes what is left over: pages, and frames that someone looks at, go before it."""
PATIENCE = 8.5
"""Seconds after which this process and its pool end, whatever they are at."""


class Leaving:
    """A flag that this process sets and all processes of its pool see.

    A byte of shared memory: unlike a lock, it cannot be taken along by a process that is killed.
    """

    def __init__(self) -> None:
        self._byte = mmap.mmap(-1, 1)

    def set(self) -> None:
        """Raise it."""
        self._byte[0] = 1

    def __call__(self) -> bool:
        """Whether it is raised."""
        return self._byte[0] == 1


class Pool(Worker):  # type: ignore[misc]
    """Celery's worker, with a way to stop that is ours."""

    leaving: Leaving

    def install_platform_tweaks(self, worker: object) -> None:
        """SIGTERM and SIGINT ask to leave in good order; nothing else is caught."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._leave)

    def _leave(self, *_: object) -> None:
        if not self.leaving():
            self.leaving.set()
            threading.Thread(target=self._end, daemon=True).start()

    def on_close(self) -> None:
        """Where Celery itself gives up: before it closes the pool, let its processes leave."""
        self.leaving.set()
        self._end()

    def _end(self) -> None:
        """End once the processes of the pool have left. There is nothing else to be saved: hints are only hints."""
        pool = self.pool._pool if self.pool is not None else None  # noqa: SLF001 - Celery has no name for it
        if pool is None:  # it has not even begun
            _exit()
        pool._processes = 0  # noqa: SLF001 - those that leave are not replaced
        end = time.monotonic() + PATIENCE
        while any(here.started(one.pid) for one in list(pool._pool)):  # noqa: SLF001
            if time.monotonic() > end:
                log.error(
                    "units do not come to an end; their processes are ended",
                    extra={"action": "worker.killed"},
                )
                break
            time.sleep(0.05)
        _exit()  # what is left in the pool ends with this process


def _exit() -> NoReturn:
    """End at once, but leave no folder behind: the memory that the pool shares has a temporary one."""
    shutil.rmtree(get_temp_dir(), ignore_errors=True)
    os._exit(0)


class NoteEnds(bootsteps.StartStopStep):  # type: ignore[misc]
    """Writes down how processes of the pool ended, for whoever asks why a worker is gone."""

    requires = ("celery.worker.components:Pool",)
    places: Places

    def start(self, worker: Worker) -> None:
        """Listen to the pool."""
        pool = worker.pool._pool  # noqa: SLF001 - as above
        up, down = pool.on_process_up, pool.on_process_down
        names = {process.pid: here.worker_name(process.pid) for process in pool._pool}  # noqa: SLF001

        def came(process: Any) -> None:
            names[process.pid] = here.worker_name(process.pid)
            if up is not None:
                up(process)

        def went(process: Any) -> None:
            note_end(self.places, names.pop(process.pid, ""), process.exitcode)
            if down is not None:
                down(process)

        pool.on_process_up, pool.on_process_down = came, went


def note_end(places: Places, worker: str, code: int | None) -> None:
    """Write down the exit code of a worker's process."""
    file = end_of(places, worker)
    try:
        file.parent.mkdir(exist_ok=True)
        write_whole(file, json.dumps({"code": code}))
    except OSError as error:
        log.warning(
            "how worker %s ended cannot be written down: %s",
            worker,
            error,
            extra={"worker": worker, "action": "worker.end-not-noted"},
        )


def run(settings: ServerSettings, places: Places, perform: tasks.Perform) -> int:
    """Hold the pool, whose processes do units by ``perform``, until this process is told to leave; its exit code."""
    # What root may not do is to read pickles; we read JSON alone.
    warnings.simplefilter("ignore", SecurityWarning)
    leaving = Leaving()
    app = make_app(settings, places)
    tasks.add_task(app)

    parent = os.getpid()

    def begin(**_: Any) -> None:
        tasks.begin(tasks.Lane(settings, places, perform, leaving, parent=parent))

    def ignored(**_: Any) -> None:
        broker.put_aside(places.hints)

    signals.worker_process_init.connect(begin, weak=False)
    for signal_ in (signals.task_unknown, signals.task_rejected):  # messages that are no hints
        signal_.connect(ignored, weak=False)
    return _hold(app, places, leaving)


def _hold(app: Celery, places: Places, leaving: Leaving) -> int:
    NoteEnds.places = places
    app.steps["worker"].add(NoteEnds)
    signals.setup_logging.connect(lambda **_: None, weak=False)  # ours is set up
    # It logs a trace for each process that ended; `reconcile` says why it ended.
    logging.getLogger("celery.worker.request").setLevel(logging.CRITICAL)
    Pool.leaving = leaving
    pool = Pool(
        app=app,
        hostname=f"nearfar@{here.host()}",
        quiet=True,
        without_gossip=True,
        without_mingle=True,
        without_heartbeat=True,
    )
    pool.start()
    return int(pool.exitcode or 0)


def performing(settings: ServerSettings, places: Places) -> tasks.Perform:
    """What does units in a process of the pool."""
    hands = units.Hands(
        places=places,
        memory=settings.worker.slot_memory,
        threads=settings.worker.slot_threads,
        spare_disk=settings.worker.spare_disk,
        end=lambda: os._exit(0),
        presence=Presence(places),
    )

    def perform(store: Store, claim: Claim, leaving: Callable[[], bool]) -> None:
        units.work_on(store, claim, hands, leaving=leaving)

    return perform


def load_ahead() -> None:
    """Load what a deliver unit loads first when it comes to it (50 ms), so that no process of the pool has to."""
    import imagecodecs
    from PIL import Image, ImageDraw, ImageFont  # noqa: F401

    Image.preinit()
    imagecodecs.PNG  # noqa: B018 - loads what codes and reads it


def main() -> int:
    """By the settings of the environment."""
    logs.set_up("work")
    settings = load_server()
    places = places_of(settings)
    places.make_own()
    beats.beat()
    os.nice(NICE)
    load_ahead()
    return run(settings, places, performing(settings, places))


if __name__ == "__main__":
    raise SystemExit(main())
