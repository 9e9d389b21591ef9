"""Every route, asked by everyone: who is let in, and what the others are told."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from typing import Any

import pytest
from fastapi import FastAPI
from starlette.routing import BaseRoute

from nearfar.jobs import Role, Store
from nearfar.places import Places
from nearfar_api.access import rights
from nearfar_api.access.guard import Guard
from nearfar_api.app import create_app
from tests.api.conftest import KEY, Kicks, frames_in, settings_for
from tests.api.every_route import ENTRIES, WORDS, ask, filled, routes
from tests.api.making import finish, keep_card, submit
from tests.api.people import OTHER_PAGE, OWN_PAGE, Studio, studio

DENIED = {"no-key", "no-right", "foreign-origin"}
"""Kinds of problems that the door tells of."""
SAFE = {"GET", "OPTIONS"}
CARD = "9f0c2d7ab1e4c855"

Headers = dict[str, str]
MAKE: dict[str, Callable[[Studio], Headers]] = {
    "anonymous": lambda moss: {},
    "looker": lambda moss: moss.session("look"),
    "another submitter": lambda moss: moss.session("submit"),
    "owner": lambda moss: moss.session("owner"),
    "mender": lambda moss: moss.session("mend"),
    "runner": lambda moss: moss.session("run"),
    "owner's key": lambda moss: bearer(moss.key(Role.SUBMIT, account="owner")),
    "runner's key": lambda moss: bearer(moss.key(Role.RUN)),
    "the server's key": lambda moss: bearer(KEY),
    "expired key": lambda moss: bearer(moss.key(Role.RUN, days=1e-9)),
    "revoked key": lambda moss: bearer(revoked(moss)),
    "closed account": lambda moss: closed(moss),
    "made-up session": lambda moss: {"cookie": "nearfar-session=made-up", **OWN_PAGE},
    "cross-site": lambda moss: moss.session("run") | OTHER_PAGE,
}
"""Callers, by what they send."""
LEVEL = {
    "looker": {"look", "all"},
    "another submitter": {"look", "all", "submit"},
    "owner": {"look", "all", "submit", "own"},
    "owner's key": {"look", "all", "submit", "own"},
    "mender": {"look", "all", "submit", "mend"},
}
"""What they may, besides what is open; whoever is not named here may everything or nothing."""
EVERYTHING = {"runner", "runner's key", "the server's key", "cross-site"}


def bearer(secret: str) -> Headers:
    return {"authorization": f"Bearer {secret}"}


def revoked(moss: Studio) -> str:
    key, secret = moss.people.make_key(account="run", name="rig", scopes=[Role.RUN], days=None, who="run")
    moss.people.revoke_key(key.id, who="run")
    return secret


def closed(moss: Studio) -> Headers:
    if "gone" not in {account.name for account in moss.people.accounts()}:
        moss.people.add("gone", role=Role.RUN, who="console")
        moss.secrets["gone"] = moss.key(Role.RUN, account="gone")
        moss.people.change("gone", closed=True, who="console")
    return bearer(moss.secrets["gone"])


def allowed(caller: str, word: str) -> bool:
    if word == "open" or caller in EVERYTHING:
        return True
    return word in LEVEL.get(caller, set())


def let_in(status: int, kind: str) -> bool:
    """Whether an answer is the route's own; 'damaged' is what it says of a picture that is none."""
    return kind not in DENIED and status not in {0, 401} and (status != 500 or kind == "damaged")


@pytest.fixture
def furnished(store: Store, places: Places) -> Store:
    """A done job of 'owner', another one, and a card."""
    submit(store, owner="owner")
    finish(store, places, 1)
    submit(store, owner="somebody")
    keep_card(places, CARD, frames_in(places.inbox / "card"))
    return store


@pytest.fixture
def moss(furnished: Store, places: Places) -> Studio:
    return studio(furnished, places.data, key=KEY)


def test_every_route_has_a_line_here_and_in_the_table(app: FastAPI) -> None:
    here = {(method, path) for _, method, path in ENTRIES}
    table = {(method, path.replace(":path}", "}")) for method, path in rights.TABLE}
    there = routes(app)
    assert there - here == set(), "new routes need a line in tests/api/every_route.py"
    assert there - table == set(), (
        "new routes need a line in nearfar_api/access/rights.py; until then they take the role run"
    )
    assert here - there == set(), "no longer there"
    assert table - there == set(), "no longer there"
    assert len(here) == len(ENTRIES), "one line each"
    assert {word for word, _, _ in ENTRIES} == set(WORDS)


def test_the_guard_is_the_outermost_of_the_application(app: FastAPI) -> None:
    outermost: Any = app.user_middleware[0].cls
    assert outermost is Guard
    assert not any(type(route).__name__.startswith("WebSocket") for route in _walk(app.routes))


def _walk(found: list[BaseRoute]) -> list[BaseRoute]:
    return [
        inner
        for route in found
        for inner in (
            _walk(route.effective_candidates()) if hasattr(route, "effective_candidates") else [route]
        )
    ]


