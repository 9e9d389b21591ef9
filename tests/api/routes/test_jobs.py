"""Jobs over HTTP: what a client gets to see, and what it may do to them."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
import pytest

from nearfar.jobs import FrameNote, FrameState, JobState, Store
from nearfar.places import Places
from nearfar.runner.failures import PUT_BACK
from tests.api.conftest import Client, Kicks, frames_in
from tests.api.making import claim, done, fail, finish, submit

API = "/api/v1"
RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")
FIELDS = {
    *(
        "id",
        "stack",
        "owner",
        "recipe",
        "settings",
        "priority",
        "state",
        "cause",
        "reason",
        "waits",
        "progress",
        "stage",
    ),
    *(
        "left",
        "run",
        "created",
        "updated",
        "started",
        "finished",
        "sources",
        "again_of",
        "frames",
        "mends",
        "fetched_from",
        "delivered_to",
        "links",
    ),
}


def said(answer: httpx.Response, status: int = 200) -> dict[str, object]:
    assert answer.status_code == status, answer.text
    found = answer.json()
    assert isinstance(found, dict)
    return found


def test_a_job_has_all_its_fields_and_no_others(client: Client, store: Store) -> None:
    submit(store)
    job = said(client.get(f"{API}/jobs/1"))
    assert set(job) == FIELDS
    assert job["state"] == "waiting"
    assert job["stage"] == "survey"
    assert RFC_3339.fullmatch(str(job["created"]))
    assert (job["started"], job["finished"], job["left"]) == (None, None, None)
    assert job["frames"] == {"total": 3, "expected": 0, "present": 3, "used": 0, "left_out": 0, "refused": 0}
    assert job["links"] == {
        "self": "/api/v1/jobs/1",
        "events": "/api/v1/jobs/1/events",
        "frames": "/api/v1/jobs/1/frames",
        "files": "/api/v1/jobs/1/files",
        "picture": None,
        "report": None,
        "preview": None,
    }


def test_links_to_results_appear_with_the_result(client: Client, store: Store, places: Places) -> None:
    links = said(client.get(f"{API}/jobs/{done(store, places)}"))["links"]
    assert isinstance(links, dict)
    for name in ("picture", "report", "preview"):
        assert client.get(links[name]).status_code == 200, name


def test_a_folder_in_the_inbox_becomes_a_job(client: Client, places: Places, kicks: Kicks) -> None:
    frames_in(places.inbox / "moss")
    answer = client.post(f"{API}/jobs", json={"folder": "moss", "priority": 2})
    job = said(answer, 201)
    assert answer.headers["location"] == "/api/v1/jobs/1"
    assert set(job) == FIELDS | {"duplicate"}
    assert (job["stack"], job["owner"], job["priority"], job["duplicate"]) == ("moss", "studio", 2, False)
    frames = said(client.get(f"{API}/jobs/1/frames"))["frames"]
    assert isinstance(frames, list)
    assert [frame["name"] for frame in frames] == ["01.tif", "02.tif", "03.tif"]
    assert frames[0]["received"] == frames[0]["size"] == len(b"a frame called 01.tif")
    assert kicks.count == 1, (
        "the thread that publishes hints is told, and nothing is published in the request"
    )


@pytest.mark.parametrize(
    ("path", "body", "state"),
    [("cancel", {"reason": "blurred"}, "cancelled"), ("hold", {"reason": "not yet"}, "held")],
)
def test_people_stop_a_job_and_say_why(
    client: Client, store: Store, kicks: Kicks, path: str, body: dict[str, str], state: str
) -> None:
    submit(store)
    job = said(client.post(f"{API}/jobs/1/{path}", json=body))
    assert (job["state"], job["reason"]) == (state, body["reason"])
    assert kicks.count == 1


def test_a_body_may_be_left_out_where_nothing_has_to_be_said(client: Client, store: Store) -> None:
    submit(store)
    assert said(client.post(f"{API}/jobs/1/hold"))["state"] == "held"
    assert said(client.post(f"{API}/jobs/1/release", json={}))["state"] == "waiting"
    assert said(client.post(f"{API}/jobs/1/cancel"))["state"] == "cancelled"
    assert said(client.post(f"{API}/jobs/1/run-again", json={}))["run"] == 2


def test_frames_that_another_job_merged_need_not_be_put_back(
    client: Client, store: Store, places: Places
) -> None:
    job = submit(store, digest="d")
    fail(store, cause="missing", reason=f"01.tif: there is no such file any longer in /inbox/moss{PUT_BACK}")

    def said() -> str:
        return str(client.get(f"{API}/jobs/{job}").json()["reason"])

    for another in ({"owner": "lena"}, {"digest": "e"}):  # not one's own, or other frames
        submit(store, **{"digest": "d"} | another)
        fail(store)
    assert said().endswith("put it back and run again")
    other = submit(store, digest="d")
    gone = f"01.tif: there is no such file any longer in /inbox/moss; job {other}"
    assert said() == f"{gone} has the same frames and is waiting, so nothing need be done"
    finish(store, places, other)
    assert said() == f"{gone} merged the same frames, so nothing need be done"
    assert client.get(f"{API}/jobs").json()["jobs"][-1]["reason"] == said()


def test_the_priority_is_changed(client: Client, store: Store) -> None:
    submit(store)
    assert said(client.ask("PATCH", f"{API}/jobs/1", json={"priority": 9}))["priority"] == 9
    assert client.ask("PATCH", f"{API}/jobs/1", json={"priority": 10}).status_code == 422
    assert client.ask("PATCH", f"{API}/jobs/1", json={}).status_code == 422


def test_what_the_state_does_not_allow_is_refused_with_what_it_does(client: Client, store: Store) -> None:
    submit(store)
    client.post(f"{API}/jobs/1/cancel")
    problem = said(client.post(f"{API}/jobs/1/hold"), 409)
    assert problem["type"] == "/api/v1/problems/wrong-state"
    assert (problem["state"], problem["possible"]) == ("cancelled", ["waiting"])


def test_running_again_with_other_settings_is_a_new_job(client: Client, store: Store, places: Places) -> None:
    old = done(store, places)
    answer = client.post(f"{API}/jobs/{old}/run-again", json={"recipe": "macro"})
    job = said(answer, 201)
    assert answer.headers["location"] == f"/api/v1/jobs/{job['id']}"
    assert (job["again_of"], job["recipe"], job["state"]) == (old, "macro", "waiting")
    assert said(client.get(f"{API}/jobs/{old}"))["state"] == "done"
    assert said(client.post(f"{API}/jobs/{old}/run-again"), 409)["state"] == "done"


@pytest.mark.parametrize(
    "body", [{"recipe": "no such"}, {"settings": {"recipe_toml": "x = "}}, {"leave_out": ["99.tif"]}]
)
def test_running_again_with_what_is_not_there_is_refused(
    client: Client, store: Store, places: Places, body: dict[str, object]
) -> None:
    old = done(store, places)
    assert client.post(f"{API}/jobs/{old}/run-again", json=body).status_code == 422
    assert len(store.jobs().jobs) == 1


def test_the_list_is_filtered_sorted_and_paged(client: Client, store: Store) -> None:
    for k in range(7):
        submit(store, stack=f"moss {k % 3}", owner=["studio", "lab"][k % 2], priority=k % 2)
    store.cancel(3, who="tester")

    def ids(**query: object) -> list[int]:
        return [job["id"] for job in client.get(f"{API}/jobs", params=query).json()["jobs"]]

    assert ids() == [7, 6, 5, 4, 3, 2, 1]
    assert ids(sort="created") == [1, 2, 3, 4, 5, 6, 7]
    assert ids(state="cancelled") == [3]
    assert ids(state=["cancelled", "waiting"], sort="created", limit=3) == [1, 2, 3]
    assert ids(owner="lab", sort="created") == [2, 4, 6]
    assert ids(search="MOSS 1", sort="created") == [2, 5]
    assert ids(sort="finished") == [3]
    assert ids(sort="-priority", limit=2) == [6, 4]
    found: list[int] = []
    cursor = None
    while True:
        query = {"sort": "stack", "limit": 2} | ({"cursor": cursor} if cursor else {})
        page = client.get(f"{API}/jobs", params=query).json()
        found += [job["id"] for job in page["jobs"]]
        cursor = page["next"]
        if cursor is None:
            break
    assert found == [1, 4, 7, 2, 5, 3, 6]


@pytest.mark.parametrize(
    "query",
    [{"limit": 0}, {"limit": 201}, {"sort": "id"}, {"state": "lost"}, {"cursor": "x"}, {"owner": "a\0b"}],
)
def test_a_list_that_cannot_be_is_refused(client: Client, store: Store, query: dict[str, str]) -> None:
    problem = said(client.get(f"{API}/jobs", params=query), 422)
    assert problem["type"] == "/api/v1/problems/invalid"


def test_a_job_has_a_weak_tag_that_changes_with_it(client: Client, store: Store) -> None:
    submit(store)
    tag = client.get(f"{API}/jobs/1").headers["etag"]
    assert tag.startswith('W/"')
    known = client.get(f"{API}/jobs/1", headers={"If-None-Match": f'"other", {tag}'})
    assert (known.status_code, known.content, known.headers["etag"]) == (304, b"", tag)
    store.note_frames(1, [FrameNote(position=0, state=FrameState.REFUSED, reason="is cut off")])
    assert client.get(f"{API}/jobs/1", headers={"If-None-Match": tag}).status_code == 200


def test_units_and_attempts_tell_how_the_work_went(client: Client, store: Store) -> None:
    submit(store)
    fail(store)
    units = said(client.get(f"{API}/jobs/1/units"))["units"]
    attempts = said(client.get(f"{API}/jobs/1/attempts"))["attempts"]
    assert isinstance(units, list)
    assert isinstance(attempts, list)
    assert [(unit["kind"], unit["state"]) for unit in units] == [
        ("survey", "failed"),
        ("deliver", "cancelled"),
    ]
    assert [attempt["step"] for attempt in attempts] == ["started", "failed"]
    assert attempts[1]["reason"] == "02.tif cannot be read"
    assert store.job(1).state is JobState.FAILED


def test_the_time_left_is_told_once_units_were_seen(client: Client, store: Store, places: Places) -> None:
    done(store, places)
    submit(store)
    claim(store)
    left = said(client.get(f"{API}/jobs/2"))["left"]
    assert isinstance(left, dict)
    assert 0 <= left["least"] <= left["most"]


@pytest.mark.parametrize("job", ["2", "0", "-1", str(2**63), "x", "1.5", "%00"])
@pytest.mark.parametrize("part", ["", "/frames", "/files", "/units", "/attempts", "/events", "/picture"])
def test_a_job_that_is_not_there_is_a_problem_and_no_mistake(
    client: Client, store: Store, job: str, part: str
) -> None:
    submit(store)
    problem = said(client.get(f"{API}/jobs/{job}{part}"), 404 if job == "2" else 422)
    assert problem["status"] in {404, 422}


def test_the_same_request_under_one_key_is_one_job(client: Client, places: Places) -> None:
    folder = frames_in(places.inbox / "moss")
    key = {"Idempotency-Key": "b9a7"}
    first = said(client.post(f"{API}/jobs", json={"folder": "moss"}, headers=key), 201)
    # The frames were moved away, as inbox.after = "move" does, and the client asks again since no answer came.
    folder.rename(places.data / "moved")
    again = client.post(f"{API}/jobs", json={"folder": "moss"}, headers=key)
    assert said(again, 200) == first | {"duplicate": True}
    assert again.headers["location"] == f"/api/v1/jobs/{first['id']}"
    other = client.post(f"{API}/jobs", json={"folder": "moss", "priority": 1}, headers=key)
    assert said(other, 409)["type"] == "/api/v1/problems/key-reused"
    assert (
        client.post(f"{API}/jobs", json={"folder": "moss"}, headers={"Idempotency-Key": ""}).status_code
        == 422
    )


def test_a_set_that_came_before_is_skipped_where_that_is_wanted(client: Client, places: Places) -> None:
    frames_in(places.inbox / "moss")
    frames_in(places.inbox / "copy of moss")
    wish = {"duplicates": "skip"}
    first = said(client.post(f"{API}/jobs", json={"folder": "moss"} | wish), 201)
    second = said(client.post(f"{API}/jobs", json={"folder": "copy of moss"} | wish), 200)
    assert (second["id"], second["duplicate"]) == (first["id"], True)
    assert said(client.post(f"{API}/jobs", json={"folder": "moss", "duplicates": "again"}), 201)["id"] == 2
    assert said(client.post(f"{API}/jobs", json={"folder": "moss", "recipe": "macro"} | wish), 201)["id"] == 3


def test_a_job_is_held_from_the_start_where_that_is_wanted(client: Client, places: Places) -> None:
    frames_in(places.inbox / "moss")
    job = said(client.post(f"{API}/jobs", json={"folder": "moss", "hold": True}), 201)
    assert (job["state"], job["reason"]) == ("held", "held at submission")
    assert said(client.post(f"{API}/jobs/1/release"))["state"] == "waiting"


def test_who_asks_stands_in_the_trail(client: Client, store: Store) -> None:
    submit(store)
    client.post(f"{API}/jobs/1/cancel", auth=("mara", "any"))
    events = client.get(f"{API}/trail", params={"job": 1}).json()["events"]
    assert [(event["action"], event["who"]) for event in events] == [
        ("job.submitted", "tester"),
        ("job.cancelled", "mara"),
    ]


def test_names_that_are_no_utf_8_are_shown_and_break_nothing(client: Client, places: Places) -> None:
    folder = frames_in(places.inbox / "moss")
    Path(str(folder).encode().decode() + "/\udcff.tif").write_bytes(b"x")
    said(client.post(f"{API}/jobs", json={"folder": "moss"}), 201)
    frames = client.get(f"{API}/jobs/1/frames").json()["frames"]
    assert "\\udcff.tif" in [frame["name"] for frame in frames]
