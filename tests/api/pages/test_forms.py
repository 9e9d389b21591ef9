"""What the buttons of the pages send, and that nobody else's page can press them."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

import httpx
import pytest

from nearfar.jobs import FrameEntry, FrameNote, FrameState, JobState, ServerState, Store
from nearfar.merge.registering import IF_NOT
from nearfar.places import Places, small_name
from tests.api.conftest import KEY, Client, Kicks
from tests.api.making import done, fail, finish, submit

OWN = {"origin": "http://localhost", "sec-fetch-site": "same-origin"}

DAMAGED = "cannot be used: found a file that ends early"


def press(
    client: Client, path: str, headers: Mapping[str, str] | None = None, **fields: Any
) -> httpx.Response:
    return client.post(path, data=fields, headers=OWN if headers is None else headers)


@pytest.mark.parametrize("state", list(ServerState))
def test_the_server_is_set_and_the_overview_shown(client: Client, store: Store, state: ServerState) -> None:
    answer = press(client, "/server", state=state)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert store.server_state() is state
    assert f"The server is <strong>{state}</strong>" in client.get("/").text


def test_a_job_is_held_released_moved_and_cancelled(client: Client, store: Store, kicks: Kicks) -> None:
    job = submit(store)
    for what, state in (
        ("hold", JobState.HELD),
        ("release", JobState.WAITING),
        ("cancel", JobState.CANCELLED),
    ):
        answer = press(client, f"/jobs/{job}/do", do=what)
        assert (answer.status_code, answer.headers["location"]) == (303, f"/jobs/{job}")
        assert store.job(job).state is state
    assert press(client, f"/jobs/{job}/do", do="rerun", back="overview").headers["location"] == "/"
    assert store.job(job).state is JobState.WAITING
    assert kicks.count >= 4


def test_priority_goes_up_and_down_and_stays_in_its_range(client: Client, store: Store) -> None:
    job = submit(store, priority=8)
    for _ in range(3):
        press(client, f"/jobs/{job}/do", do="sooner")
    assert store.job(job).priority == 9
    press(client, f"/jobs/{job}/do", do="later")
    assert store.job(job).priority == 8


def test_another_version_leaves_frames_out_and_takes_them_in_again(
    client: Client, store: Store, places: Places
) -> None:
    job = done(store, places)
    answer = press(client, f"/jobs/{job}/again", recipe="macro", leave_out=["01.tif"], reference="00.tif")
    made = int(answer.headers["location"].rsplit("/", 1)[1])
    found = store.job(made)
    assert (found.again_of, found.recipe) == (job, "macro")
    assert found.settings == {"leave_out": ["01.tif"], "reference": "00.tif"}
    answer = press(client, f"/jobs/{made}/again", recipe="macro", reference="00.tif")
    again = store.job(int(answer.headers["location"].rsplit("/", 1)[1]))
    assert again.settings == {"reference": "00.tif"}


def test_a_frame_that_was_set_aside_is_taken_in_by_one_button(
    client: Client, store: Store, places: Places
) -> None:
    light = f"something is held before the lens; {IF_NOT}"
    settings = {"leave_out": ["01.tif", "04.tif"], "set_aside": {"01.tif": "unlike", "04.tif": DAMAGED}}
    frames = tuple(FrameEntry(path=f"/inbox/moss/{k:02d}.tif", size=1000 + k) for k in range(5))
    job = submit(store, frames=frames, settings=settings)
    assert "Use 01.tif" not in client.get(f"/jobs/{job}").text, "while it runs nothing can be changed"
    finish(store, places, job)
    reasons = {1: "unlike", 2: light, 3: "shows another scene", 4: DAMAGED}
    store.note_frames(
        job, [FrameNote(position=k, state=FrameState.LEFT_OUT, reason=why) for k, why in reasons.items()]
    )
    (places.small / str(job)).mkdir(parents=True)
    (places.small / str(job) / small_name(2)).write_bytes(b"a picture")
    text = client.get(f"/jobs/{job}").text
    assert re.search(
        rf'<img src="[^"]*/jobs/{job}/small/2.jpg"[^>]*></a> 01.tif was left out: unlike\.', text
    )
    assert re.search(r"<li>02.tif was left out", text), "no picture is shown that is not there"
    assert "02.tif was left out: something is held before the lens." in text
    assert {k for k in range(5) if f"Use {k:02d}.tif" in text} == {1, 2}, (
        "others would not be used all the same"
    )
    answer = press(client, f"/jobs/{job}/again", leave_out=["01.tif", "04.tif"], use="01.tif/02.tif")
    again = store.job(int(answer.headers["location"].rsplit("/", 1)[1]))
    assert again.settings == {
        "leave_out": ["04.tif"],
        "set_aside": {"04.tif": DAMAGED},
        "other_light": "keep",
    }
    assert store.job(job).settings == settings


def test_what_failed_runs_again_as_it_is_where_nothing_is_changed(client: Client, store: Store) -> None:
    job = submit(store)
    fail(store)
    assert press(client, f"/jobs/{job}/again", recipe="standard").headers["location"] == f"/jobs/{job}"
    assert store.job(job).state is JobState.WAITING


@pytest.mark.parametrize(
    ("path", "fields", "status", "said"),
    [
        ("/server", {"state": "shut"}, 422, "is not a state of the server"),
        ("/jobs/1/do", {"do": "explode"}, 422, "is not an action on a job"),
        ("/jobs/1/do", {"do": "release"}, 409, "waiting"),
        ("/jobs/7/do", {"do": "cancel"}, 404, "no job 7"),
        ("/jobs/1/again", {"recipe": "<script>"}, 422, "No recipe is called"),
        ("/jobs/1/again", {"recipe": "standard"}, 422, "Nothing would be different"),
        ("/jobs/1/again", {"leave_out": "basalt.tif"}, 422, "no frame is called"),
    ],
)
def test_what_cannot_be_is_told_on_a_page_with_a_way_back(
    client: Client, store: Store, path: str, fields: dict[str, str], status: int, said: str
) -> None:
    submit(store)
    answer = press(client, path, None, **fields)
    assert answer.status_code == status
    assert answer.headers["content-type"].startswith("text/html")
    assert said in answer.text
    assert ">Back</a>" in answer.text
    assert "<script>" not in answer.text.split("</head>")[1]


def test_a_form_of_another_kind_is_refused(client: Client, store: Store) -> None:
    submit(store)
    for content_type in ("text/plain", "application/json", "multipart/form-data; boundary=x"):
        headers = OWN | {"content-type": content_type}
        assert client.post("/jobs/1/do", content=b"do=cancel", headers=headers).status_code == 422
    assert store.job(1).state is JobState.WAITING


FOREIGN = [
    {"origin": "http://moss.example", "sec-fetch-site": "cross-site"},
    {"origin": "null"},
    {"origin": "http://localhost:1"},
    {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"},
]
"""What a browser sends along with a form of another site's page (Fetch standard, Origin; Fetch Metadata, Sec-Fetch-Site)."""


@pytest.mark.parametrize("headers", FOREIGN)
@pytest.mark.parametrize("path", ["/server", "/jobs/1/do", "/jobs/1/again"])
def test_a_page_of_another_site_presses_nothing(
    client: Client, store: Store, path: str, headers: dict[str, str]
) -> None:
    submit(store)
    fields = {"state": "draining", "do": "cancel", "leave_out": "01.tif"}
    assert press(client, path, headers, **fields).status_code == 403
    assert store.server_state() is ServerState.OPEN
    assert store.job(1).state is JobState.WAITING
    assert len(store.jobs().jobs) == 1


def test_with_a_key_nothing_is_shown_or_done_without_it(
    client_with: Callable[..., Client], store: Store
) -> None:
    submit(store)
    client = client_with(key=KEY)
    for path in ("/", "/jobs", "/jobs/1", "/live"):
        answer = client.get(path)
        assert answer.status_code == 401
        assert "Basic" in answer.headers["www-authenticate"], "so that browsers ask for it"
        assert "moss" not in answer.text
    assert press(client, "/jobs/1/do", do="cancel").status_code == 401
    assert store.job(1).state is JobState.WAITING
