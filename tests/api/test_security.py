"""What a stranger may try at the door and behind it: names that break out, bodies that are too much, pages that listen."""

from __future__ import annotations

import ast
import asyncio
import json
import logging
import re
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

from nearfar.jobs import FrameEntry, Role, Store
from nearfar.places import Places
from nearfar_api.access.caller import Caller
from nearfar_api.access.guard import Guard
from nearfar_api.transfer.sending import disposition
from tests.api.conftest import KEY, Client, frames_in
from tests.api.every_route import ask
from tests.api.making import done, finish, keep_card, submission, submit
from tests.api.people import Studio, studio

SCRIPT = "<script>alert(1)</script>"
QUOTES = "\"><img src=x onerror='alert(1)'>"
BREAK = "a\r\nset-cookie: x=1\r\n\r\n<b>"
DECODERS = {
    *("nearfar.frames.decode", "nearfar.frames.jpeg", "nearfar.frames.png", "nearfar.frames.raw"),
    *("nearfar.frames.tiff", "nearfar.frames.tiff_pixels", "nearfar.frames.heif", "nearfar.frames.windows"),
    *("nearfar.merge.stack", "nearfar.merge.survey", "rawpy", "pillow_heif", "PIL", "tifffile"),
}
"""What opens pictures that strangers made."""


@pytest.fixture
def moss(store: Store, places: Places) -> Studio:
    return studio(store, places.data, key=KEY)


