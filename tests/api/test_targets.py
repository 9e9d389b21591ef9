"""Webhooks over HTTP and on the page: people have their own, whoever runs the server has all, none leads into the house."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import httpx
import pytest
from standardwebhooks.webhooks import Webhook

from nearfar.jobs import Outbox, Role, Store
from nearfar.places import Places
from nearfar.runner.messages.webhooks import new_secret
from nearfar_api.app import create_app
from nearfar_api.targets import MOST
from tests.api.conftest import KEY, Client, Kicks, settings_for
from tests.api.people import Studio, studio

API = "/api/v1/targets"
INSIDE = {"inside": ["127.0.0.0/8"]}


@pytest.fixture
def moss(store: Store, places: Places) -> Studio:
    """A studio that may send to this machine."""
    found = studio(store, places.data, key=KEY)
    chosen = settings_for(places.data, accounts=True, key=KEY)
    chosen = chosen.model_copy(update={"notify": chosen.notify.model_validate(INSIDE)})
    found.client = Client(create_app(chosen, store=store, hinter=Kicks()))
    found.people.add("mara", role=Role.SUBMIT, who="console")
    return found


@pytest.fixture
def receiver() -> Iterator[tuple[str, list[tuple[dict[str, str], bytes]]]]:
    """The address of a program, and what it was told."""
    came: list[tuple[dict[str, str], bytes]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            came.append(({k.lower(): v for k, v in self.headers.items()}, body))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            return

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_address[1]}/told", came
        server.shutdown()


def ask(moss: Studio, method: str, path: str, by: str, **more: Any) -> httpx.Response:
    return moss.client.ask(method, path, headers=moss.session(by), **more)


def test_a_webhook_is_added_tried_seen_and_removed(moss: Studio, receiver: tuple[str, list[Any]]) -> None:
    url, came = receiver
    made = ask(moss, "POST", API, "mara", json={"address": url, "about": ["done"]})
    assert made.status_code == 201, made.text
    target = made.json()
    assert (target["owner"], target["about"], target["address"]) == ("mara", ["done"], url)
    tried = ask(moss, "POST", f"{API}/{target['id']}/try", "mara").json()
    assert tried == {"arrived": True, "answer": "answered 204"}
    ((headers, body),) = came
    told = Webhook(target["secret"]).verify(body, headers)
    assert "mara asked for" in told["data"]["reason"]
    (shown,) = ask(moss, "GET", API, "mara").json()["targets"]
    assert "secret" not in shown
    assert shown["id"] == target["id"]
    assert ask(moss, "DELETE", f"{API}/{target['id']}", "mara").status_code == 204
    assert ask(moss, "GET", API, "mara").json() == {"targets": []}
    actions = [event.action for event in moss.store.events()]
    assert actions.count("notify.added") == actions.count("notify.removed") == 1


def test_others_targets_are_as_if_they_were_not_there_but_for_who_runs_the_server(
    moss: Studio, receiver: tuple[str, list[Any]]
) -> None:
    url, came = receiver
    number = ask(moss, "POST", API, "mara", json={"address": url}).json()["id"]
    assert ask(moss, "GET", API, "owner").json() == {"targets": []}
    for method, path in (("POST", f"{API}/{number}/try"), ("DELETE", f"{API}/{number}")):
        gone = ask(moss, method, path, "owner")
        assert (gone.status_code, gone.json()["type"]) == (404, "/api/v1/problems/not-found")
    assert came == []
    assert ask(moss, "POST", f"/messages/{number}/do", "owner", data={"do": "remove"}).status_code == 404
    for owner in ("mara", "*"):
        refused = ask(moss, "POST", API, "owner", json={"address": url, "owner": owner})
        assert (refused.status_code, refused.json()["needs"]) == (403, "run")
    assert ask(moss, "POST", API, "run", json={"address": url, "owner": "*"}).status_code == 201
    assert [each["owner"] for each in ask(moss, "GET", API, "run").json()["targets"]] == ["mara", "*"]
    assert ask(moss, "DELETE", f"{API}/{number}", "run").status_code == 204
    assert ask(moss, "GET", API, "look").status_code == 403


@pytest.mark.parametrize(
    "address",
    [
        "http://169.254.169.254/latest",
        "http://10.0.0.1/",
        "http://[::1]/",
        "file:///etc/passwd",
        "https://a:b@objects.example/",
    ],
)
def test_an_address_in_the_house_or_none_at_all_is_refused(moss: Studio, store: Store, address: str) -> None:
    refused = ask(moss, "POST", API, "mara", json={"address": address})
    assert (refused.status_code, refused.json()["type"]) == (422, "/api/v1/problems/invalid")
    page = ask(moss, "POST", "/messages", "mara", data={"address": address, "about": "done"})
    assert page.status_code == 422
    assert 'role="alert"' in page.text
    assert Outbox(store).targets() == ()


def test_a_target_that_now_leads_into_the_house_is_not_tried(moss: Studio, store: Store) -> None:
    """It was added when the settings allowed the network."""
    number = (
        Outbox(store)
        .add(
            owner="mara",
            channel="webhook",
            address="http://10.0.0.1/x",
            about=["done"],
            secret=new_secret(),
            who="c",
        )
        .id
    )
    tried = ask(moss, "POST", f"{API}/{number}/try", "mara").json()
    assert tried["arrived"] is False
    assert "not out in the world" in tried["answer"]


def test_one_owner_has_so_many_and_no_more(moss: Studio, receiver: tuple[str, list[Any]]) -> None:
    for _ in range(MOST):
        assert ask(moss, "POST", API, "mara", json={"address": receiver[0]}).status_code == 201
    assert f"{MOST} targets" in ask(moss, "POST", API, "mara", json={"address": receiver[0]}).json()["detail"]


def test_the_page_does_the_same_and_shows_a_secret_once(
    moss: Studio, receiver: tuple[str, list[Any]]
) -> None:
    url, came = receiver
    made = ask(moss, "POST", "/messages", "mara", data={"address": url, "about": ["done", "failed"]})
    assert made.status_code == 200, made.text
    secret = re.search(r"whsec_[A-Za-z0-9+/=]+", made.text)
    assert secret is not None
    page = ask(moss, "GET", "/messages", "mara").text
    assert secret[0] not in page
    assert url in page
    tried = ask(moss, "POST", "/messages/1/do", "mara", data={"do": "try"}).text
    assert "The test message arrived: answered 204" in tried
    Webhook(secret[0]).verify(came[0][1], came[0][0])
    assert "Nobody yet" in ask(moss, "POST", "/messages/1/do", "mara", data={"do": "remove"}).text
    assert ask(moss, "POST", "/messages/1/do", "mara", data={"do": "try"}).status_code == 404


def test_with_the_servers_key_it_is_about_everybody(moss: Studio, receiver: tuple[str, list[Any]]) -> None:
    bearer = {"authorization": f"Bearer {KEY}"}
    made = moss.client.post(API, json={"address": receiver[0]}, headers=bearer).json()
    assert (made["owner"], made["about"]) == ("*", ["done", "failed", "held"])
