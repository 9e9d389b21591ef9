"""The addresses under /iiif/3 as a viewer uses them, with the jobs and results of a real server."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import httpx
import numpy as np
import pytest
from fastapi import FastAPI

from nearfar.jobs import Store
from nearfar.places import Places
from nearfar_api.iiif import routes
from nearfar_api.iiif.making import make
from tests.api.conftest import KEY, Client
from tests.api.iiif import painting
from tests.api.making import done, submit

WIDTH, HEIGHT = 1100, 700
BASE = "/iiif/3/job-1"
TILE = f"{BASE}/0,0,512,512/512,512/0/default.jpg"


@pytest.fixture
def picture(store: Store, places: Places) -> Path:
    """That of job 1."""
    job = done(store, places)
    assert job == 1
    return painting.write(places.results / "moss" / "moss.tif", painting.slopes(WIDTH, HEIGHT))


def problem(response: httpx.Response) -> dict[str, Any]:
    assert response.headers["content-type"] == "application/problem+json"
    found: dict[str, Any] = response.json()
    assert found["status"] == response.status_code
    return found


@pytest.mark.usefixtures("picture")
def test_info_tells_of_the_picture_what_a_viewer_needs(client: Client) -> None:
    response = client.get(f"{BASE}/info.json")
    assert response.status_code == 200
    assert response.headers["content-type"] == "application/json"
    info = response.json()
    assert info["id"] == f"http://localhost{BASE}"
    assert (info["width"], info["height"], info["profile"]) == (WIDTH, HEIGHT, "level2")
    assert info["tiles"] == [{"width": 512, "height": 512, "scaleFactors": [1, 2, 4]}]
    assert info["sizes"] == [
        {"width": 275, "height": 175},
        {"width": 550, "height": 350},
        {"width": 1100, "height": 700},
    ]


@pytest.mark.usefixtures("picture")
def test_every_size_and_quality_of_info_is_there(client: Client) -> None:
    info = client.get(f"{BASE}/info.json").json()
    for size in info["sizes"]:
        address = f"{BASE}/full/{size['width']},{size['height']}/0/default.png"
        assert shape(client.get(address)) == (size["height"], size["width"])
    for quality in ["default", *info["extraQualities"]]:
        assert client.get(f"{BASE}/full/80,/0/{quality}.jpg").headers["content-type"] == "image/jpeg"
    edge = info["maxWidth"]
    assert client.get(f"{BASE}/full/^{edge + 1},/0/default.jpg").status_code == 400


def shape(response: httpx.Response) -> tuple[int, ...]:
    assert response.status_code == 200, response.text
    found = cv2.imdecode(np.frombuffer(response.content, np.uint8), cv2.IMREAD_COLOR)
    assert found is not None
    return found.shape[:2]


@pytest.mark.usefixtures("picture")
def test_linked_data_is_sent_to_those_who_ask(client: Client) -> None:
    plain = client.get(f"{BASE}/info.json")
    linked = client.get(f"{BASE}/info.json", headers={"accept": "application/ld+json"})
    assert linked.headers["content-type"].startswith("application/ld+json;profile=")
    assert linked.json() == plain.json()
    assert linked.headers["vary"] == "accept"
    assert linked.headers["etag"] != plain.headers["etag"]


@pytest.mark.usefixtures("picture")
def test_the_base_leads_to_info(client: Client) -> None:
    response = client.get(BASE)
    assert response.status_code == 303
    assert response.headers["location"] == f"http://localhost{BASE}/info.json"


@pytest.mark.usefixtures("picture")
def test_addresses_keep_the_path_of_the_server(client_with: Callable[..., Client]) -> None:
    client = client_with(path="/merge")
    assert client.get(f"/merge{BASE}/info.json").json()["id"] == f"http://localhost/merge{BASE}"


@pytest.mark.usefixtures("picture")
def test_an_answer_names_the_canonical_address(client: Client) -> None:
    links = client.get(f"{BASE}/pct:0,0,50,50/pct:50/360/color.jpg").headers["link"]
    assert f'<http://localhost{BASE}/0,0,550,350/275,175/0/default.jpg>;rel="canonical"' in links
    assert '<http://iiif.io/api/image/3/level2.json>;rel="profile"' in links


@pytest.mark.usefixtures("picture")
def test_what_a_browser_has_is_not_sent_again(client: Client) -> None:
    for address in (TILE, f"{BASE}/info.json"):
        first = client.get(address)
        again = client.get(address, headers={"if-none-match": first.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
        assert again.headers["etag"] == first.headers["etag"]
        assert again.headers["cache-control"] == "private, no-cache"


def test_a_picture_made_anew_is_sent_anew(client: Client, picture: Path) -> None:
    before = client.get(TILE)
    white = np.full((HEIGHT, WIDTH, 3), 65535, np.uint16)
    painting.write(picture.with_name("new.part"), white).replace(picture)
    after = client.get(TILE, headers={"if-none-match": before.headers["etag"]})
    assert after.status_code == 200
    assert after.headers["etag"] != before.headers["etag"]
    found = cv2.imdecode(np.frombuffer(after.content, np.uint8), cv2.IMREAD_COLOR)
    assert found is not None
    assert found.min() >= 254


def test_the_map_of_frames_can_be_seen_as_well(client: Client, picture: Path) -> None:
    painting.write(picture.with_name("moss.focus.tif"), painting.slopes(550, 350, channels=1))
    info = client.get(f"{BASE}:focus/info.json").json()
    assert (info["width"], info["height"]) == (550, 350)
    assert info["id"] == f"http://localhost{BASE}:focus"
    assert shape(client.get(f"{BASE}:focus/full/max/0/default.jpg")) == (350, 550)


@pytest.mark.usefixtures("picture")
@pytest.mark.parametrize(
    "name",
    [
        "job-2",
        "job-3",
        "job-0",
        "job-01",
        "job-1:doubt",
        "job-1:report",
        "job-1x",
        "job--1",
        "moss",
        "..",
        "job-１",
    ],
)
def test_what_is_not_there_is_not_found(client: Client, store: Store, name: str) -> None:
    assert submit(store) == 2  # and not done
    for rest in ("", "/info.json", "/full/max/0/default.jpg"):
        response = client.get(f"/iiif/3/{name}{rest}")
        assert response.status_code == 404
        problem(response)


@pytest.mark.usefixtures("picture")
@pytest.mark.parametrize(
    ("rest", "status", "kind"),
    [
        ("full/max/0/default.bmp", 400, "no-such-view"),
        ("full/^100000,/0/default.jpg", 400, "no-such-view"),
        ("1100,0,5,5/max/0/default.jpg", 400, "no-such-view"),
        ("full/max/45/default.jpg", 501, "not-offered"),
        ("full/max/0/default.webp", 501, "not-offered"),
    ],
)
def test_what_cannot_be_seen_is_a_problem_that_other_sites_can_read(
    client_with: Callable[..., Client], rest: str, status: int, kind: str
) -> None:
    response = client_with(open_pictures=True).get(f"{BASE}/{rest}")
    assert response.status_code == status
    assert response.headers["access-control-allow-origin"] == "*"
    assert problem(response)["type"].endswith(f"/{kind}")


def test_a_damaged_file_is_told_as_such(client: Client, picture: Path) -> None:
    whole = bytearray(picture.read_bytes())
    whole[16:200] = bytes(184)  # in the first tile
    picture.write_bytes(whole)
    assert client.get(f"{BASE}/info.json").status_code == 200
    assert "tile 0 of level 0" in problem(client.get(TILE))["detail"]
    picture.write_bytes(b"moss on slate")
    response = client.get(f"{BASE}/info.json")
    assert response.status_code == 500
    assert "expected a picture as Nearfar delivers it" in problem(response)["detail"]
    picture.unlink()
    assert client.get(TILE).status_code == 404


ELSEWHERE = {"origin": "http://viewer.example"}
ASKS_FIRST = ELSEWHERE | {
    "access-control-request-method": "GET",
    "access-control-request-headers": "authorization",
}
"""What a browser sends before a request with a key (Fetch standard, CORS-preflight request); it shows no key with it."""


@pytest.mark.usefixtures("picture")
@pytest.mark.parametrize("server", [{"open_pictures": True}, {"key": KEY}])
def test_viewers_on_other_sites_may_ask_where_that_is_wanted_or_a_key_is_needed(
    client_with: Callable[..., Client], server: dict[str, Any]
) -> None:
    client = client_with({"authorization": f"Bearer {KEY}"}, **server)
    for address in (BASE, f"{BASE}/info.json", TILE, "/iiif/3/job-9/info.json"):
        response = client.get(address, headers=ELSEWHERE)
        assert response.headers["access-control-allow-origin"] == "*"
        assert response.headers["cross-origin-resource-policy"] == "cross-origin"
    response = client_with(**server).ask("OPTIONS", TILE, headers=ASKS_FIRST)
    assert response.status_code == 204
    assert "GET" in response.headers["access-control-allow-methods"]
    assert "authorization" in response.headers["access-control-allow-headers"]


@pytest.mark.usefixtures("picture")
def test_other_sites_see_nothing_of_a_server_that_asks_for_no_key(client: Client) -> None:
    for address in (BASE, f"{BASE}/info.json", TILE, "/iiif/3/job-9/info.json"):
        response = client.get(address, headers=ELSEWHERE)
        assert not any(name.startswith("access-control-") for name in response.headers)
        assert response.headers["cross-origin-resource-policy"] == "same-origin"
    response = client.ask("OPTIONS", TILE, headers=ASKS_FIRST)
    assert response.status_code == 204
    assert response.headers["allow"] == "GET, HEAD, OPTIONS"
    assert not any(name.startswith("access-control-") for name in response.headers)


def test_the_question_whether_one_may_ask_opens_nothing_else(client_with: Callable[..., Client]) -> None:
    client = client_with(key=KEY)
    assert client.ask("OPTIONS", "/api/v1/jobs", headers=ASKS_FIRST).status_code == 401
    assert client.get(TILE, headers=ASKS_FIRST).status_code == 401
    assert client.ask("OPTIONS", TILE, headers=ELSEWHERE).status_code == 401


@pytest.mark.usefixtures("picture")
def test_head_tells_what_get_would_send(client: Client) -> None:
    head, full = client.ask("HEAD", TILE), client.get(TILE)
    assert head.content == b""
    assert head.headers["content-length"] == full.headers["content-length"] == str(len(full.content))


@pytest.mark.usefixtures("picture")
def test_pictures_are_behind_the_key_like_everything(client_with: Callable[..., Client]) -> None:
    assert client_with(key=KEY).get(TILE).status_code == 401
    assert client_with({"authorization": f"Bearer {KEY}"}, key=KEY).get(TILE).status_code == 200


@pytest.mark.usefixtures("picture")
def test_two_views_are_made_at_a_time_while_others_are_served(
    app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_work, most, lock, go = 0, 0, threading.Lock(), threading.Event()

    def watched(*arguments: Any) -> bytes:
        nonlocal at_work, most
        with lock:
            at_work += 1
            most = max(most, at_work)
        assert go.wait(60)
        try:
            return make(*arguments)
        finally:
            with lock:
                at_work -= 1

    monkeypatch.setattr(routes, "make", watched)

    async def all_at_once() -> list[int]:
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as http:
            views = [asyncio.create_task(http.get(f"{BASE}/full/{50 + k},/0/default.jpg")) for k in range(6)]
            while at_work < 2:
                await asyncio.sleep(0.01)
            assert (await http.get(f"{BASE}/info.json")).status_code == 200  # the loop is free
            go.set()
            return [(await view).status_code for view in views]

    assert asyncio.run(all_at_once()) == [200] * 6
    assert most == routes.AT_ONCE


@pytest.mark.usefixtures("picture")
def test_what_nobody_waits_for_is_not_made(app: FastAPI, monkeypatch: pytest.MonkeyPatch) -> None:
    checks: list[bool] = []

    def slow(*arguments: Any) -> bytes:
        check = arguments[3]
        while True:
            try:
                check()
            except Exception:
                checks.append(True)
                raise
            threading.Event().wait(0.01)

    monkeypatch.setattr(routes, "make", slow)
    sent: list[Any] = []
    messages = [{"type": "http.request", "body": b"", "more_body": False}]

    async def receive() -> Any:
        if messages:
            return messages.pop()
        await asyncio.sleep(0.05)
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "GET",
        "scheme": "http",
        "path": TILE,
        "raw_path": TILE.encode(),
        "query_string": b"",
        "root_path": "",
        "headers": [(b"host", b"localhost")],
        "server": ("localhost", 80),
        "client": ("127.0.0.1", 1),
    }
    asyncio.run(asyncio.wait_for(app(scope, receive, send), 60))
    assert checks == [True]
    assert sent[0]["status"] == routes.GONE
