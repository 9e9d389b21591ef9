"""The pages as they are sent: lists, frames, versions; names that would be markup; what they say where there is nothing."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI

from nearfar.jobs import Store
from nearfar.places import Places
from nearfar_api.context import Context
from nearfar_api.pages.overview import _changes
from nearfar_api.web import STATIC
from tests.api.conftest import Client
from tests.api.making import claim, done, fail, submit
from tests.api.routes.test_server import inbox
from tests.api.test_status import HOSTILE, Page, away

REPORT = {
    "format": "nearfar-report/1",
    "reference": "01.tif",
    "size": [640, 480],
    "frames": [
        {
            "name": f"{k:02d}.tif",
            "used": k != 2,
            "why": "it shows something else" if k == 2 else None,
            "gain_ev": 0.01 * k,
            "confidence": 0.9,
            "share": 0.5,
            "sharpness": 0.4,
            "scale": 1 + k / 1000,
            "shift": [3.0, 4.0],
            "taken": f"2031-10-05T16:20:1{k}",
            "distance": 0.05 + k,
        }
        for k in range(3)
    ],
    "gaps": [
        {"box": [1, 2, 3, 4], "share": 0.1, "after": "00.tif", "before": "01.tif", "text": "a strip is soft"}
    ],
    "coverage": {"complete": False, "detail": None, "findings": [{"text": "one frame more before 00.tif"}]},
    "warnings": ["the light flickered"],
    "notes": [],
    "seconds": dict.fromkeys(("survey", "register", "focus", "render", "deliver", "total"), 1.0),
    "memory": {"peak": 1 << 30},
}


@pytest.fixture
def told(store: Store, places: Places) -> int:
    """A job that is done, with a report."""
    job = done(store, places)
    (places.results / "moss" / "moss.report.json").write_text(json.dumps(REPORT), encoding="utf-8")
    return job


def page(client: Client, path: str, status: int = 200) -> Page:
    answer = client.get(path)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    found = Page(_voids(answer.text))
    assert found.open == [], "every tag is closed"
    return found


def _voids(text: str) -> str:
    return text.replace("<input", "<img").replace("<hr", "<br")


def test_a_stack_tells_of_its_frames_and_what_is_missing(client: Client, told: int) -> None:
    text = page(client, f"/jobs/{told}").text
    for words in ("A strip is soft", "One frame more before 00.tif", "The light flickered", "reference"):
        assert words in text
    for words in ("50 %", "1.05 m", "50 mm", "+1.0 s", "it shows something else", "5.0", "0.100"):
        assert words in text, words


def test_a_stack_without_a_report_shows_what_is_known(client: Client, store: Store) -> None:
    job = submit(store)
    store.beat(claim(store), progress=0.5)
    found = page(client, f"/jobs/{job}")
    assert "25 %" in found.text
    assert "Look at the frames" in found.text
    assert [a["value"] for a in found.all("progress")] == ["0.25"]


def test_versions_are_linked_with_what_is_different(client: Client, store: Store, told: int) -> None:
    made = client.post(f"/api/v1/jobs/{told}/run-again", json={"leave_out": ["01.tif"]}).json()["id"]
    for number in (told, made):
        text = page(client, f"/jobs/{number}").text
        assert "without 01.tif" in text
        assert f"job {told}" in text
        assert f"job {made}" in text
    assert "twice" in page(client, f"/jobs/{told}/beside/{made}").text


def test_the_picture_without_script_is_its_preview_with_links(client: Client, told: int) -> None:
    found = page(client, f"/jobs/{told}/picture")
    assert any("/iiif/3/job-1/full/" in (image.get("src") or "") for image in found.all("img"))
    links = [a.get("href") for a in found.all("a")]
    assert {f"/api/v1/jobs/{told}/{which}" for which in ("picture", "report", "preview")} <= set(links)
    assert [a["data-box"] for a in found.all("a") if "data-box" in a] == ["1,2,3,4"]


def test_there_is_no_picture_before_the_job_is_done(client: Client, store: Store) -> None:
    job = submit(store)
    assert "has no picture yet" in page(client, f"/jobs/{job}/picture", 404).text


@pytest.mark.parametrize("path", ["/jobs/9", "/jobs/9/picture", "/jobs/x", "/jobs/1/beside/9", "/jobs/0"])
def test_what_is_not_there_is_a_page_that_says_so(client: Client, store: Store, path: str) -> None:
    submit(store)
    assert "There is no such" in page(client, path, 404).text


def test_the_list_is_filtered_sorted_and_paged_by_links(client: Client, store: Store) -> None:
    for number in range(45):
        submit(store, stack=f"moss-{number:02d}")
    found = page(client, "/jobs?sort=stack&search=MOSS&state=waiting")
    names = [word for word in found.text.split() if word.startswith("moss-")]
    assert names == [f"moss-{number:02d}" for number in range(40)]
    (next_part,) = [a["href"] for a in found.all("a") if a.get("rel") == "next"]
    rest = page(client, str(next_part))
    assert [w for w in rest.text.split() if w.startswith("moss-")] == [f"moss-{n:02d}" for n in range(40, 45)]
    assert "All jobs" in page(client, "/jobs?search=basalt").text
    page(client, "/jobs?sort=nothing", 404)
    page(client, "/jobs?after=nothing", 422)


def test_a_card_that_cannot_be_sorted_needs_someone(client: Client, places: Places) -> None:
    told = inbox(places)
    told["entries"][0] |= {"stack": "wetland", "state": "refused", "why": "cannot be sorted: no memory"}
    told["entries"][0]["ignored"] = [["notes.txt", "not a picture"]]
    told["entries"][1:] = [{**told["entries"][0], "stack": "moss", "state": "settling", "why": "it is quiet"}]
    told["entries"].append(
        {**told["entries"][1], "stack": "fern", "state": "waiting", "why": "no such recipe"}
    )
    told["entries"].append({**told["entries"][1], "stack": "bark", "state": "refused", "job": 7})
    (places.state / "inbox.json").write_text(json.dumps(told), encoding="utf-8")
    text = page(client, "/").text
    waiting, needs = text.split("Needs someone", 1)
    assert "wetland stuck Cannot be sorted: no memory." in needs
    assert "fern stuck No such recipe." in needs
    assert "wetland" not in waiting
    assert "bark" not in text, "it is among the jobs that failed"
    assert "It is quiet. Passed over: notes.txt (not a picture)." in waiting


def test_hostile_names_stay_words_on_every_page(client: Client, store: Store, places: Places) -> None:
    jobs = [submit(store, stack=HOSTILE, owner=HOSTILE[:60], sources=(HOSTILE,)) for _ in range(3)]
    store.hold(jobs[0], who=HOSTILE, reason=HOSTILE)
    store.refuse(jobs[1], cause="input", reason=HOSTILE, who="x")
    entry = inbox(places)
    entry["folders"] = [{"path": HOSTILE, "problem": HOSTILE}]
    entry["entries"][0] |= {"stack": HOSTILE, "why": HOSTILE, "ignored": [[HOSTILE, HOSTILE]]}
    (places.state / "inbox.json").write_text(json.dumps(entry), encoding="utf-8")
    for path in ("/", "/jobs", *(f"/jobs/{job}" for job in jobs), f"/jobs/{jobs[0]}/beside/{jobs[1]}"):
        found = page(client, path)
        assert all((s.get("src") or "").startswith(("/static/", "/vendor/")) for s in found.all("script")), (
            path
        )
        assert not any(image.get("src") == "x" for image in found.all("img"))
        assert "alert(1)" in found.text


def test_nothing_stands_in_a_page_that_its_policy_forbids(client: Client, store: Store, told: int) -> None:
    submit(store)
    fail(store)
    for path in ("/", "/jobs", f"/jobs/{told}", f"/jobs/{told}/picture", "/jobs/77"):
        found = Page(_voids(client.get(path).text))
        for name, attributes in found.tags:
            assert "style" not in attributes, (path, name)
            assert not any(a.startswith(("on", "hx-on")) for a in attributes), (path, name)
            assert "js:" not in " ".join(v or "" for v in attributes.values())
        assert found.all("style") == []
        for tag, which in (("link", "href"), ("script", "src")):
            for attributes in found.all(tag):
                assert client.get(str(attributes[which])).status_code == 200
        for form in found.all("form"):
            assert str(form.get("action", "/")).startswith("/")


def test_a_job_without_a_result_is_not_told_of_one_nor_of_plots(
    client: Client, store: Store, told: int
) -> None:
    job = submit(store)
    fail(store)
    assert "Only what changes is computed again." in page(client, f"/jobs/{job}").text
    assert "plots below" not in page(client, f"/jobs/{job}").text
    assert "This result stays" in page(client, f"/jobs/{told}").text


def test_our_own_script_stays_small_and_asks_for_nothing_elsewhere() -> None:
    scripts = list(STATIC.glob("*.js"))
    lines = [line for path in scripts for line in path.read_text(encoding="utf-8").splitlines()]
    assert 100 < len(lines) <= 420
    for word in ("http://", "https://", "eval(", "innerHTML"):
        assert not [line for line in lines if word in line.replace("http://www.w3.org/2000/svg", "")], word


def test_below_a_sub_path_every_address_carries_it(
    client_with: Callable[..., Client], store: Store, told: int
) -> None:
    client = client_with(path="/merge")
    for path in ("/", "/jobs", f"/jobs/{told}", f"/jobs/{told}/picture"):
        found = Page(_voids(client.get(f"/merge{path}").text))
        for _, attributes in found.tags:
            for which in ("href", "src", "action", "hx-get", "hx-sse:connect", "data-jobs", "data-picture"):
                value = attributes.get(which) or "/merge/"
                assert value.startswith(("/merge/", "#")), (path, which, value)


def test_small_pictures_are_handed_out_and_nothing_beside_them(
    client: Client, store: Store, places: Places, told: int
) -> None:
    folder = places.state / "small" / str(told)
    folder.mkdir(parents=True)
    (folder / "00002.jpg").write_bytes(b"\xff\xd8 small")
    again = client.post(f"/api/v1/jobs/{told}/run-again", json={"leave_out": ["01.tif"]}).json()["id"]
    for job in (told, again):
        answer = client.get(f"/jobs/{job}/small/2.jpg")
        assert (answer.status_code, answer.content) == (200, b"\xff\xd8 small")
        assert answer.headers["content-type"] == "image/jpeg"
        assert f'src="/jobs/{job}/small/2.jpg"' in client.get(f"/jobs/{job}").text
    secret = places.state / "secret"
    secret.write_text("key")
    (folder / "00003.jpg").symlink_to(secret)
    for number in ("1", "3", "0", "..%2f..%2fsecret", "99999999"):
        assert client.get(f"/jobs/{told}/small/{number}.jpg").status_code == 404


def test_an_open_overview_is_told_when_to_look_again(app: FastAPI, store: Store) -> None:
    context: Context = app.state.context

    async def heard() -> list[bytes]:
        source = _changes(context, app.state.feed)
        pieces = [await anext(source)]
        asking = asyncio.ensure_future(anext(source))
        await asyncio.sleep(0.2)
        submit(store)
        pieces.append(await asyncio.wait_for(asking, 60))
        write(context.places.state)
        pieces.append(await asyncio.wait_for(anext(source), 60))
        await source.aclose()
        await app.state.feed.close()
        return pieces

    def write(folder: Path) -> None:
        (folder / "inbox.json").write_text(json.dumps(inbox(context.places)), encoding="utf-8")

    first, second, third = asyncio.run(heard())
    assert first.startswith(b"retry: ")
    assert second == third == b"event: changed\ndata: \n\n"


def test_a_store_that_is_away_is_told_on_the_page(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_: Any, **__: Any) -> None:
        raise away()

    monkeypatch.setattr(Store, "figures", gone)
    found = page(client, "/", 503)
    assert "does not answer" in found.text
    assert {"http-equiv": "refresh", "content": "5"} in found.all("meta")


def test_our_own_script_is_short_and_readable() -> None:
    """Less than 400 lines in all, as DEVELOPERS.md says."""
    files = {path: path.read_text(encoding="utf-8").splitlines() for path in STATIC.glob("**/*.js")}
    assert files
    assert sum(map(len, files.values())) < 400
    assert [
        (path.name, len(line)) for path, lines in files.items() for line in lines if len(line) > 160
    ] == []
