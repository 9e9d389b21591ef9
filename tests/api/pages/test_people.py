"""One's own account and all accounts: what the pages do, what they show once, and to whom."""

from __future__ import annotations

import re

import httpx
import pytest

from nearfar.jobs import Account, Role, Store
from nearfar.places import Places
from tests.api.conftest import KEY
from tests.api.making import submit
from tests.api.people import PASSWORD, Studio, studio

OTHER = "another row of words"


@pytest.fixture
def moss(store: Store, places: Places) -> Studio:
    found = studio(store, places.data, key=KEY)
    found.people.add("mara", role=Role.SUBMIT, password=PASSWORD, who="console")
    return found


def post(moss: Studio, path: str, by: str, **fields: str) -> httpx.Response:
    return moss.client.post(path, data=fields, headers=moss.session(by) | {"accept": "text/html"})


def shown_once(page: httpx.Response) -> str:
    assert page.status_code == 200, page.text
    assert page.headers["cache-control"] == "no-store"
    found = re.search(r'id="made">.*?<code>([^<]+)</code>', page.text, re.DOTALL)
    assert found is not None
    return found[1]


def test_a_key_is_made_shown_once_used_and_revoked(moss: Studio) -> None:
    secret = shown_once(post(moss, "/account/keys", "mara", name="rig <b>", scope="submit", days="30"))
    bearer = {"authorization": f"Bearer {secret}"}
    assert moss.client.get("/api/v1/me", headers=bearer).json()["name"] == "mara (key 1)"
    page = moss.client.get("/account", headers=moss.session("mara")).text
    assert secret not in page
    assert "rig &lt;b&gt;" in page
    assert post(moss, "/account/keys/1/revoke", "submit").status_code == 404, "it is someone else's"
    assert post(moss, "/account/keys/1/revoke", "mara").status_code == 200
    assert moss.client.get("/api/v1/me", headers=bearer).status_code == 401


@pytest.mark.parametrize(
    "fields",
    [
        {"name": "", "scope": "look"},
        {"name": "rig", "scope": "run"},
        {"name": "rig", "scope": "all"},
        {"name": "rig", "scope": "look", "days": "-1"},
        {"name": "rig", "scope": "look", "days": "many"},
    ],
)
def test_a_key_that_will_not_do_is_refused_in_words(moss: Studio, fields: dict[str, str]) -> None:
    page = post(moss, "/account/keys", "mara", **fields)
    assert page.status_code == 422
    assert 'role="alert"' in page.text
    assert moss.people.keys() == ()


def test_a_new_password_takes_the_old_one_and_ends_all_other_sessions(moss: Studio) -> None:
    other = moss.session("mara")
    wrong = post(moss, "/account/password", "mara", old="wrong", new=OTHER, again=OTHER)
    assert (wrong.status_code, "old password is not right" in wrong.text) == (422, True)
    for new, again in ((OTHER, "differs from it"), ("short", "short")):
        assert post(moss, "/account/password", "mara", old=PASSWORD, new=new, again=again).status_code == 422
    assert moss.client.get("/account", headers=other).status_code == 200
    changed = post(moss, "/account/password", "mara", old=PASSWORD, new=OTHER, again=OTHER)
    assert (changed.status_code, changed.headers["location"]) == (303, "/account")
    assert moss.client.get("/api/v1/me", headers=other).status_code == 401
    assert "nearfar-session=" in changed.headers["set-cookie"]
    found = moss.people.try_password("mara", OTHER, source="x", known=False, address="")
    assert isinstance(found, Account)


def test_a_key_cannot_change_the_account_that_it_belongs_to(moss: Studio) -> None:
    bearer = {"authorization": f"Bearer {moss.key(Role.RUN)}"}
    for path in ("/account/keys", "/account/password"):
        answer = moss.client.post(path, data={"name": "x", "scope": "run"}, headers=bearer)
        assert answer.status_code == 403
    assert len(moss.people.keys()) == 1


def test_who_runs_the_server_makes_changes_and_removes_accounts(moss: Studio) -> None:
    password = shown_once(post(moss, "/accounts", "run", name="lena", role="look"))
    assert isinstance(
        moss.people.try_password("lena", password, source="x", known=False, address=""), Account
    )
    assert post(moss, "/accounts/change", "run", name="lena", do="role", role="mend").status_code == 200
    assert moss.people.account("lena").role is Role.MEND
    second = shown_once(post(moss, "/accounts/change", "run", name="lena", do="password"))
    assert second != password
    for act, closed in (("close", True), ("open", False)):
        assert post(moss, "/accounts/change", "run", name="lena", do=act).status_code == 200
        assert moss.people.account("lena").closed is closed
    assert post(moss, "/accounts/change", "run", name="lena", do="remove").status_code == 200
    assert "lena" not in {account.name for account in moss.people.accounts()}
    page = moss.client.get("/accounts", headers=moss.session("run")).text
    assert second not in page
    assert password not in page


def test_nobody_takes_their_own_right_to_run_the_server_away(moss: Studio) -> None:
    for act in ("role", "close", "remove"):
        assert post(moss, "/accounts/change", "run", name="RUN", do=act, role="look").status_code == 422
    assert moss.people.account("run").role is Role.RUN
    assert not moss.people.account("run").closed


@pytest.mark.parametrize(
    ("fields", "status"),
    [
        ({"name": "mara", "role": "look"}, 422),
        ({"name": "<script>", "role": "look"}, 422),
        ({"name": "new", "role": "all"}, 422),
    ],
)
def test_an_account_that_will_not_do_is_refused(moss: Studio, fields: dict[str, str], status: int) -> None:
    page = post(moss, "/accounts", "run", **fields)
    assert page.status_code == status
    assert "<script>" not in page.text


def test_pages_show_only_buttons_that_do_something_for_whoever_looks(moss: Studio, store: Store) -> None:
    submit(store, owner="owner")
    for name, there in (("look", False), ("submit", False), ("owner", True), ("run", True)):
        for path in ("/", "/jobs/1"):
            page = moss.client.get(path, headers=moss.session(name)).text
            assert ('value="cancel"' in page) is there, (name, path)
        page = moss.client.get("/", headers=moss.session(name)).text
        assert ('value="paused"' in page) is (name == "run")
        assert ("Send frames" in page) is (name != "look")
        assert ("/accounts" in page) is (name == "run")
        assert 'href="/account"' in page


def test_a_refusal_is_a_page_for_people(moss: Studio) -> None:
    page = moss.client.get("/accounts", headers=moss.session("look") | {"accept": "text/html"})
    assert page.status_code == 403
    assert "The role does not allow this" in page.text
    assert page.headers["content-type"].startswith("text/html")
