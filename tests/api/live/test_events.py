"""A real process over a real connection: events, broken uploads, kills, stopping, what httpx would not send."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from nearfar.jobs import Store, open_store
from nearfar.places import Places, places_of
from tests.api.conftest import settings_for
from tests.api.making import claim, done, field, finish, submit
from tests.api.process import NO_TLS, PATIENCE, Process, running, waited

API = "/api/v1"


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("live") / "data"


@pytest.fixture(scope="module")
def live_places(data: Path) -> Places:
    found = places_of(settings_for(data))
    found.make()
    return found


@pytest.fixture(scope="module")
def live(live_places: Places, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Process]:
    """One process for the tests that leave it running."""
    log = tmp_path_factory.mktemp("log") / "api.log"
    with running(live_places.data, log=log) as process:
        yield process
        assert process.stop() < 5.0 + PATIENCE  # it ends by itself


@pytest.fixture(scope="module")
def live_store(live: Process, live_places: Places) -> Iterator[Store]:
    found = open_store(live_places.store_url)
    yield found
    found.close()


def events_of(lines: Iterator[str], *, until: str) -> list[dict[str, Any]]:
    """Events as a browser reads them, up to the first of a name."""
    found: list[dict[str, Any]] = []
    event: dict[str, Any] = {}
    for line in lines:
        if line:
            name, _, value = line.partition(": ")
            event[name] = value
            continue
        if "event" in event:
            event["data"] = json.loads(event["data"])
            found.append(event)
            if event["event"] == until:
                return found
        event = {}
    return found


def test_a_job_is_followed_to_its_end(live: Process, live_store: Store, live_places: Places) -> None:
    job = submit(live_store)
    with httpx.stream("GET", f"{live.url}{API}/jobs/{job}/events", verify=NO_TLS, timeout=PATIENCE) as answer:
        assert answer.headers["content-type"] == "text/event-stream"
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-accel-buffering"] == "no"
        lines = answer.iter_lines()
        assert [e["event"] for e in events_of(lines, until="progress")] == ["job.submitted", "progress"]
        finish(live_store, live_places, job, name="followed")
        rest = events_of(lines, until="end")
        assert list(lines) == [], "nothing comes after the end"
    names = [event["event"] for event in rest]
    assert [name for name in names if name != "progress"] == ["job.began", "job.done", "end"]
    assert names.index("job.done") < names.index("end")
    assert rest[-1]["data"]["state"] == "done"
    assert rest[-1]["data"]["links"]["picture"]
    assert all("id" not in event for event in rest if event["event"] in {"progress", "end"})


def test_a_listener_goes_on_where_it_was(live: Process, live_store: Store) -> None:
    job = submit(live_store)
    live_store.hold(job, who="lena")
    numbers = [event.id for event in live_store.events(job=job)]
    live_store.cancel(job, who="lena")
    headers = {"Last-Event-ID": str(numbers[0])}
    with httpx.stream(
        "GET", f"{live.url}{API}/jobs/{job}/events", headers=headers, verify=NO_TLS, timeout=PATIENCE
    ) as answer:
        found = events_of(answer.iter_lines(), until="end")
    assert [event["event"] for event in found if event["event"] != "progress"] == [
        "job.held",
        "job.cancelled",
        "end",
    ]
    assert found[0]["id"] == str(numbers[1])


def test_all_jobs_are_followed_from_now_on_or_from_a_number(live: Process, live_store: Store) -> None:
    before = live_store.last_event()
    first = submit(live_store)
    with httpx.stream("GET", f"{live.url}{API}/events", verify=NO_TLS, timeout=PATIENCE) as answer:
        lines = answer.iter_lines()
        assert next(lines).startswith("retry: ")
        second = submit(live_store)
        live_store.cancel(second, who="lena")
        found = events_of(lines, until="job.cancelled")
    assert [(e["event"], e["data"]["job"]) for e in found if "id" in e] == [
        ("job.submitted", second),
        ("job.cancelled", second),
    ]
    with httpx.stream(
        "GET", f"{live.url}{API}/events?after={before}", verify=NO_TLS, timeout=PATIENCE
    ) as answer:
        found = events_of(answer.iter_lines(), until="job.cancelled")
    assert [(e["event"], e["data"]["job"]) for e in found if "id" in e] == [
        ("job.submitted", first),
        ("job.submitted", second),
        ("job.cancelled", second),
    ]
    live_store.cancel(first, who="lena")


def test_forty_listeners_hold_up_nobody(live: Process, live_store: Store) -> None:
    job = submit(live_store)
    with contextlib.ExitStack() as stack:
        answers = [
            stack.enter_context(
                httpx.stream("GET", f"{live.url}{API}/jobs/{job}/events", verify=NO_TLS, timeout=PATIENCE)
            )
            for _ in range(45)  # more than there are threads for handlers
        ]
        streams = [answer.iter_lines() for answer in answers]
        for lines in streams:
            events_of(lines, until="progress")
        assert httpx.get(f"{live.url}{API}/jobs", verify=NO_TLS, timeout=PATIENCE).status_code == 200
        live_store.cancel(job, who="lena")
        for lines in streams:
            assert events_of(lines, until="end")[-1]["data"]["state"] == "cancelled"


def test_a_progress_message_comes_with_every_step(live: Process, live_store: Store) -> None:
    job = submit(live_store)
    with httpx.stream("GET", f"{live.url}{API}/jobs/{job}/events", verify=NO_TLS, timeout=PATIENCE) as answer:
        lines = answer.iter_lines()
        events_of(lines, until="progress")
        unit = claim(live_store)
        live_store.beat(unit, progress=0.5)
        while (found := events_of(lines, until="progress")[-1]["data"])["progress"] == 0:
            pass
        assert 0 < found["progress"] < 1
        assert found["state"] == "running"
        live_store.cancel(job, who="lena")
        live_store.hand_back(unit)
        events_of(lines, until="end")


def raw(process: Process, request: bytes, *, shut: bool = False) -> bytes:
    """What comes back for bytes that no well-behaved client would send."""
    with socket.create_connection(("127.0.0.1", process.port), timeout=PATIENCE) as connection:
        connection.sendall(request)
        if shut:
            connection.shutdown(socket.SHUT_WR)
        answer = b""
        while piece := connection.recv(65536):
            answer += piece
        return answer


@pytest.mark.parametrize(
    "name", ["../secret", "../../data/secret", ".", "..", "..%2f..%2fsecret", "/etc/passwd"]
)
def test_no_spelling_of_a_path_leads_out(
    live: Process, live_store: Store, live_places: Places, name: str
) -> None:
    (live_places.results / "secret").write_bytes(b"a secret")
    if not (live_places.results / "moss").exists():
        done(live_store, live_places)
    job = next(j.id for j in live_store.jobs().jobs if j.result and "/moss/" in j.result)
    for start in (f"{API}/jobs/{job}/files/", "/static/"):
        request = f"GET {start}{name} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
        answer = raw(live, request.encode())
        assert b"a secret" not in answer
        assert b"root:" not in answer
        assert answer.split()[1] in {b"404", b"422", b"405"}, answer


def test_a_client_that_vanishes_leaves_a_part_to_go_on_with(
    live: Process, live_store: Store, live_places: Places
) -> None:
    body = os.urandom(3_000_000)
    frames = [{"name": "01.tif", "size": len(body), "digest": field(body)}]
    job = httpx.post(
        f"{live.url}{API}/jobs", json={"stack": "torn", "upload": frames}, verify=NO_TLS, timeout=PATIENCE
    ).json()["id"]
    path = f"{API}/jobs/{job}/frames/1"
    head = f"PUT {path} HTTP/1.1\r\nHost: localhost\r\nContent-Length: {len(body)}\r\n\r\n"
    with socket.create_connection(("127.0.0.1", live.port)) as connection:
        connection.sendall(head.encode() + body[:2_500_000])
    part = live_places.uploads / str(job) / "1.part"
    # It may still be writing; whoever comes too early is told that someone else sends the frame.
    waited(lambda: part.exists() and part.stat().st_size == 2_500_000)
    assert httpx.get(f"{live.url}{path}", verify=NO_TLS, timeout=PATIENCE).json()["received"] == 2_500_000
    rest = {"Content-Range": f"bytes 2500000-{len(body) - 1}/{len(body)}"}

    def sent() -> bool:
        return (
            httpx.put(
                f"{live.url}{path}", content=body[2_500_000:], headers=rest, verify=NO_TLS, timeout=PATIENCE
            ).status_code
            == 200
        )

    waited(sent)
    assert (live_places.uploads / str(job) / "01.tif").read_bytes() == body
    assert live_store.job(job).state == "waiting"


def test_two_at_once_leave_one_whole_frame(live: Process, live_places: Places) -> None:
    body = os.urandom(4_000_000)
    frames = [{"name": "01.tif", "size": len(body)}, {"name": "02.tif", "size": 1}]
    job = httpx.post(
        f"{live.url}{API}/jobs", json={"stack": "both", "upload": frames}, verify=NO_TLS, timeout=PATIENCE
    ).json()["id"]
    path = f"{live.url}{API}/jobs/{job}/frames/1"
    codes: list[int] = []

    def send() -> None:
        codes.append(httpx.put(path, content=slowly(body), verify=NO_TLS, timeout=PATIENCE).status_code)

    def slowly(data: bytes) -> Iterator[bytes]:
        for k in range(0, len(data), 1_000_000):
            yield data[k : k + 1_000_000]
            time.sleep(0.05)

    threads = [threading.Thread(target=send) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert codes.count(200) == 1
    assert set(codes) == {200, 409}
    assert (live_places.uploads / str(job) / "01.tif").read_bytes() == body


def test_a_large_body_that_is_no_frame_is_refused_before_it_is_sent(live: Process) -> None:
    fields = (
        "Host: localhost\r\nContent-Type: application/json\r\nContent-Length: 99999999\r\nConnection: close"
    )
    answer = raw(live, f"POST {API}/jobs HTTP/1.1\r\n{fields}\r\n\r\n".encode())
    assert answer.startswith(b"HTTP/1.1 413")
    assert b"application/problem+json" in answer


def test_a_log_line_is_one_line_whatever_was_asked(live: Process) -> None:
    raw(live, b"GET /nothing%0A%7Bforged HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
    waited(lambda: "/nothing%0A" in live.log.read_text())
    lines = [json.loads(line) for line in live.log.read_text().splitlines()]
    assert any(line.get("action") == "http.request" and "/nothing%0A" in line["message"] for line in lines)


def test_an_upload_survives_that_the_server_is_killed(tmp_path: Path) -> None:
    body = os.urandom(6_000_000)
    places = places_of(settings_for(tmp_path / "data"))
    with running(places.data, log=tmp_path / "api.log") as process:
        frames = [{"name": "01.tif", "size": len(body), "digest": field(body)}]
        job = httpx.post(
            f"{process.url}{API}/jobs",
            json={"stack": "killed", "upload": frames},
            verify=NO_TLS,
            timeout=PATIENCE,
        ).json()["id"]
        path = f"{process.url}{API}/jobs/{job}/frames/1"
        part = places.uploads / str(job) / "1.part"

        def killing() -> Iterator[bytes]:
            yield body[:4_000_000]
            waited(lambda: part.exists() and part.stat().st_size >= 3_000_000)
            process.kill()
            yield body[4_000_000:]

        with pytest.raises(httpx.TransportError):
            httpx.put(
                path,
                content=killing(),
                headers={"Content-Length": str(len(body))},
                verify=NO_TLS,
                timeout=PATIENCE,
            )
        process.start()  # on the socket that the test still holds, as the supervisor does
        at = httpx.get(path, verify=NO_TLS, timeout=PATIENCE).json()["received"]
        assert 3_000_000 <= at < len(body)
        rest = {"Content-Range": f"bytes {at}-{len(body) - 1}/{len(body)}"}
        assert (
            httpx.put(path, content=body[at:], headers=rest, verify=NO_TLS, timeout=PATIENCE).json()[
                "complete"
            ]
            is True
        )
        assert (places.uploads / str(job) / "01.tif").read_bytes() == body
        assert (
            httpx.get(f"{process.url}{API}/jobs/{job}", verify=NO_TLS, timeout=PATIENCE).json()["state"]
            == "waiting"
        )


def test_it_stops_soon_with_open_event_streams_and_an_upload_under_way(tmp_path: Path) -> None:
    places = places_of(settings_for(tmp_path / "data"))
    with running(places.data, log=tmp_path / "api.log") as process, contextlib.ExitStack() as stack:
        frames = [{"name": "01.tif", "size": 3_000_000}]
        job = httpx.post(
            f"{process.url}{API}/jobs",
            json={"stack": "open", "upload": frames},
            verify=NO_TLS,
            timeout=PATIENCE,
        ).json()["id"]
        answers = [
            stack.enter_context(
                httpx.stream("GET", f"{process.url}{API}/events", verify=NO_TLS, timeout=PATIENCE)
            )
            for _ in range(3)
        ]
        streams = [answer.iter_lines() for answer in answers]  # kept: to let go of one ends its connection
        for lines in streams:
            assert next(lines).startswith("retry")
        connection = stack.enter_context(socket.create_connection(("127.0.0.1", process.port)))
        head = f"PUT {API}/jobs/{job}/frames/1 HTTP/1.1\r\nHost: localhost\r\nContent-Length: 3000000\r\n\r\n"
        connection.sendall(head.encode() + bytes(2_000_000))
        part = places.uploads / str(job) / "1.part"
        waited(lambda: part.exists() and part.stat().st_size > 0)
        took = process.stop()
        for lines in streams:
            assert list(lines)[-1:] in ([], [""]), "the stream ended after whole events, and was not cut off"
        assert process.child is not None
        assert process.child.returncode in {0, -15}, "it left in good order"
        print(f"stopped in {took:.1f} s")
        assert part.stat().st_size == 2_000_000, "what came is there to go on with"
