"""Logging in and out on the pages: sessions, cookies, what a wrong password is told, and who is held up."""

from __future__ import annotations

import re
from http.cookies import SimpleCookie
from urllib.parse import urlencode

import httpx
import pytest

from nearfar.jobs import Role, Store
from nearfar.jobs.people import tables, tries
from nearfar.places import Places
from tests.api.conftest import KEY
from tests.api.making import submit
from tests.api.people import OTHER_PAGE, OWN_PAGE, PASSWORD, Studio, studio

HTML = {"accept": "text/html,*/*"}


@pytest.fixture
def moss(store: Store, places: Places) -> Studio:
    found = studio(store, places.data, key=KEY, names=["merge.test"], proxies=["10.9.0.0/16"])
    found.people.add("mara", role=Role.RUN, password=PASSWORD, who="console")
    return found


def log_in(
    moss: Studio,
    password: str = PASSWORD,
    *,
    name: str = "mara",
    headers: dict[str, str] | None = None,
    **more: str,
) -> httpx.Response:
    return moss.client.post(
        "/log-in", data={"name": name, "password": password, **more}, headers=OWN_PAGE | (headers or {})
    )


def cookies(answer: httpx.Response) -> SimpleCookie:
    found = SimpleCookie()
    for line in answer.headers.get_list("set-cookie"):
        found.load(line)
    return found


def sent(answer: httpx.Response) -> str:
    """What the browser sends from now on."""
    return "; ".join(f"{name}={morsel.value}" for name, morsel in cookies(answer).items())


def test_a_page_sends_strangers_to_log_in_and_back_to_where_they_wanted(moss: Studio) -> None:
    answer = moss.client.get("/jobs?state=done", headers=HTML)
    assert (answer.status_code, answer.headers["location"]) == (303, "/log-in?next=%2Fjobs%3Fstate%3Ddone")
    form = moss.client.get(answer.headers["location"], headers=HTML)
    assert form.status_code == 200
    assert 'name="next" value="/jobs?state=done"' in form.text
    came = log_in(moss, next="/jobs?state=done")
    assert (came.status_code, came.headers["location"]) == (303, "/jobs?state=done")
    page = moss.client.get("/jobs", headers=HTML | {"cookie": sent(came)})
    assert page.status_code == 200
    assert "mara" in page.text
    assert moss.client.get("/api/v1/me", headers={"cookie": sent(came)}).json()["known_by"] == "session"


@pytest.mark.parametrize(
    "after",
    ["//other.test/", "/\\other.test", "https://other.test/", "jobs", "/a\r\nx: y", "/é", "javascript:1"],
)
def test_nobody_is_sent_elsewhere_after_logging_in(moss: Studio, after: str) -> None:
    assert log_in(moss, next=after).headers["location"] == "/"


def test_the_session_is_kept_from_script_and_other_sites(moss: Studio) -> None:
    plain = cookies(log_in(moss))["nearfar-session"]
    # RFC 6265 and its successor draft: HttpOnly and SameSite; Secure only where the browser would send it back.
    assert plain["httponly"]
    assert plain["samesite"].casefold() == "lax"
    assert plain["path"] == "/"
    assert int(plain["max-age"]) == 7 * 86400
    assert not plain["secure"]
    secure = log_in(moss, headers={"origin": "https://merge.test", "host": "merge.test"})
    assert all(morsel["secure"] for morsel in cookies(secure).values())


def test_each_log_in_has_a_token_of_its_own_and_ends_the_one_before(moss: Studio) -> None:
    first = log_in(moss)
    fixed = log_in(moss, headers={"cookie": "nearfar-session=chosen-by-someone-else"})
    assert "chosen-by-someone-else" not in sent(fixed)
    second = log_in(moss, headers={"cookie": sent(first)})
    assert moss.client.get("/jobs", headers={"cookie": sent(first)}).status_code == 401
    assert moss.client.get("/jobs", headers={"cookie": sent(second)}).status_code == 200


def test_logging_out_ends_the_session_here_and_in_the_store(moss: Studio) -> None:
    came = log_in(moss)
    page = {"cookie": sent(came), **OWN_PAGE}
    assert moss.client.post("/log-out", headers=page | OTHER_PAGE).status_code == 403
    gone = moss.client.post("/log-out", headers=page)
    assert (gone.status_code, gone.headers["location"]) == (303, "/log-in")
    assert cookies(gone)["nearfar-session"]["max-age"] == "0"
    assert moss.client.get("/jobs", headers={"cookie": sent(came)}).status_code == 401


