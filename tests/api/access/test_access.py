"""Who is let in: the key, the names of the server, and pages of other sites."""

from __future__ import annotations

import base64
from collections.abc import Callable

import pytest

from nearfar.jobs import Store
from nearfar_api.access.access import host_name
from tests.api.conftest import KEY, Client
from tests.api.making import submit

API = "/api/v1"


def basic(name: str, password: str) -> str:
    return "Basic " + base64.b64encode(f"{name}:{password}".encode()).decode()


@pytest.mark.parametrize(
    ("authorization", "status"),
    [
        (None, 401),
        (f"Bearer {KEY}", 200),
        (f"bearer {KEY}", 200),  # RFC 9110, 11.1: the scheme counts in any case
        (f"Bearer {KEY}x", 401),
        (f"Bearer {KEY[:-1]}", 401),
        ("Bearer ", 401),
        ("Bearer é", 401),
        (basic("mara", KEY), 200),
        (basic("", KEY), 200),
        (basic("mara", "x"), 401),
        ("Basic %%%", 401),
        ("Basic " + base64.b64encode(KEY.encode()).decode(), 401),
        (f"Digest {KEY}", 401),
        (KEY, 401),
    ],
)
def test_with_a_key_only_who_shows_it_is_let_in(
    client_with: Callable[..., Client], authorization: str | None, status: int
) -> None:
    client = client_with(key=KEY)
    headers = {"Authorization": authorization.encode()} if authorization is not None else {}
    for path in (f"{API}/jobs", "/status", "/metrics", "/api/openapi.json", "/vendor/htmx.js"):
        answer = client.get(path, headers=headers)
        assert answer.status_code == status, path
        if status == 401:
            # RFC 9110, 15.5.2: at least one challenge; both schemes are known.
            assert answer.headers["www-authenticate"].startswith("Bearer realm=")
            assert "Basic realm=" in answer.headers["www-authenticate"]


def test_probes_need_no_key_and_learn_no_reasons(client_with: Callable[..., Client], store: Store) -> None:
    client = client_with(key=KEY)
    assert client.get("/health/live").status_code == 200
    client.app.state.context.places.inbox.rmdir()
    plain = client.get("/health/ready")
    assert plain.status_code == 503
    assert [check["name"] for check in plain.json()["checks"] if not check["ok"]] == ["inbox"]
    assert all(check["why"] is None for check in plain.json()["checks"])
    known = client.get("/health/ready", headers={"Authorization": f"Bearer {KEY}"})
    assert next(check["why"] for check in known.json()["checks"] if not check["ok"]).endswith(
        "No such file or directory"
    )


@pytest.mark.parametrize(
    ("host", "status"),
    [
        *(
            ("localhost", 200),
            ("localhost:8765", 200),
            ("127.0.0.1:1", 200),
            ("[::1]:8765", 200),
            ("LocalHost.", 200),
        ),
        *(("merge.test", 200), ("Merge.Test:443", 200), ("other.test", 421), ("localhost.other.test", 421)),
        *(("10.0.0.7", 421), ("", 421), ("localhost@other.test", 421), ("[::1", 421), ("0.0.0.0", 421)),
    ],
)
def test_the_server_answers_to_its_names_alone(
    client_with: Callable[..., Client], store: Store, host: str, status: int
) -> None:
    client = client_with(names=["merge.test"])
    assert client.get(f"{API}/jobs", headers={"Host": host}).status_code == status
    assert client.get("/health/live", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"Origin": "http://localhost"}, 200),
        ({"Origin": "https://merge.test"}, 200),  # a proxy gave the request another Host
        ({"Origin": "http://localhost:3000"}, 403),  # another program of this machine
        ({"Origin": "https://other.test"}, 403),
        ({"Origin": "https://merge.test.other.test"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "same-origin"}, 200),
        ({"Sec-Fetch-Site": "none"}, 200),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
    ],
)
def test_pages_of_other_sites_change_nothing(
    client_with: Callable[..., Client], store: Store, headers: dict[str, str], status: int
) -> None:
    client = client_with(names=["merge.test"])
    submit(store)
    assert client.post(f"{API}/jobs/1/hold", headers=headers).status_code == status
    assert (store.job(1).state == "held") == (status == 200)
    assert client.get(f"{API}/jobs/1", headers=headers).status_code == 200, "looking is another matter"


def test_a_name_is_found_in_a_host_field() -> None:
    assert host_name("Merge.Test.:80") == "merge.test"
    assert host_name("[::1]:80") == "::1"
    assert host_name("a b:x:y") != "a"


def test_behind_a_sub_path_all_addresses_carry_it(client_with: Callable[..., Client], store: Store) -> None:
    client = client_with(path="/merge")
    submit(store)
    for prefix in ("", "/merge"):  # whether the proxy takes it off or not
        assert client.get(f"{prefix}{API}/jobs/1").status_code == 200
        page = client.get(f"{prefix}/status").text
        assert 'href="/merge/static/nearfar.css"' in page
        assert 'href="/merge/api/v1/jobs/1"' in page
        assert 'href="/merge/jobs"' in client.get(f"{prefix}/").text
        problem = client.get(f"{prefix}{API}/jobs/2").json()
        assert problem["type"] == "/merge/api/v1/problems/not-found"
        assert client.get(f"{prefix}/static/nearfar.css").status_code == 200
    assert 'href="/merge/jobs"' in client.get("/merge").text
    assert client.get(f"{API}/jobs/1").json()["links"]["self"] == "/api/v1/jobs/1", "below the root path"
    assert client.get("/merge/api/openapi.json").json()["servers"] == [{"url": "/merge"}]
