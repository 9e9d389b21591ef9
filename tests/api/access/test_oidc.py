"""Logging in at a provider of OpenID Connect, which the tests run themselves; what does not hold lets nobody in."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from http.cookies import SimpleCookie
from typing import Any

import httpx
import pytest
from joserfc.jwk import ECKey

from nearfar.errors import NotFound
from nearfar.jobs import Role, Store
from nearfar.places import Places
from tests.api.people import Studio, studio
from tests.api.provider import CLIENT, SECRET, Provider, running


@pytest.fixture
def provider() -> Iterator[Provider]:
    with running() as found:
        yield found


@pytest.fixture
def moss(provider: Provider, store: Store, places: Places) -> Studio:
    return with_newcomers(provider, store, places, "submit")


def with_newcomers(provider: Provider, store: Store, places: Places, role: str) -> Studio:
    people = {"provider": provider.issuer, "client": CLIENT, "secret": SECRET, "newcomers": role}
    return studio(store, places.data, people=people)


def kept(answer: httpx.Response) -> str:
    found = SimpleCookie()
    for line in answer.headers.get_list("set-cookie"):
        found.load(line)
    return "; ".join(f"{name}={morsel.value}" for name, morsel in found.items() if morsel["max-age"] != "0")


def come_back(
    moss: Studio, provider: Provider, *, cookie: str | None = None, after: str = "/jobs"
) -> httpx.Response:
    """Off to the provider and back, as a browser does it."""
    off = moss.client.get(f"/log-in/provider?next={after}")
    assert off.status_code == 303, off.text
    back = provider.authorize(off.headers["location"]).removeprefix("http://localhost")
    return moss.client.get(back, headers={"cookie": kept(off) if cookie is None else cookie})


def who(moss: Studio, answer: httpx.Response) -> Any:
    return moss.client.get("/api/v1/me", headers={"cookie": kept(answer)}).json()


def test_a_newcomer_gets_an_account_once_and_comes_back_as_the_same(moss: Studio, provider: Provider) -> None:
    assert "127.0.0.1" in moss.client.get("/log-in").text, "the form offers it"
    first = come_back(moss, provider)
    assert (first.status_code, first.headers["location"]) == (303, "/jobs")
    assert who(moss, first)["name"] == "lena"
    assert moss.people.account("lena").role is Role.SUBMIT
    provider.claims = {"sub": "7", "preferred_username": "renamed"}
    assert who(moss, come_back(moss, provider))["name"] == "lena"
    moss.people.change("lena", closed=True, who="console")
    assert come_back(moss, provider).status_code == 403


def test_a_name_alone_gives_nobody_an_account_that_is_there(moss: Studio, provider: Provider) -> None:
    provider.claims = {"sub": "8", "preferred_username": "run"}
    answer = come_back(moss, provider)
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers
    assert moss.people.account("run").subject is None


def test_where_no_newcomers_are_taken_only_known_subjects_come_in(
    provider: Provider, store: Store, places: Places
) -> None:
    moss = with_newcomers(provider, store, places, "")
    assert come_back(moss, provider).status_code == 403
    moss.people.change("mend", subject=f"{provider.issuer} 7", who="console")
    assert who(moss, come_back(moss, provider))["role"] == "mend"
    with pytest.raises(NotFound):
        moss.people.account("lena")


def other_key(provider: Provider) -> None:
    provider.signing = ECKey.generate_key("P-256", {"kid": "1"})


WRONG: dict[str, Callable[[Provider], object]] = {
    # OpenID Connect Core 1.0, 3.1.3.7; RFC 8725.
    "issuer": lambda p: p.wrong.update(iss="https://other.test"),
    "audience": lambda p: p.wrong.update(aud="someone else"),
    "several audiences": lambda p: p.wrong.update(aud=[CLIENT, "someone else"]),
    "authorized party": lambda p: p.wrong.update(aud=[CLIENT, "someone else"], azp="someone else"),
    "over": lambda p: p.wrong.update(exp=int(time.time()) - 3600),
    "without an end": lambda p: p.wrong.update(exp=None),
    "nonce": lambda p: p.wrong.update(nonce="of another log-in"),
    "without a nonce": lambda p: p.wrong.update(nonce=None),
    "without a subject": lambda p: p.wrong.update(sub=None),
    "another key": other_key,
    "unsigned": lambda p: p.header.update(alg="none"),
    "symmetric, by the published key": lambda p: p.header.update(alg="HS256"),
    "calls itself otherwise": lambda p: setattr(p, "calls_itself", "https://other.test"),
}


@pytest.mark.parametrize("what", WRONG)
def test_a_token_that_does_not_hold_lets_nobody_in(moss: Studio, provider: Provider, what: str) -> None:
    WRONG[what](provider)
    off = moss.client.get("/log-in/provider")
    if off.status_code == 502:
        assert what == "calls itself otherwise"
        return
    back = provider.authorize(off.headers["location"]).removeprefix("http://localhost")
    answer = moss.client.get(back, headers={"cookie": kept(off)})
    assert answer.status_code == 403
    assert "nearfar-session" not in answer.headers.get("set-cookie", "")
    told = [event for event in moss.store.events(limit=1000) if event.action == "login.refused"]
    assert len(told) == 1


def test_the_answer_has_to_belong_to_this_browsers_log_in(moss: Studio, provider: Provider) -> None:
    assert come_back(moss, provider, cookie="").status_code == 403, "no log-in was begun here"
    assert come_back(moss, provider, cookie="nearfar-flight=e30.made-up").status_code == 403
    other = moss.client.get("/log-in/provider")
    assert come_back(moss, provider, cookie=kept(other)).status_code == 403, "another one was"
    off = moss.client.get("/log-in/provider")
    back = provider.authorize(off.headers["location"]).removeprefix("http://localhost")
    assert moss.client.get(back, headers={"cookie": kept(off)}).status_code == 303
    assert moss.client.get(back, headers={"cookie": kept(off)}).status_code == 403, "a code is good once"
    assert come_back(moss, provider, after="//other.test").headers["location"] == "/"


def test_a_provider_that_does_not_answer_is_told_of(store: Store, places: Places) -> None:
    people = {"provider": "http://127.0.0.1:9", "client": CLIENT, "secret": SECRET}
    moss = studio(store, places.data, people=people)
    answer = moss.client.get("/log-in/provider")
    assert answer.status_code == 502
    assert "cannot be asked" in answer.text
