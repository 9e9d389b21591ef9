"""Whose jobs are whose: submitting, seeing, and how much of the server one owner may take up."""

from __future__ import annotations

import threading
from typing import Any

import httpx
import pytest

from nearfar.jobs import Role, Store
from nearfar.places import Places
from tests.api.conftest import KEY, Client, frames_in
from tests.api.making import done, submit
from tests.api.people import OWN_PAGE, Studio, studio

API = "/api/v1/jobs"
UPLOAD = {"stack": "sent", "upload": [{"name": "1.tif", "size": 60}, {"name": "2.tif", "size": 40}]}


@pytest.fixture
def moss(store: Store, places: Places) -> Studio:
    return studio(store, places.data, key=KEY)


def post(moss: Studio, name: str, **content: Any) -> httpx.Response:
    return moss.client.post(API, json={**UPLOAD, **content}, headers=moss.session(name))


def test_a_job_belongs_to_whoever_submits_it(moss: Studio) -> None:
    assert post(moss, "submit").json()["owner"] == "submit"
    bearer = {"authorization": f"Bearer {moss.key(Role.SUBMIT, account='owner')}"}
    assert moss.client.post(API, json=UPLOAD, headers=bearer).json()["owner"] == "owner"
    own = {"authorization": f"Bearer {KEY}"}
    assert moss.client.post(API, json=UPLOAD, headers=own).json()["owner"] == "studio"
    events = [event for event in moss.store.events() if event.action == "job.submitted"]
    assert [event.who for event in events] == ["submit", "owner (key 1)", "server key"]


def test_only_who_runs_the_server_submits_for_someone_else(moss: Studio) -> None:
    refused = post(moss, "submit", owner="owner")
    assert (refused.status_code, refused.json()["needs"]) == (403, "run")
    assert post(moss, "submit", owner="submit").status_code == 201
    assert post(moss, "run", owner="owner").json()["owner"] == "owner"


def test_frames_are_taken_from_the_owner_alone(moss: Studio) -> None:
    job = post(moss, "submit").json()["id"]
    for name, status in (("owner", 403), ("mend", 403), ("submit", 200)):
        answer = moss.client.put(f"{API}/{job}/frames/1", content=b"x" * 60, headers=moss.session(name))
        assert answer.status_code == status, name


def test_a_key_of_the_server_itself_changes_what_it_submitted(moss: Studio) -> None:
    _, secret = moss.people.make_key(account=None, name="rig", scopes=[Role.SUBMIT], days=None, who="console")
    headers = {"authorization": f"Bearer {secret}"}
    job = moss.client.post(API, json=UPLOAD, headers=headers).json()
    assert job["owner"] == "studio"
    assert moss.client.post(f"{API}/{job['id']}/cancel", headers=headers).status_code == 200


def test_private_jobs_are_listed_to_their_owner_and_to_who_runs_the_server(
    store: Store, places: Places
) -> None:
    moss = studio(store, places.data, people={"private": True})
    submit(store, owner="owner", stack="lichen")
    submit(store, owner="submit", stack="beetle")

    def listed(name: str, query: str = "") -> list[str]:
        found = moss.client.get(f"{API}{query}", headers=moss.session(name)).json()["jobs"]
        return sorted(job["stack"] for job in found)

    assert listed("owner") == ["lichen"]
    assert listed("owner", "?owner=submit") == []
    assert listed("look") == []
    assert listed("run") == ["beetle", "lichen"]
    for path in ("/", "/jobs", "/?part=live"):
        page = moss.client.get(path, headers=moss.session("owner")).text
        assert "lichen" in page
        assert "beetle" not in page
        assert str(places.inbox) not in page


def test_where_jobs_are_private_others_uploads_are_no_source_of_frames(store: Store, places: Places) -> None:
    frames_in(places.uploads / "7")
    body = {"folder": str(places.uploads / "7")}
    open_studio = studio(store, places.data)
    assert open_studio.client.post(API, json=body, headers=open_studio.session("submit")).status_code == 201
    private = Studio(client=open_studio.client, people=open_studio.people, store=store)
    settings = private.client.app.state.access.settings
    private.client.app.state.access.settings = settings.model_copy(
        update={"people": settings.people.model_copy(update={"private": True})}
    )
    assert private.client.post(API, json=body, headers=private.session("submit")).status_code == 422


