"""Refusals as RFC 9457 has them: media type, members, types that explain themselves, and nothing of the inside."""

from __future__ import annotations

import re
import uuid
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest

from nearfar.errors import StoreUnreachable
from nearfar.jobs import Store
from nearfar_api.problems import KINDS
from tests.api.conftest import Client
from tests.api.making import submit

API = "/api/v1"
JSON = {"Content-Type": "application/json"}


def checked(answer: httpx.Response, status: int) -> dict[str, Any]:
    """The problem, by the rules of RFC 9457, sections 3 and 3.1."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    problem: dict[str, Any] = answer.json()
    assert problem["status"] == status, "3.1.2: the same as the response's own"
    for member in ("type", "title", "detail", "instance"):
        assert isinstance(problem[member], str), member
        assert problem[member], member
    assert urlsplit(problem["type"]).geturl() == problem["type"], "3.1.1: a URI reference"
    assert uuid.UUID(problem["instance"]).urn == problem["instance"], "3.1.5: a URI, of this very case"
    for name in problem:
        assert re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", name), "3.2: names of extensions"
    return problem


def test_every_kind_of_refusal_is_a_problem(client: Client, store: Store) -> None:
    submit(store)
    cases: list[tuple[httpx.Response, int, str]] = [
        (client.get("/nothing"), 404, "about:blank"),
        (client.get(f"{API}/jobs/99"), 404, "not-found"),
        (client.ask("DELETE", f"{API}/jobs"), 405, "about:blank"),
        (client.post(f"{API}/jobs", content=b"{", headers=JSON), 400, "malformed"),
        (client.post(f"{API}/jobs", content=b"\xff\xfe", headers=JSON), 400, "malformed"),
        (client.post(f"{API}/jobs", content=b"{}"), 415, "about:blank"),
        (
            client.post(f"{API}/jobs", content=b"a=b", headers={"Content-Type": "text/plain"}),
            415,
            "about:blank",
        ),
        (client.post(f"{API}/jobs", json={}), 422, "invalid"),
        (client.post(f"{API}/jobs", content=b"[" * 100_000, headers=JSON), 400, "malformed"),
        (client.post(f"{API}/jobs", json={"folder": "none"}), 422, "no-such-path"),
        (client.post(f"{API}/jobs", content=b" " * 5_000_000, headers=JSON), 413, "too-large"),
        (client.get(f"{API}/jobs/1", headers={"Host": "example.test"}), 421, "unknown-host"),
        (
            client.post(f"{API}/jobs/1/hold", headers={"Origin": "https://example.test"}),
            403,
            "foreign-origin",
        ),
        (client.get(f"{API}/jobs", params={"limit": "x"}), 422, "invalid"),
    ]
    for answer, status, kind in cases:
        problem = checked(answer, status)
        assert problem["type"] == (kind if kind == "about:blank" else f"/api/v1/problems/{kind}")


def test_without_a_kind_the_title_is_the_phrase_of_the_status(client: Client) -> None:
    # RFC 9457, 4.2.1: with about:blank the title should be the phrase of the status (RFC 9110, 15).
    assert client.get("/nothing").json()["title"] == "Not Found"
    assert client.ask("DELETE", f"{API}/jobs").json()["title"] == "Method Not Allowed"


def test_the_type_of_a_problem_leads_to_what_it_means(client: Client) -> None:
    for name, kind in KINDS.items():
        found = client.get(f"{API}/problems/{name}").json()
        assert found == {"name": name, "status": kind.status, "title": kind.title, "remedy": kind.remedy}
    assert checked(client.get(f"{API}/problems/none"), 404)


def test_each_fault_is_named_by_its_place(client: Client) -> None:
    # As in the second example of RFC 9457, section 3: 'errors' with 'detail' and a JSON pointer (RFC 6901).
    body = {"folder": "a", "settings": {"a/b~c": 1}, "priority": 99}
    errors = checked(client.post(f"{API}/jobs", json=body), 422)["errors"]
    assert {error["pointer"] for error in errors} == {"#/settings/a~1b~0c", "#/priority"}
    errors = checked(client.get(f"{API}/jobs", params={"limit": 0, "sort": "x"}), 422)["errors"]
    assert {(error["in"], error["parameter"]) for error in errors} == {("query", "limit"), ("query", "sort")}
    errors = checked(client.post(f"{API}/jobs", json={"folder": "a", "frames": ["b"]}), 422)["errors"]
    assert errors[0]["detail"] == "give one of folder, frames, objects and upload; found folder and frames"


def test_a_method_that_is_not_possible_comes_with_those_that_are(client: Client) -> None:
    # RFC 9110, 15.5.6: Allow must hold the methods that the target knows, also those of other handlers.
    for path, allowed in {
        f"{API}/jobs": "GET, HEAD, POST",
        f"{API}/jobs/1": "GET, HEAD, PATCH",
        f"{API}/jobs/1/frames/1": "GET, HEAD, PUT",
        f"{API}/server": "GET, HEAD, PUT",
        "/health/live": "GET, HEAD",
    }.items():
        answer = client.ask("DELETE", path)
        assert answer.headers.get_list("allow") == [allowed], path


def test_a_mistake_tells_its_number_and_nothing_else(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a secret from the inside")

    monkeypatch.setattr(Store, "job", broken)
    problem = checked(client.get(f"{API}/jobs/1"), 500)
    assert "secret" not in str(problem)
    number = problem["instance"].removeprefix("urn:uuid:")
    logged = [record for record in caplog.records if getattr(record, "action", "") == "http.mistake"]
    assert number in logged[0].getMessage()
    assert logged[0].exc_info is not None


def test_a_store_whose_disk_is_full_says_so(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = submit(store)

    def full(*_: object) -> None:
        raise StoreUnreachable(
            "job store sqlite:////data/store.sqlite does not answer: database or disk is full"
        )

    monkeypatch.setattr(store.database, "write", full)
    problem = checked(client.ask("POST", f"{API}/jobs/{job}/hold"), 503)
    assert problem["detail"] == "The job store takes nothing: its disk is full. Make room there."


def test_a_store_that_does_not_answer_is_told_and_recovers(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    submit(store)
    real = store.database.read

    def away(*_: object) -> None:
        raise StoreUnreachable("job store postgresql://studio@db/jobs does not answer")

    monkeypatch.setattr(store.database, "read", away)
    monkeypatch.setattr(store.database, "write", away)
    for method, path in (
        ("GET", ""),
        ("GET", "/1"),
        ("GET", "/1/events"),
        ("POST", "/1/cancel"),
        ("GET", "/1/picture"),
    ):
        answer = client.ask(method, f"{API}/jobs{path}")
        problem = checked(answer, 503)
        assert answer.headers["retry-after"] == "5"
        assert "db" not in problem["detail"], "addresses of the inside stay there"
    assert client.get("/health/live").status_code == 200
    assert client.get("/health/ready").status_code == 503
    assert client.get("/status").status_code == 503
    assert "nearfar_store_up 0.0" in client.get("/metrics").text
    monkeypatch.undo()
    assert store.database.read == real
    assert client.get(f"{API}/jobs/1").status_code == 200


def test_every_answer_carries_what_keeps_pages_safe(client: Client) -> None:
    for path in ("/status", f"{API}/jobs", "/nothing", "/static/nearfar.css", "/metrics"):
        headers = client.get(path).headers
        assert headers["x-content-type-options"] == "nosniff"
        assert "default-src 'self'" in headers["content-security-policy"]
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["referrer-policy"] == "same-origin"
        assert headers["x-request-id"]
