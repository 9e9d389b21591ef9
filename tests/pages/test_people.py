"""Logging in, one's own account and all accounts in a browser, at both widths, with and without script."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from nearfar.jobs import People, Role, open_store
from tests.api.process import Process, running
from tests.pages.browser import WIDTHS, overlapping, too_wide, violations

Open = Callable[..., AbstractContextManager[Any]]
PASSWORD = "lichen slate rain kettle"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Process]:
    """The API alone, with accounts."""
    folder = tmp_path_factory.mktemp("people")
    (folder / "data").mkdir()
    store = open_store(f"sqlite:///{folder / 'data' / 'store.sqlite'}")
    people = People(store)
    people.add("mara", role=Role.RUN, password=PASSWORD, who="console")
    people.add("lena with a rather long name for one account", role=Role.SUBMIT, who="console")
    people.make_key(account="mara", name="copy stand", scopes=[Role.SUBMIT], days=30, who="mara")
    store.close()
    settings = {
        "server_accounts": "true",
        "people_provider": "http://localhost:9",
        "people_client": "nearfar",
        "people_secret": "x",
    }
    with running(folder / "data", log=folder / "log", **settings) as process:
        yield process


def log_in(page: Any, house: Process, after: str = "") -> None:
    page.goto(f"{house.url}/log-in{f'?next={after}' if after else ''}", wait_until="load")
    page.fill("[name=name]", "mara")
    page.fill("[name=password]", PASSWORD)
    with page.expect_navigation():
        page.click("main form button")


def fit(page: Any, shots: Path, name: str, width: int) -> None:
    page.screenshot(path=shots / f"people-{name}-{width}.png", full_page=True)
    assert violations(page) == []
    assert too_wide(page) <= 0
    assert overlapping(page, "main :is(button, a, input, select, h1, h2, label)") == []


@pytest.mark.parametrize("width", WIDTHS)
def test_the_pages_of_people_are_fit_for_every_reader(
    house: Process, open_page: Open, shots: Path, width: int
) -> None:
    with open_page(width=width, color_scheme="light" if width == WIDTHS[0] else "dark") as page:
        page.goto(f"{house.url}/jobs", wait_until="load")
        assert page.url.endswith("/log-in?next=%2Fjobs")
        fit(page, shots, "log-in", width)
        page.told.expected.append("403")
        page.fill("[name=name]", "mara")
        page.fill("[name=password]", "wrong")
        with page.expect_navigation():  # to its end: styles tell what it looks like
            page.click("main form button")
        assert "do not go together" in page.inner_text("[role=alert]")
        fit(page, shots, "wrong", width)
        page.fill("[name=password]", PASSWORD)
        page.click("main form button")
        page.wait_for_url("**/jobs")
        assert "Log in" not in page.inner_text("body")
        for name in ("account", "accounts", "messages"):
            page.goto(f"{house.url}/{name}", wait_until="load")
            fit(page, shots, name, width)
        assert page.evaluate("document.cookie") == "", "script sees none of it"


def test_all_of_it_works_without_script(house: Process, open_page: Open) -> None:
    with open_page(width=390, java_script_enabled=False) as page:
        log_in(page, house, after="/account")
        page.fill("form[action$='/account/keys'] [name=name]", "without script")
        page.click("form[action$='/account/keys'] button")
        assert page.inner_text("section[aria-labelledby=made] code").startswith("nfk_")
        page.goto(f"{house.url}/accounts")
        page.fill("form[action$='/accounts'] [name=name]", "new one")
        page.click("form[action$='/accounts'] button")
        assert "new one" in page.inner_text("section[aria-labelledby=made]")
        page.goto(f"{house.url}/account")
        page.click("text=Log out")
        page.wait_for_url("**/log-in")
        page.told.expected.append("401")
        page.goto(f"{house.url}/account")
        assert "/log-in" in page.url
