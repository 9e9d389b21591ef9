"""How far a job is, as lines and as a bar, and when a command that follows one goes on or gives up."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from nearfar.cli.client.follow import JobProgress, ended, follow, left_behind, standing
from nearfar.cli.client.http import Address, Patience, Server
from nearfar.errors import Interrupted, ServerError

JOB: dict[str, Any] = {
    "id": 7,
    "stack": "moss",
    "state": "running",
    "reason": None,
    "progress": 0.405,
    "stage": "render",
    "left": {"least": 10.0, "most": 30.0},
    "frames": {"total": 40, "used": 38},
}


@pytest.mark.parametrize(
    ("change", "line"),
    [
        ({}, "moss: render, 40 %, 10 s to 30 s left"),
        ({"left": {"least": 9.96, "most": 10.0}}, "moss: render, 40 %, 10 s left"),
        ({"left": None}, "moss: render, 40 %"),
        ({"state": "waiting", "progress": 0.0}, "moss: waiting"),
        ({"state": "held", "reason": "3 of 40 frames are here"}, "moss: held, 40 %, 3 of 40 frames are here"),
    ],
)
def test_where_a_job_is_fits_on_a_line(change: dict[str, Any], line: str) -> None:
    assert standing(JOB | change) == line


@pytest.mark.parametrize(
    ("change", "text", "code"),
    [
        ({"state": "done"}, "job 7 is done: moss, 38 of 40 frames used", 0),
        ({"state": "failed", "reason": "too dark"}, "job 7 (moss) failed: too dark", 4),
        ({"state": "cancelled"}, "job 7 (moss) was cancelled", 130),
    ],
)
def test_each_end_has_its_words_and_its_exit_code(change: dict[str, Any], text: str, code: int) -> None:
    assert ended(JOB | change) == (text, code)


def test_lines_come_where_no_terminal_is_and_only_when_something_changed() -> None:
    stream = io.StringIO()
    with JobProgress(stream) as progress:
        for change in (
            {"state": "waiting", "progress": 0.0},
            {},
            {"progress": 0.6},
            {"state": "done", "progress": 1.0},
        ):
            progress.show(JOB | change)
    lines = stream.getvalue().splitlines()
    assert lines[:3] == ["moss ...", "moss: waiting", "moss: render, 40 %, 10 s to 30 s left"]
    assert lines[3].startswith("moss: done in ")
    assert len(lines) == 4


def test_on_a_terminal_the_bar_is_as_far_as_the_server_says() -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    stream = Terminal()
    progress = JobProgress(stream)
    progress.show(JOB)
    assert progress.state() == "moss: render, 40 %, 10 s to 30 s left"
    assert "moss: render, 40 %" in stream.getvalue()
    progress.show(JOB | {"progress": 0.2})  # it was run again
    assert "20 %" in progress.state()
    progress.finish()


class Server7:
    """A server whose answers are written down: a job, a stream, an error."""

    def __init__(self, *answers: Any) -> None:
        self.answers: Iterator[Any] = iter(answers)
        self.last_ids: list[str | None] = []

    def __call__(self, request: httpx.Request) -> httpx.Response:
        answer = next(self.answers)
        if request.url.path.endswith("/events"):
            self.last_ids.append(request.headers.get("last-event-id"))
        if isinstance(answer, Exception):
            raise answer
        if isinstance(answer, dict):
            return httpx.Response(200, json=answer)
        if isinstance(answer, int):
            return httpx.Response(answer, json={"detail": "no"})
        return httpx.Response(200, content=answer.encode(), headers={"content-type": "text/event-stream"})


def followed(server: Server7, patience: float = 60.0) -> tuple[list[float], dict[str, Any]]:
    seen: list[float] = []
    now = [0.0]

    def sleep(seconds: float) -> None:
        now[0] += seconds

    with Server(Address(url="http://dark.room"), transport=httpx.MockTransport(server)) as client:
        job = follow(
            client,
            7,
            lambda j: seen.append(j["progress"]),
            patience=Patience(patience, sleep, lambda: now[0]),
        )
    return seen, job


def progress(share: float, number: int) -> str:
    job = json.dumps(JOB | {"progress": share})
    return f"id: {number}\nevent: unit.done\ndata: {{}}\n\nevent: progress\ndata: {job}\n\n"


DONE = JOB | {"state": "done", "progress": 1.0}
END = f"event: end\ndata: {json.dumps(DONE)}\n\n"


def test_a_job_is_followed_to_its_end() -> None:
    seen, job = followed(Server7(JOB, progress(0.5, 1) + progress(0.9, 2) + END, DONE))
    assert seen == [0.405, 0.5, 0.9, 1.0]
    assert job["state"] == "done"


def test_after_a_break_it_goes_on_after_the_last_event() -> None:
    server = Server7(
        *(
            JOB,
            progress(0.5, 41),
            httpx.ConnectError("gone"),
            503,
            JOB,
            httpx.ReadError("cut"),
            JOB,
            END,
            DONE,
        )
    )
    _, job = followed(server)
    assert job["state"] == "done"
    assert server.last_ids == [None, "41", "41"]


def test_a_server_that_stays_away_is_given_up_and_one_that_refuses_at_once() -> None:
    with pytest.raises(ServerError, match="no server answers"):
        followed(Server7(JOB, *(httpx.ConnectError("gone") for _ in range(30))), patience=20.0)
    with pytest.raises(ServerError, match="no"):
        followed(Server7(JOB, 404))


def test_leaving_says_that_the_job_goes_on() -> None:
    with pytest.raises(Interrupted, match="job 7 continues"):
        left_behind(7)("Ctrl-C")