def test_the_api_has_nothing_that_decodes_pictures_of_strangers(checkout: Path) -> None:
    for path in (checkout / "api").rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = {
            alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names
        }
        names |= {
            f"{node.module}.{alias.name}"
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom)
            for alias in node.names
        }
        names |= {str(node.module) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        assert not names & DECODERS, path
        assert (
            re.search(r"imagecodecs\.\w+_decode|simplejpeg\.decode|cv2\.im(read|decode)", path.read_text())
            is None
        )


@pytest.mark.parametrize(
    "name", [SCRIPT, QUOTES, BREAK, "{{ 7 * 7 }}", "\u202egnp.exe", "'; DROP TABLE jobs; --"]
)
def test_names_of_strangers_stay_text_on_every_page(
    client: Client, store: Store, places: Places, name: str
) -> None:
    frames = tuple(FrameEntry(path=f"/inbox/moss/{k}{name.replace('/', '')}.tif", size=9) for k in range(2))
    submit(store, stack=name, owner=name, frames=frames, recipe=name, sources=(name,))
    finish(store, places, 1)
    store.submit_again(1, submission(stack=name), who=name)
    for path in (
        "/",
        "/jobs",
        "/jobs/1",
        "/jobs/2",
        "/jobs/1/picture",
        "/status",
        "/?part=live",
        f"/jobs?search={SCRIPT}",
    ):
        page = client.get(path)
        assert page.status_code == 200, path
        assert "<script>alert" not in page.text
        assert "<img src=x" not in page.text
        assert "\n<b>" not in page.text
        policy = page.headers["content-security-policy"]
        assert "'unsafe-inline'" not in policy
        assert "default-src 'self'" in policy


@pytest.mark.parametrize(
    "name", [BREAK, 'a".tif', "a\\.tif", "ä\u2028.tif", SCRIPT.replace("/", ""), "a;b=c.tif"]
)
def test_a_name_cannot_break_out_of_a_header(name: str) -> None:
    field = disposition(name, "image/tiff")
    assert re.fullmatch(r"[ -~]+", field)
    quoted = re.match(r'attachment; filename="([^"\\]*)"(; filename\*=UTF-8\'\'[\w!#$&+.^`|~%-]+)?$', field)
    assert quoted is not None, field


def test_files_that_a_browser_would_run_are_only_saved(client: Client, store: Store, places: Places) -> None:
    done(store, places)
    for name in ("a.html", "b.svg", "c.xml", "d.js", "e"):
        (places.results / "moss" / name).write_text(SCRIPT)
        answer = client.get(f"/api/v1/jobs/1/files/{name}")
        assert answer.headers["content-type"] == "application/octet-stream"
        assert answer.headers["content-disposition"].startswith("attachment")
        assert answer.headers["x-content-type-options"] == "nosniff"


OUT = [
    "../store.sqlite",
    "..%2fstore.sqlite",
    "%2e%2e/store.sqlite",
    "....//store.sqlite",
    "/etc/passwd",
    "%00",
    ".hidden",
]


@pytest.mark.parametrize("name", OUT)
def test_no_way_leads_out_of_a_folder(client: Client, store: Store, places: Places, name: str) -> None:
    done(store, places)
    keep_card(places, "9f0c2d7ab1e4c855", frames_in(places.inbox / "card"))
    (places.results / "moss" / ".hidden").write_text("hidden")
    for before in (
        *(
            "/api/v1/jobs/1/files/",
            "/static/",
            "/vendor/",
            "/api/v1/cards/9f0c2d7ab1e4c855/small/",
            "/iiif/3/",
        ),
        *("/fetch/1/", "/jobs/1/small/", "/api/v1/jobs/1/versions/1/"),
    ):
        status, _ = asyncio.run(ask(client.app, "GET", before + name, {}))
        assert status in {400, 404, 405, 422}, before


def test_a_link_inside_a_result_is_not_followed(client: Client, store: Store, places: Places) -> None:
    done(store, places)
    (places.results / "moss" / "link.tif").symlink_to(places.data / "store.sqlite")
    assert client.get("/api/v1/jobs/1/files/link.tif").status_code == 404


def test_a_body_that_is_too_large_is_cut_off_also_where_its_length_is_not_told(client: Client) -> None:
    body = b'{"folder": "' + b"x" * (5 << 20) + b'"}'

    async def pieces() -> AsyncIterator[bytes]:
        for at in range(0, len(body), 65536):
            yield body[at : at + 65536]

    json_type = {"content-type": "application/json"}
    assert client.post("/api/v1/jobs", content=body, headers=json_type).status_code == 413
    assert client.post("/api/v1/jobs", content=pieces(), headers=json_type).status_code == 413


@pytest.mark.parametrize(
    "body",
    [
        b"[" * 100_000 + b"]" * 100_000,
        b'{"a":' * 50_000 + b"1" + b"}" * 50_000,
        b"\xff\xfe",
        b'{"priority": 1e999}',
        b"",
    ],
)
def test_a_body_that_is_built_to_hurt_is_refused_quickly(client: Client, body: bytes) -> None:
    answer = client.post("/api/v1/jobs", content=body, headers={"content-type": "application/json"})
    assert answer.status_code in {400, 413, 422}


def test_a_packed_body_is_not_unpacked(client: Client) -> None:
    headers = {"content-type": "application/json", "content-encoding": "gzip"}
    assert client.post("/api/v1/jobs", content=b"\x1f\x8b\x08" + bytes(100), headers=headers).status_code in {
        400,
        415,
    }


def test_many_ranges_of_a_file_are_not_sent_many_times(client: Client, store: Store, places: Places) -> None:
    done(store, places, picture=b"x" * 10_000)
    answer = client.get("/api/v1/jobs/1/picture", headers={"range": "bytes=" + "0-," * 500 + "0-"})
    assert len(answer.content) <= 17 * 10_500


def test_no_line_of_the_log_is_forged_by_a_request(client: Client, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    client.get("/api/v1/jobs/1%0a2026-01-01%20api:%20forged", headers={"authorization": "Basic YSBiCmM6eA=="})
    lines = [r.getMessage() for r in caplog.records if getattr(r, "action", "") == "http.request"]
    assert lines
    assert all("\n" not in line for line in lines)


def test_no_secret_stands_in_the_log_or_the_trail(moss: Studio, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG, logger="nearfar_api")
    password = "lichen slate rain kettle"
    moss.people.add("mara", role=Role.LOOK, password=password, who="console")
    moss.client.post(
        "/log-in", data={"name": "mara", "password": password}, headers={"origin": "http://localhost"}
    )
    moss.client.get("/api/v1/me", headers={"authorization": f"Bearer {KEY}"})
    moss.client.get("/fetch/1/moss.tif?until=99999999999&proof=secret-proof")
    told = "\n".join(r.getMessage() for r in caplog.records if r.name.startswith("nearfar"))
    told += json.dumps([dict(event.detail) for event in moss.store.events(limit=1000)])
    for secret in (password, KEY, "secret-proof"):
        assert secret not in told


def test_a_stream_ends_soon_after_its_listener_lost_the_right(
    moss: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("nearfar_api.access.guard.AGAIN", 0.0)
    submit(moss.store)
    headers = moss.session("look")
    moss.people.end_sessions("look")

    token = headers["cookie"].partition("=")[2]
    caller = Caller(name="look", role=None, owner="look", how="session", account="look", secret=token)
    got: list[dict[str, object]] = []

    class Door:
        still = moss.client.app.state.access.still

        async def admit(self, *_: object, **__: object) -> Caller:
            return caller

    async def stream(scope: object, receive: object, send: Callable[[Any], Any]) -> None:
        start = [(b"content-type", b"text/event-stream")]
        await send({"type": "http.response.start", "status": 200, "headers": start})
        for _ in range(3):
            await send({"type": "http.response.body", "body": b"data: news\n\n", "more_body": True})

    async def keep(message: dict[str, object]) -> None:
        got.append(message)

    guard = Guard(stream, access=Door())  # type: ignore[arg-type]
    scope = {"type": "http", "method": "GET", "path": "/live", "headers": [], "query_string": b""}
    asyncio.run(guard(scope, None, keep))  # type: ignore[arg-type]
    assert [message.get("body") for message in got[1:]] == [b""]
    assert got[-1]["more_body"] is False