def test_a_change_by_session_has_to_come_from_a_page_of_ours(moss: Studio, store: Store) -> None:
    submit(store)
    cookie = {"cookie": sent(log_in(moss))}
    for headers in ({}, OTHER_PAGE, {"origin": "null"}, {"sec-fetch-site": "same-site"}):
        assert moss.client.post("/api/v1/jobs/1/hold", headers=cookie | headers).status_code == 403
        assert (
            moss.client.post("/jobs/1/do", data={"do": "hold"}, headers=cookie | headers).status_code == 403
        )
    assert store.job(1).state == "waiting"
    assert moss.client.post("/jobs/1/do", data={"do": "hold"}, headers=cookie | OWN_PAGE).status_code == 303
    assert store.job(1).state == "held"
    bearer = {"authorization": f"Bearer {moss.key(Role.RUN)}"}
    assert moss.client.post("/api/v1/jobs/1/release", headers=bearer).status_code == 200, (
        "programs send neither"
    )


def test_another_sites_form_logs_nobody_in(moss: Studio) -> None:
    answer = log_in(moss, headers=OTHER_PAGE)
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


def test_a_wrong_password_and_an_unknown_name_are_told_alike(moss: Studio) -> None:
    answers = [
        log_in(moss, "wrong"),
        log_in(moss, "wrong", name="nobody-here"),
        log_in(moss, "", name="look"),
    ]
    texts = {re.sub(r'value="[^"]*"|<time.*?</time>', "", answer.text) for answer in answers}
    assert {answer.status_code for answer in answers} == {403}
    assert len(texts) == 1
    assert all("set-cookie" not in answer.headers for answer in answers)


def test_after_a_few_tries_one_has_to_wait_but_not_in_a_browser_that_was_there_before(moss: Studio) -> None:
    known = sent(log_in(moss))
    assert log_in(moss, "wrong").status_code == 403
    moss.store.database.write(lambda tx: tx.conn.execute(tables.tries.update().values(failed=tries.FREE + 7)))
    held_up = log_in(moss)
    assert held_up.status_code == 429
    assert int(held_up.headers["retry-after"]) > 60, "2 to the power of 7 seconds"
    assert log_in(moss, headers={"cookie": known}).status_code == 303, (
        "the right password from a known browser"
    )
    forged = re.sub(r"nearfar-known=[^.]*", "nearfar-known=e30", known)
    assert log_in(moss, headers={"cookie": forged}).status_code == 429, "its mark cannot be made up"


def test_the_address_is_the_connections_unless_a_proxy_of_ours_says_another(moss: Studio) -> None:
    access = moss.client.app.state.access

    def address(near: str, said: str) -> str:
        headers = [(b"x-forwarded-for", said.encode())]
        return str(access.address({"type": "http", "client": (near, 1), "headers": headers}))

    assert address("192.0.2.7", "198.51.100.1") == "192.0.2.7", "a stranger may say anything"
    assert address("10.9.0.1", "203.0.113.5, 198.51.100.1") == "198.51.100.1", (
        "only the last one is a proxy's word"
    )
    assert address("10.9.0.1", "198.51.100.1, 10.9.0.2") == "198.51.100.1"
    assert address("10.9.0.1", "198.51.100.1, unknown") == "10.9.0.1"
    assert address("10.9.0.1", "rubbish\r\n") == "10.9.0.1"
    assert address("10.9.0.1", "[2001:db8::1]:4711") == "2001:db8::1"


@pytest.mark.parametrize("name", ["ma\0ra", "mara\ud800", "\0", "x" * 5000, "mara\r\nall is well"])
def test_names_that_are_none_are_refused_like_any_other(moss: Studio, name: str) -> None:
    form = urlencode({"name": name.encode("utf-8", "surrogatepass"), "password": "wrong"})
    headers = OWN_PAGE | {"content-type": "application/x-www-form-urlencoded"}
    assert moss.client.post("/log-in", content=form, headers=headers).status_code in {400, 403}
    told = [
        event.detail["account"] for event in moss.store.events(limit=1000) if event.action == "login.refused"
    ]
    assert all(text.isprintable() and len(text) <= 100 for text in told)


def test_without_accounts_nobody_logs_in(client: object, store: Store, places: Places) -> None:
    from tests.api.conftest import Client

    assert isinstance(client, Client)
    for path in ("/log-in", "/account", "/accounts"):
        assert client.get(path).status_code in {403, 404}, path
    assert client.post("/log-in", data={"name": "mara", "password": PASSWORD}).status_code == 404


def test_where_nobody_has_an_account_yet_the_page_says_how_to_make_one(moss: Studio) -> None:
    words = "nearfar account add NAME --role run"
    assert words not in moss.client.get("/log-in", headers=HTML).text
    for account in moss.people.accounts():
        moss.people.remove(account.name, who="console")
    assert words in moss.client.get("/log-in", headers=HTML).text
