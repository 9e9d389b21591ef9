"""Stacks by path: nothing outside the open folders is read, and nobody learns what lies there."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

from nearfar.intake.listing import Listing, list_frames
from nearfar.jobs import JobQuery, Store
from nearfar.places import Places
from nearfar_api import shares, submitting
from tests.api.conftest import Client, frames_in

API = "/api/v1/jobs"


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    return frames_in(tmp_path / "outside" / "secret")


def refusal(client: Client, body: dict[str, object]) -> str:
    answer = client.post(API, json=body)
    assert answer.status_code == 422, answer.text
    assert answer.json()["type"] == "/api/v1/problems/no-such-path"
    return str(answer.json()["detail"])


def test_frames_are_taken_from_the_inbox_and_from_shared_folders(
    client: Client, places: Places, tmp_path: Path
) -> None:
    inside = frames_in(places.inbox / "moss")
    shared = frames_in(tmp_path / "shared" / "deep" / "fern")
    for body in (
        {"folder": "moss"},
        {"folder": str(inside)},
        {"folder": str(shared)},
        {"folder": f"{shared}/../fern/"},
    ):
        answer = client.post(API, json=body)
        assert answer.status_code == 201, answer.text
    frames = [str(shared / "03.tif"), str(shared / "01.tif")]
    answer = client.post(API, json={"frames": frames, "stack": "two"})
    assert answer.json()["frames"]["total"] == 2
    assert answer.json()["sources"] == [str(shared)]


def test_a_path_outside_is_answered_as_one_that_is_not_there(
    client: Client, store: Store, outside: Path
) -> None:
    there = [str(outside), str(outside / "01.tif"), "/etc", "/etc/passwd", "../..", "/proc/self/environ", "/"]
    for path in there:
        missing = f"{path.rstrip('/')}/no-such"
        for body in ("folder", "frames"):
            said = [
                refusal(client, {body: value if body == "folder" else [value]}).removeprefix(value)
                for value in (path, missing)
            ]
            assert said[0] == said[1], path
    assert store.jobs().jobs == ()


def test_links_that_lead_out_are_not_followed(
    client: Client, places: Places, store: Store, outside: Path
) -> None:
    (places.inbox / "link").symlink_to(outside)
    mixed = frames_in(places.inbox / "mixed")
    (mixed / "04.tif").symlink_to(outside / "01.tif")
    chain = places.inbox / "chain"
    chain.symlink_to(places.inbox / "link")
    bodies: list[dict[str, object]] = [
        {"folder": "link"},
        {"folder": "chain"},
        {"folder": "link/../link"},
        {"frames": ["link/01.tif"]},
        {"folder": "mixed"},
        {"frames": ["mixed/01.tif", "mixed/04.tif"]},
    ]
    for body in bodies:
        refusal(client, body)
    assert store.jobs().jobs == ()


def test_links_inside_are_followed(client: Client, places: Places) -> None:
    frames_in(places.inbox / "moss")
    (places.inbox / "same").symlink_to(places.inbox / "moss")
    assert client.post(API, json={"folder": "same"}).json()["stack"] == "moss"


def test_what_is_no_file_is_no_frame(client: Client, places: Places) -> None:
    folder = frames_in(places.inbox / "moss")
    os.mkfifo(folder / "04.tif")
    assert "04.tif" in refusal(client, {"folder": "moss"})


def test_a_folder_without_frames_is_refused_with_what_it_holds(client: Client, places: Places) -> None:
    (places.inbox / "notes").mkdir()
    (places.inbox / "notes" / "read me.doc").write_bytes(b"x")
    answer = client.post(API, json={"folder": "notes"})
    assert (answer.status_code, answer.json()["type"]) == (422, "/api/v1/problems/refused")
    assert "no frames found (1 other entry: .doc)" in answer.json()["detail"]


@pytest.mark.parametrize(
    "name", ["e\u0301clat", "a\nb", "<b onclick=x>", "'; DROP TABLE jobs; --", "x" * 255, "💎"]
)
def test_names_of_stacks_are_kept_as_they_are_given(client: Client, places: Places, name: str) -> None:
    frames_in(places.inbox / "moss")
    answer = client.post(API, json={"folder": "moss", "stack": name})
    assert answer.json()["stack"] == name
    assert client.get(f"{API}/1").json()["stack"] == name
    assert client.get(API, params={"search": name}).json()["jobs"][0]["id"] == 1


@pytest.mark.parametrize("name", ["", " ", "a/b", "a\0b", "..", "é" * 128])
def test_names_that_no_file_system_takes_are_refused(client: Client, places: Places, name: str) -> None:
    frames_in(places.inbox / "moss")
    answer = client.post(API, json={"folder": "moss", "stack": name})
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "#/stack")


def test_a_lone_surrogate_is_refused(client: Client) -> None:
    content = b'{"folder": "\\ud800"}'
    answer = client.post(API, content=content, headers={"Content-Type": "application/json"})
    assert answer.status_code in {400, 422}


@pytest.mark.parametrize(
    "body",
    [
        {"recipe": "no such"},
        {"recipe": "../../etc/passwd"},
        {"recipe": "own.toml"},
        {"settings": {"recipe_toml": "[focus]\nadmit = 7"}},
        {"settings": {"recipe_toml": "="}},
        {"settings": {"other": 1}},
    ],
)
def test_recipes_are_checked_when_they_are_asked_for(
    client: Client, store: Store, places: Places, body: dict[str, object]
) -> None:
    frames_in(places.inbox / "moss")
    assert client.post(API, json={"folder": "moss"} | body).status_code == 422
    assert store.jobs().jobs == ()


def test_dark_and_flat_frames_have_to_lie_where_frames_may(
    client: Client, store: Store, places: Places, tmp_path: Path
) -> None:
    frames_in(places.inbox / "moss")
    inside, outside = places.inbox / "masters", tmp_path / "elsewhere"
    frames_in(inside)
    frames_in(outside)
    linking = places.inbox / "linking"
    linking.mkdir()
    (linking / "dark.tif").symlink_to(next(outside.iterdir()))

    def asked(path: Path) -> dict[str, Any]:
        return {"settings": {"recipe_toml": f'[sensor]\ndark = "{path}"\n'}}

    first = client.post(API, json={"folder": "moss"} | asked(inside))
    assert first.status_code == 201, first.text
    again = f"{API}/{first.json()['id']}/run-again"
    for path in (outside, next(outside.iterdir()), linking, tmp_path / "none"):
        assert client.post(API, json={"folder": "moss"} | asked(path)).status_code == 422
        answer = client.post(again, json=asked(path))
        assert (answer.status_code, answer.json()["type"].rsplit("/", 1)[-1]) == (422, "no-such-path")
    assert len(store.jobs().jobs) == 1


def test_a_recipe_of_ones_own_goes_along(client: Client, places: Places) -> None:
    frames_in(places.inbox / "moss")
    own = {"recipe": "mine", "settings": {"recipe_toml": "[focus]\nadmit = 0.4", "reference": "02.tif"}}
    job = client.post(API, json={"folder": "moss"} | own).json()
    assert (job["recipe"], job["settings"]) == ("mine", own["settings"])


@pytest.fixture
def back(monkeypatch: pytest.MonkeyPatch) -> Iterator[threading.Event]:
    """To be set when a share is back; requests wait for it a moment only."""
    monkeypatch.setattr(shares, "PATIENCE", 0.1)
    found = threading.Event()
    yield found
    found.set()


def test_a_share_that_hangs_costs_a_request_its_answer_and_no_other_request(
    client: Client, store: Store, places: Places, monkeypatch: pytest.MonkeyPatch, back: threading.Event
) -> None:
    for name in ("far", "near"):
        frames_in(places.inbox / name)

    asked = []

    def hanging(paths: Iterable[Path]) -> Listing:
        given = list(paths)
        if "far" in str(given):
            asked.append(given)
            back.wait(60)
        return list_frames(given)

    monkeypatch.setattr(submitting, "list_frames", hanging)
    first = client.post(API, json={"folder": "far"})
    assert (first.status_code, first.headers["retry-after"]) == (503, "5")
    assert f"{places.inbox / 'far'} does not answer" in first.json()["detail"]
    assert client.post(API, json={"folder": "far", "stack": "again"}).status_code == 503
    assert len(asked) == 1, "nobody asks again what hangs already"
    # on a busy machine it may take longer than this patience, too
    assert _in_the_end(client, "near") in {200, 201}
    back.set()
    assert _in_the_end(client, "far") in {200, 201}
    assert sorted(job.stack for job in store.jobs(JobQuery()).jobs) == ["far", "near"]


def _in_the_end(client: Client, folder: str) -> int:
    """The answer to a folder that is asked for until it is there."""
    end = time.monotonic() + 60
    while True:
        code = int(client.post(API, json={"folder": folder}).status_code)
        if code != 503 or time.monotonic() > end:
            return code
        time.sleep(0.02)


def test_a_shared_folder_that_hangs_is_no_hindrance_to_others(
    client: Client, places: Places, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, back: threading.Event
) -> None:
    frames_in(places.inbox / "near")
    real = os.path.realpath

    def hanging(path: Any, **named: Any) -> str:
        if str(path).startswith(str(tmp_path / "shared")):
            back.wait(60)
        return str(real(path, **named))

    monkeypatch.setattr(os.path, "realpath", hanging)
    assert _in_the_end(client, "near") in {200, 201}
    far = client.post(API, json={"folder": str(tmp_path / "shared" / "far")})
    assert far.json()["type"].endswith("/late")
