"""However other programs write a frame, its stack is taken once, and never early: with a real store."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from nearfar.jobs import Store, Submission
from nearfar.places import Places
from nearfar.runner import planning
from nearfar.runner.watching.moving import digest_of
from nearfar.runner.watching.process import Watch, run
from tests.worker.runner.watching.stepped import SCAN, short, wait_for
from tests.worker.runner.watching.writers import QUIET, WRITERS


@contextmanager
def watched(watch: Watch) -> Iterator[None]:
    """While the block runs, the watch does."""
    stop = threading.Event()
    thread = threading.Thread(target=run, args=(watch, stop), kwargs={"scan": SCAN})
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


# Of watchdog: a folder that it sees twice.
@pytest.mark.filterwarnings("ignore:Callback with id:RuntimeWarning")
def test_however_a_frame_is_written_its_stack_is_taken_once_and_never_early(
    tmp_path: Path, places: Places, store: Store
) -> None:
    settings = short(tmp_path / "data", quiet=QUIET, quiet_unseen=QUIET, patience=60.0)
    taken: dict[str, list[str]] = {}

    def noting(stack: str, frames: list[Path], **more: Any) -> Submission:
        taken.setdefault(stack, []).append(" ".join(digest_of(path) for path in frames))
        return planning.submission(stack, frames, **more)

    threads = []
    with watched(Watch(settings, places, store, submission=noting)):
        for writer in WRITERS:
            path = places.inbox / writer.__name__ / "1.tif"
            path.parent.mkdir()
            threads.append(threading.Thread(target=writer, args=(path,)))
            threads[-1].start()
        for thread in threads:
            thread.join()
        wait_for(lambda: len(taken) == len(WRITERS))
        time.sleep(3 * SCAN)
    final = {w.__name__: [digest_of(places.inbox / w.__name__ / "1.tif")] for w in WRITERS}
    assert taken == final