@pytest.mark.parametrize("caller", MAKE)
def test_in_a_studio_each_caller_gets_what_their_role_lets_them(moss: Studio, caller: str) -> None:
    async def all_of_them() -> list[str]:
        wrong = []
        headers = MAKE[caller](moss)
        for word, method, path in ENTRIES:
            status, kind = await ask(moss.client.app, method, filled(path), headers)
            if path == "/log-out":
                headers = MAKE[caller](moss)
            if caller == "cross-site" and method not in SAFE:
                right = (status, kind) == (403, "foreign-origin")
            elif allowed(caller, word):
                right = let_in(status, kind)
            elif caller in LEVEL:
                right = (status, kind) == (403, "no-right")
            else:
                right = (status, kind) == (401, "no-key")
            if not right:
                wrong.append(f"{method} {path} ({word}): {status} {kind}")
        return wrong

    assert asyncio.run(all_of_them()) == []


@pytest.mark.parametrize(
    "caller", ["anonymous", "looker", "revoked key", "the server's key", "made-up session", "cross-site"]
)
def test_a_free_server_lets_all_of_its_own_machine_in_and_no_other_sites_page(
    moss: Studio, furnished: Store, places: Places, caller: str
) -> None:
    free = create_app(settings_for(places.data), store=furnished, hinter=Kicks())

    async def all_of_them() -> list[str]:
        wrong = []
        headers = MAKE[caller](moss)
        for _, method, path in ENTRIES:
            status, kind = await ask(free, method, filled(path), headers)
            foreign = caller == "cross-site" and method not in SAFE
            if not ((status, kind) == (403, "foreign-origin") if foreign else let_in(status, kind)):
                wrong.append(f"{method} {path}: {status} {kind}")
        return wrong

    assert asyncio.run(all_of_them()) == []


@pytest.mark.parametrize("caller", ["looker", "another submitter", "mender", "owner", "runner"])
def test_where_jobs_are_private_nothing_is_seen_of_someone_elses(
    furnished: Store, places: Places, caller: str
) -> None:
    moss = studio(furnished, places.data, people={"private": True})

    async def all_of_them() -> list[str]:
        wrong = []
        headers = MAKE[caller](moss)
        for word, method, path in ENTRIES:
            named = "{job}" in path or "{identifier}" in path
            if word not in {"look", "all"} or not (named or word == "all"):
                continue
            status, kind = await ask(moss.client.app, method, filled(path), headers)
            if caller == "runner" or (caller == "owner" and word == "look"):
                right = let_in(status, kind)
            elif word == "all":
                right = (status, kind) == (403, "no-right")
            else:
                right = (status, kind) == (404, "not-found")
            if not right:
                wrong.append(f"{method} {path}: {status} {kind}")
        return wrong

    assert asyncio.run(all_of_them()) == []


@pytest.mark.parametrize("number", ["+1", " 1", "1.0", "1e0", "0x1", "1_0", "１", "--1"])
def test_numbers_that_might_be_read_in_two_ways_open_no_door(
    furnished: Store, places: Places, number: str
) -> None:
    moss = studio(furnished, places.data, people={"private": True})
    for method, path in (("GET", f"/api/v1/jobs/{number}"), ("POST", f"/api/v1/jobs/{number}/hold")):
        found = asyncio.run(ask(moss.client.app, method, path, moss.session("submit")))
        assert found == (404, "not-found")


def test_a_second_job_in_an_address_is_looked_at_as_well(furnished: Store, places: Places) -> None:
    moss = studio(furnished, places.data, people={"private": True})
    for path in ("/jobs/1/beside/2", "/jobs/1/picture?other=2", "/jobs/1/picture?other=1&other=2"):
        assert asyncio.run(ask(moss.client.app, "GET", path, moss.session("owner"))) == (404, "not-found"), (
            path
        )


def test_what_is_in_no_table_is_for_the_role_run(moss: Studio) -> None:
    for method, path in (("GET", "/api/v1/nothing"), ("PROPFIND", "/"), ("POST", "/api/v1/jobs/1/mend-all")):
        assert rights.of(method, path).need == rights.STRICTEST
        assert asyncio.run(ask(moss.client.app, method, path, moss.session("mend")))[0] == 403
        assert asyncio.run(ask(moss.client.app, method, path, moss.session("run")))[0] in {404, 405}
        assert asyncio.run(ask(moss.client.app, method, path, {}))[0] == 401


@pytest.mark.parametrize(
    "path",
    [
        "/api/v1/jobs/1/cancel/",
        "//api/v1/jobs",
        "/api/v1/jobs/1/cancel\n",
        "/static/../api/v1/jobs",
        "/log-in/",
    ],
)
def test_no_way_of_writing_an_address_gets_past_the_door(moss: Studio, path: str) -> None:
    status, _ = asyncio.run(ask(moss.client.app, "POST", path, {}))
    assert status in {401, 405}
    if not path.startswith("/static/"):
        assert asyncio.run(ask(moss.client.app, "GET", path, {}))[0] == 401
    else:
        assert asyncio.run(ask(moss.client.app, "GET", path, {}))[0] == 404


def test_refusals_are_in_the_trail_but_not_each_of_many(moss: Studio, store: Store) -> None:
    headers = moss.session("look")
    for _ in range(5):
        assert moss.client.post("/api/v1/jobs/1/hold", headers=headers).status_code == 403
        assert moss.client.get("/api/v1/jobs", headers=bearer("nfk_made-up")).status_code == 401
    told = [event for event in store.events(limit=1000) if event.action in {"right.refused", "key.refused"}]
    assert [(event.action, event.who) for event in told].count(("right.refused", "look")) <= 1
    assert all("made-up" not in str(event.detail) for event in told)
    assert all(re.fullmatch(r"[!-~]*", event.detail["path"]) for event in told)
