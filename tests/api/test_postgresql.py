"""The same application on a PostgreSQL store."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import psycopg
import pytest
import sqlalchemy as sa

from nearfar.jobs import Store, open_store
from nearfar.jobs.model import events as trail
from nearfar.places import places_of
from nearfar_api.app import create_app
from tests.api.conftest import Client, Kicks, settings_for
from tests.api.live.test_events import events_of
from tests.api.making import done, submit
from tests.api.process import NO_TLS, PATIENCE, running, waited
from tests.worker.jobs.postgresql import server

API = "/api/v1"


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    with server("-c", "fsync=off") as found:
        yield found


@pytest.fixture
def shared_store(url: str) -> Iterator[Store]:
    found = open_store(url)
    yield found
    found.close()


def test_jobs_come_in_and_are_told_of(shared_store: Store, tmp_path: Path) -> None:
    settings = settings_for(tmp_path / "data")
    client = Client(create_app(settings, store=shared_store, hinter=Kicks()))
    old = done(shared_store, places_of(settings))
    assert client.get(f"{API}/jobs/{old}/picture").status_code == 200
    body = {"stack": "<b>é\n", "upload": [{"name": "1.tif", "size": 3}]}
    key = {"Idempotency-Key": "k"}
    job = client.post(f"{API}/jobs", json=body, headers=key).json()["id"]
    assert client.post(f"{API}/jobs", json=body, headers=key).json()["id"] == job
    assert client.put(f"{API}/jobs/{job}/frames/1", content=b"abc").json()["complete"] is True
    assert client.get(f"{API}/jobs/{job}").json()["state"] == "waiting"
    for query in (
        "sort=finished",
        "sort=-stack&limit=1",
        "search=%25",
        "owner=%F0%9F%92%8E",
        "state=done&state=held",
    ):
        assert client.get(f"{API}/jobs?{query}").status_code == 200
    for path in ("/metrics", "/status", "/health/ready", f"{API}/trail", f"{API}/server"):
        assert client.get(path).status_code == 200


def test_a_job_is_followed(url: str, shared_store: Store, tmp_path: Path) -> None:
    with running(tmp_path / "data", log=tmp_path / "api.log", store_url=url) as process:
        job = submit(shared_store)
        with httpx.stream(
            "GET", f"{process.url}{API}/jobs/{job}/events", verify=NO_TLS, timeout=PATIENCE
        ) as answer:
            lines = answer.iter_lines()
            events_of(lines, until="progress")
            shared_store.cancel(job, who="lena")
            names = [event["event"] for event in events_of(lines, until="end")]
        # What changed while the listener joined may be told twice.
        assert [name for name in names if name != "progress"] == ["job.cancelled", "end"]
        assert names[-2] == "progress"


def test_a_listener_that_comes_back_gets_what_became_visible_late(
    url: str, shared_store: Store, tmp_path: Path
) -> None:
    with running(tmp_path / "data", log=tmp_path / "api.log", store_url=url) as process:
        address = f"{process.url}{API}/events"
        with shared_store.database.engine.begin() as slow:
            slow.execute(
                trail.insert(),
                {"at": time.time(), "who": "lena", "action": "job.told", "job": None, "detail": {}},
            )
            after = shared_store.last_event()
            job = submit(shared_store)
            with httpx.stream("GET", f"{address}?after={after}", verify=NO_TLS, timeout=PATIENCE) as answer:
                told = events_of(answer.iter_lines(), until="job.submitted")[-1]
            listed = httpx.get(
                f"{process.url}{API}/trail?after={after}", verify=NO_TLS, timeout=PATIENCE
            ).json()
            assert listed == {"events": [], "last": after}, "not yet, so that nobody passes it over"
        with httpx.stream(
            "GET", address, headers={"Last-Event-ID": told["id"]}, verify=NO_TLS, timeout=PATIENCE
        ) as answer:
            shared_store.cancel(job, who="lena")
            found = events_of(answer.iter_lines(), until="job.cancelled")
        assert [e["event"] for e in found if "id" in e] == ["job.told", "job.cancelled"]


def test_a_server_whose_database_comes_later_answers_and_then_works(tmp_path: Path, url: str) -> None:
    # The API opens its store with the first question: until it can, it says so, and goes on by itself.
    away = sa.make_url(url).set(database="not_there_yet").render_as_string(hide_password=False)
    with running(tmp_path / "data", log=tmp_path / "api.log", store_url=away) as process:
        answer = httpx.get(f"{process.url}{API}/jobs", verify=NO_TLS, timeout=PATIENCE)
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
        assert answer.json()["type"] == "/api/v1/problems/store-unreachable"
        assert httpx.get(f"{process.url}/health/ready", verify=NO_TLS, timeout=PATIENCE).status_code == 503

        with psycopg.connect(url, autocommit=True) as connection:
            connection.execute("CREATE DATABASE not_there_yet")

        waited(
            lambda: httpx.get(f"{process.url}{API}/jobs", verify=NO_TLS, timeout=PATIENCE).status_code == 200
        )
