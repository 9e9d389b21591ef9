"""Follows a job to its end: its progress as a bar on a terminal, as plain lines elsewhere."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any, TextIO

import httpx

from nearfar.cli.client.events import EventReader
from nearfar.cli.client.http import CONNECT_TIMEOUT, Patience, Server, worth_another_try
from nearfar.errors import Interrupted, ServerError
from nearfar.progress import Progress, format_seconds

ENDED = {"done": 0, "failed": 4, "cancelled": 130}
"""States in which a job has ended, and the exit code of a command that followed it there."""
SILENCE = 50.0
"""Seconds without a sign of life (the server gives one every 15) after which a connection counts as dead."""


def follow(
    server: Server,
    number: int,
    show: Callable[[Mapping[str, Any]], None],
    *,
    note: Callable[[str], None] = lambda _: None,
    patience: Patience | None = None,
) -> dict[str, Any]:
    """Call ``show`` with the job now and at every change until it has ended; the job as it is then.

    A connection that breaks is made again, and continues after the last event that came.

    Raises
    ------
    ServerError
        The server refuses, or stays away for too long.
    """
    patience = patience or Patience()
    reader = EventReader()
    while True:
        try:
            job = server.job(number)
            show(job)
            patience.fine()
            if job["state"] in ENDED:
                return job
            if not _one_connection(server, number, reader, show):
                patience.rest(reader.rest or 1.0)
        except ServerError as error:
            if not worth_another_try(error):
                raise
            if patience.lost(error):
                note("the connection is lost; trying again")


def _one_connection(
    server: Server, number: int, reader: EventReader, show: Callable[[Mapping[str, Any]], None]
) -> bool:
    """Show progress until the stream ends; whether the server said that nothing more comes."""
    headers = {"Accept": "text/event-stream", "Cache-Control": "no-store"}
    if reader.last_id:
        headers["Last-Event-ID"] = reader.last_id
    timeout = httpx.Timeout(SILENCE, connect=CONNECT_TIMEOUT)
    with server.stream("GET", f"/jobs/{number}/events", headers=headers, timeout=timeout) as answer:
        for event in reader.read(answer.iter_bytes()):
            if event.name == "progress":
                show(json.loads(event.data))
            elif event.name == "end":
                return True
    return False


class JobProgress(Progress):
    """Shows a job's progress and time left as the server reckons them, not as this process sees them pass."""

    def __init__(self, stream: TextIO | None = None, *, quiet: bool = False) -> None:
        super().__init__(stream, quiet=quiet)
        self._job: Mapping[str, Any] = {}

    def show(self, job: Mapping[str, Any]) -> None:
        """The job as it is now."""
        before, self._job = self._job, job
        if not before:
            self.step(str(job["stack"]), 1.0)
        if job["state"] != before.get("state") and job["state"] not in ENDED:
            self.note(standing(job))
        self.advance(float(job["progress"]) - self._done)

    def state(self) -> str:
        """One line: ``'Drawer 37: render, 40 %, 10 s to 30 s left'``."""
        return standing(self._job) if self._job else super().state()


def standing(job: Mapping[str, Any]) -> str:
    """Where a job is, in a line."""
    parts = [job["stage"] if job["state"] == "running" and job.get("stage") else job["state"]]
    if job["state"] in {"running", "held"}:
        parts.append(f"{int(100 * job['progress'])} %")
    if job.get("left") and job["state"] == "running":
        parts.append(time_left(job["left"]))
    if job.get("reason"):
        parts.append(str(job["reason"]))
    return f"{job['stack']}: {', '.join(parts)}"


def time_left(left: Mapping[str, float]) -> str:
    """``'10 s to 30 s left'``."""
    least, most = format_seconds(left["least"]), format_seconds(left["most"])
    return f"{most} left" if least == most else f"{least} to {most} left"


def ended(job: Mapping[str, Any]) -> tuple[str, int]:
    """What to say of a job that has ended, and the exit code."""
    reason = f": {job['reason']}" if job.get("reason") else ""
    if job["state"] == "done":
        frames = job["frames"]
        told = f"job {job['id']} is done: {job['stack']}, {frames['used']} of {frames['total']} frames used"
        return told + reason.replace(": ", "; ", 1), 0
    return f"job {job['id']} ({job['stack']}) {_ENDINGS[job['state']]}{reason}", ENDED[job["state"]]


_ENDINGS = {"failed": "failed", "cancelled": "was cancelled"}


def left_behind(number: int) -> Callable[[str], None]:
    """What Ctrl-C does to a command that follows a job: it ends, the job continues."""

    def leave(reason: str) -> None:
        raise Interrupted(
            f"stopped by {reason}; job {number} continues. 'nearfar show {number} --follow' looks at it again, "
            f"'nearfar cancel {number}' ends it"
        )

    return leave
