"""The first page: all that a person wants to know, whatever names there are, without script, for every reader."""

from __future__ import annotations

import json
import time
from html.parser import HTMLParser

import pytest

from nearfar.jobs import JobState, Role, Store
from nearfar.places import Places
from nearfar_api.web import STATIC, TEMPLATES
from tests.api.conftest import Client
from tests.api.making import claim, done, fail, submit
from tests.api.people import studio
from tests.api.routes.test_server import inbox

API = "/api/v1"
HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&{{ 7*7 }}</td></table>"


class Page(HTMLParser):
    """What a page is made of."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.headings: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in {"meta", "link", "br", "img"}:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, f"</{tag}> closes nothing"

    def handle_data(self, data: str) -> None:
        self.words.append(data)
        if self.open and self.open[-1] in {"h1", "h2"}:
            self.headings.append(data.strip())

    @property
    def text(self) -> str:
        return " ".join("".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


def page(client: Client) -> Page:
    answer = client.get("/status")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["cache-control"] == "no-store"
    found = Page(answer.text)
    assert found.open == [], "every tag is closed"
    return found


def test_the_page_tells_how_everything_stands_and_why(client: Client, store: Store, places: Places) -> None:
    done(store, places)
    submit(store, stack="beetle")
    fail(store, reason="02.tif: found a file that is cut off")
    submit(store, stack="fern")
    store.beat(claim(store), progress=0.5)
    submit(store, stack="pyrite")
    held = submit(store, stack="lichen")
    store.hold(held, who="lena", reason="wait for the colour chart")
    (places.state / "inbox.json").write_text(json.dumps(inbox(places)), encoding="utf-8")
    text = page(client).text
    for words in (
        "The server is open",
        "1 worker, 1 unit in work",
        "beetle",
        "input: 02.tif: found a file that is cut off",
        "25 %",
        "Their turn has not come",
        "wait for the colour chart",
        "12.tif was written to 2 s ago",
        "12 of 40",
        "it is not mounted",
        "bench/1-1",
        "1 TB",
        "picture of moss",
    ):
        assert words in text, words


def test_a_worker_without_a_unit_is_idle(client: Client, store: Store) -> None:
    submit(store)
    held = claim(store)
    assert "bench/1-1working" in page(client).text
    store.hand_back(held)
    assert "bench/1-1idle" in page(client).text


def test_why_jobs_wait_depends_on_what_is_missing(client: Client, store: Store) -> None:
    submit(store)
    assert "No worker is there to take them." in page(client).text
    client.put("/api/v1/server", json={"state": "paused"})
    text = page(client).text
    assert "The server is paused: work in progress is finished, nothing new is begun" in text
    assert "nothing new is begun until it is opened" in text


def test_a_disk_that_is_short_of_space_is_told_wherever_jobs_are(
    client: Client, store: Store, places: Places
) -> None:
    job = submit(store)
    store.register("bench/1-1", host="bench", pid=1, version="1", slots=1, memory=1 << 40, disk=1 << 40)
    reason = f"the disk of {places.data} has 3 MiB free and 1 GiB are to stay free"
    told = {"low": True, "reason": reason, "written": time.time()}
    (places.state / "disk.json").write_text(json.dumps(told), encoding="utf-8")
    assert f"T{reason[1:]}." in page(client).text
    assert client.get(f"/api/v1/jobs/{job}").json()["waits"] == reason
    (places.state / "disk.json").unlink()
    store.hand_back(claim(store), rest=10.0, cause="disk", reason="there is no space on a disk: work: full")
    assert client.get(f"/api/v1/jobs/{job}").json()["waits"] == "there is no space on a disk: work: full"
    assert "there is no space on a disk: work: full" in page(client).text
    for path in ("/", "/jobs", f"/jobs/{job}"):
        assert "here is no space on a disk: work: full" in client.get(path).text, path


def test_hostile_names_stay_words(client: Client, store: Store, places: Places) -> None:
    for state in (JobState.WAITING, JobState.HELD, JobState.FAILED):
        job = submit(store, stack=HOSTILE, owner=HOSTILE[:60], sources=(HOSTILE,))
        if state is JobState.HELD:
            store.hold(job, who="x", reason=HOSTILE)
        elif state is JobState.FAILED:
            store.refuse(job, cause="input", reason=HOSTILE, who="x")
    told = inbox(places)
    told["folders"] = [{"path": HOSTILE, "problem": HOSTILE}]
    told["entries"][0] |= {"stack": HOSTILE, "why": HOSTILE, "ignored": [[HOSTILE, HOSTILE]]}
    (places.state / "inbox.json").write_text(json.dumps(told), encoding="utf-8")
    found = page(client)
    assert found.all("script") == []
    assert found.all("img") == []
    assert all(not name.startswith("on") for _, attributes in found.tags for name in attributes)
    assert found.text.count("alert(1)") >= 8
    assert "{{ 7*7 }}" in found.text


def test_the_page_is_fit_for_every_reader(client: Client, store: Store, places: Places) -> None:
    done(store, places)
    submit(store)
    found = page(client)
    assert found.all("html") == [{"lang": "en"}]
    assert found.headings[0] == "Nearfar"
    assert len(found.all("h1")) == 1
    tables = found.all("table")
    assert tables
    assert all(cell.get("scope") in {"col", "row"} for cell in found.all("th"))
    ids = [attributes["id"] for _, attributes in found.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert {section["aria-labelledby"] for section in found.all("section")} == set(ids)
    assert all("aria-label" in attributes for name, attributes in found.tags if name in {"progress", "meter"})
    assert {"name": "viewport", "content": "width=device-width, initial-scale=1"} in found.all("meta")
    assert {"http-equiv": "refresh", "content": "10"} in found.all("meta")


def test_nothing_stands_in_the_page_that_its_policy_forbids(client: Client, store: Store) -> None:
    found = page(client)
    for name, attributes in found.tags:
        assert "style" not in attributes, name
        for which in ("src", "href"):
            assert (attributes.get(which) or "/").startswith("/"), "from this server alone"
    assert found.all("style") == found.all("script") == []
    for link in found.all("link"):
        assert client.get(str(link["href"])).status_code == 200
    assert "url(" not in (STATIC / "nearfar.css").read_text(encoding="utf-8")


def test_the_page_says_where_the_store_does_not_answer(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Store, "figures", lambda self: (_ for _ in ()).throw(away()))
    answer = client.get("/status")
    assert answer.status_code == 503
    assert "does not answer" in Page(answer.text).text


@pytest.mark.parametrize("path", ["/", "/status", f"{API}/jobs"])
def test_where_the_store_is_is_told_to_whoever_runs_the_server_alone(
    path: str, store: Store, places: Places, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = studio(store, places.data)
    keys = {role: found.key(role) for role in (Role.LOOK, Role.RUN)}
    for name in ("figures", "jobs"):
        monkeypatch.setattr(Store, name, lambda *_, **__: (_ for _ in ()).throw(away()))
    for role, key in keys.items():
        answer = found.client.get(path, headers={"authorization": f"Bearer {key}"})
        assert answer.status_code == 503
        assert "does not answer" in answer.text
        assert ("store.sqlite" in answer.text) == (role is Role.RUN and not path.startswith(API))


def away() -> Exception:
    from nearfar.errors import StoreUnreachable

    return StoreUnreachable("job store sqlite:////data/store.sqlite does not answer")


def test_links_to_other_pages_lead_somewhere(client: Client, store: Store, places: Places) -> None:
    done(store, places)
    for link in page(client).all("a"):
        assert client.get(str(link["href"])).status_code == 200, link


def test_templates_and_styles_lie_in_the_package() -> None:
    import nearfar_api

    package = nearfar_api.__path__[0]
    for folder in (STATIC, TEMPLATES):
        assert folder.is_dir()
        assert str(folder).startswith(package)