def limited(store: Store, places: Places, **limits: int) -> Studio:
    return studio(store, places.data, people=limits)


def reached(answer: httpx.Response) -> str:
    assert answer.status_code == 403, answer.text
    assert answer.json()["type"] == "/api/v1/problems/quota-reached"
    return str(answer.json()["quota"])


def test_jobs_under_way_are_limited_for_each_owner(store: Store, places: Places) -> None:
    moss = limited(store, places, jobs=2)
    assert [post(moss, "submit").status_code for _ in range(2)] == [201, 201]
    assert reached(post(moss, "submit")) == "jobs"
    assert post(moss, "owner").status_code == 201, "another owner has a part of their own"
    store.cancel(1, who="submit")
    assert post(moss, "submit").status_code == 201
    assert reached(moss.client.post(f"{API}/1/run-again", headers=moss.session("submit"))) == "jobs"
    answer = moss.client.post(
        "/jobs/1/do", data={"do": "rerun"}, headers=moss.session("submit") | {"accept": "text/html"}
    )
    assert answer.status_code == 403
    assert "people.jobs" in answer.text


def test_many_submissions_at_a_time_do_not_slip_through_together(store: Store, places: Places) -> None:
    moss = limited(store, places, jobs=3)
    headers = moss.session("submit")
    codes: list[int] = []

    def one() -> None:
        codes.append(Client(moss.client.app).post(API, json=UPLOAD, headers=headers).status_code)

    threads = [threading.Thread(target=one) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(codes) == [201] * 3 + [403] * 5


def test_uploads_count_as_announced_and_as_long_as_they_are_kept(store: Store, places: Places) -> None:
    moss = limited(store, places, uploads=250)
    assert [post(moss, "submit").status_code for _ in range(2)] == [201, 201]
    assert reached(post(moss, "submit")) == "uploads"
    frames_in(places.inbox / "moss")
    by_path = moss.client.post(API, json={"folder": "moss"}, headers=moss.session("submit"))
    assert by_path.status_code == 201, "nothing is uploaded"
    store.cancel(1, who="submit")
    assert post(moss, "submit").status_code == 201, "nothing of it was kept"
    store.cancel(2, who="submit")
    (places.uploads / "2").mkdir()
    assert reached(post(moss, "submit")) == "uploads"


def test_results_count_as_long_as_they_lie_on_the_disk(store: Store, places: Places) -> None:
    done(store, places, picture=b"x" * 1000)
    moss = limited(store, places, results=1000)
    assert reached(post(moss, "run", owner="studio")) == "results"
    assert post(moss, "submit").status_code == 201
    for path in (places.results / "moss").iterdir():
        path.unlink()
    assert post(moss, "run", owner="studio").status_code == 201


def test_limits_do_not_count_where_nobody_is_asked_who_they_are(client: Client, store: Store) -> None:
    settings = client.app.state.context.settings
    client.app.state.context.settings = settings.model_copy(
        update={"people": settings.people.model_copy(update={"jobs": 1})}
    )
    assert [client.post(API, json=UPLOAD, headers=OWN_PAGE).status_code for _ in range(2)] == [201, 201]


def test_the_trail_tells_of_accounts_and_refusals_only_to_who_runs_the_server(moss: Studio) -> None:
    post(moss, "submit")

    def actions(name: str) -> set[str]:
        found = moss.client.get("/api/v1/trail?limit=1000", headers=moss.session(name)).json()["events"]
        return {event["action"] for event in found}

    assert "account.added" in actions("run")
    assert {"job.submitted"} <= actions("look")
    assert not any(action.startswith(("account.", "session.", "key.")) for action in actions("look"))


def test_everyone_is_told_who_they_are_and_what_the_scopes_mean(moss: Studio) -> None:
    bearer = {"authorization": f"Bearer {moss.key(Role.MEND)}"}
    me = moss.client.get("/api/v1/me", headers=bearer).json()
    assert (me["name"], me["role"], me["owner"], me["known_by"]) == ("mend (key 1)", "mend", "mend", "key")
    found = moss.client.get("/api/v1/rights", headers=bearer).json()
    assert [role["name"] for role in found["roles"]] == ["look", "submit", "mend", "run"]
    assert {"method": "PUT", "path": "/api/v1/server", "role": "run", "own": False} in found["routes"]
