"""The server over HTTP: its state, its workers, what lies in watched folders, whether it can work."""

from __future__ import annotations

import json
import shutil
from typing import Any

import pytest

from nearfar.errors import StoreUnreachable
from nearfar.jobs import JobState, Store, UnitKind
from nearfar.jobs.figures import Pace
from nearfar.merge import recipe as recipes
from nearfar.places import Places
from nearfar_api.status.remaining import Left, stages_left, time_left
from tests.api.conftest import Client, Kicks
from tests.api.making import claim, done, submit

API = "/api/v1"


def test_the_server_is_paused_and_opened(client: Client, store: Store, kicks: Kicks) -> None:
    assert client.get(f"{API}/server").json()["state"] == "open"
    for state in ("paused", "draining", "open"):
        assert client.put(f"{API}/server", json={"state": state}).json()["state"] == state
        assert store.server_state() == state
    assert kicks.count == 3
    assert client.put(f"{API}/server", json={"state": "closed"}).status_code == 422
    assert [event.who for event in store.events()] == ["http"] * 3


def test_the_server_tells_its_figures(client: Client, store: Store) -> None:
    submit(store)
    claim(store)
    found = client.get(f"{API}/server").json()
    assert found["jobs"] == {"waiting": 0, "running": 1, "held": 0, "done": 0, "failed": 0, "cancelled": 0}
    assert found["units"] == {"ready": 0, "held": 1}
    assert (found["workers"], found["slots"], found["disk"], found["broker"]) == (1, 1, None, None)


def test_workers_are_listed(client: Client, store: Store) -> None:
    def states() -> list[tuple[str, str]]:
        found = client.get(f"{API}/workers").json()["workers"]
        return [(worker["id"], worker["state"]) for worker in found]

    submit(store)
    held = claim(store)
    assert states() == [("bench/1-1", "working")]
    store.hand_back(held)
    assert states() == [("bench/1-1", "idle")]
    store.leave("bench/1-1")
    assert states() == [("bench/1-1", "gone")]


def test_recipes_are_listed(client: Client) -> None:
    found = client.get(f"{API}/recipes").json()["recipes"]
    assert [recipe["name"] for recipe in found] == recipes.names()
    assert [recipe["name"] for recipe in found if recipe["default"]] == ["standard"]


def inbox(places: Places) -> dict[str, Any]:
    """As the watch writes it."""
    return {
        "written": 1_800_000_000.5,
        "folders": [
            {"path": str(places.inbox), "problem": None},
            {"path": "/away", "problem": "it is not mounted"},
        ],
        "entries": [
            {
                "path": f"{places.inbox}/fern <b>",
                "stack": "fern <b>",
                "state": "settling",
                "why": "12.tif was written to 2 s ago",
                "seconds": 3.0,
                "frames": 12,
                "expected": 40,
                "job": None,
                "ignored": [["Thumbs.db", "left behind by a system"]],
                "card": None,
            }
        ],
    }


def test_watched_folders_tell_why_they_wait(client: Client, places: Places) -> None:
    assert client.get(f"{API}/inbox").json() == {"written": None, "folders": [], "entries": []}
    told = inbox(places)
    (places.state / "inbox.json").write_text(json.dumps(told), encoding="utf-8")
    assert client.get(f"{API}/inbox").json() == told | {"written": "2027-01-15T08:00:00.500Z"}


def test_an_inbox_file_that_is_damaged_breaks_nothing(client: Client, places: Places) -> None:
    for text in ("", "{", "[]", '{"written": "x", "folders": [], "entries": []}'):
        (places.state / "inbox.json").write_text(text, encoding="utf-8")
        assert client.get(f"{API}/inbox").json()["entries"] == []
        assert client.get("/status").status_code == 200


def checks(client: Client) -> dict[str, bool]:
    client.app.state.checks.forget()
    return {check["name"]: check["ok"] for check in client.get("/health/ready").json()["checks"]}


def test_a_server_with_all_it_needs_is_ready_and_leaves_nothing_behind(
    client: Client, places: Places
) -> None:
    answer = client.get("/health/ready")
    assert (answer.status_code, answer.json()["ready"]) == (200, True)
    assert [check["name"] for check in answer.json()["checks"]] == [
        "store",
        "broker",
        "folder",
        "disk",
        "inbox",
        "results",
    ]
    for folder in (places.inbox, places.results, places.hints):
        assert list(folder.iterdir()) == []


@pytest.mark.parametrize("name", ["inbox", "results"])
def test_a_folder_that_cannot_be_written_to_is_named(client: Client, places: Places, name: str) -> None:
    folder = getattr(places, name)
    folder.rmdir()
    folder.write_bytes(b"no folder")
    answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert answer.headers["retry-after"] == "5"
    wrong = [check for check in answer.json()["checks"] if not check["ok"]]
    assert wrong == [{"name": name, "ok": False, "why": f"{folder}: Not a directory"}]


def test_a_disk_with_too_little_room_is_named(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage("/")._replace(free=0)
    monkeypatch.setattr("nearfar_api.status.readiness.shutil.disk_usage", lambda path: usage)
    assert checks(client)["disk"] is False


def test_a_store_that_takes_nothing_is_named_though_it_answers(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a full disk questions are answered still, so that asking alone said that all is well."""

    def full(*_: object) -> None:
        raise StoreUnreachable("job store sqlite:////x does not answer: database or disk is full")

    monkeypatch.setattr(store.database, "write", full)
    assert store.now() > 0
    client.app.state.checks.forget()
    answer = client.get("/health/ready")
    wrong = [check for check in answer.json()["checks"] if not check["ok"]]
    assert (answer.status_code, [check["name"] for check in wrong]) == (503, ["store"])
    assert "disk is full" in wrong[0]["why"]
    monkeypatch.undo()
    assert checks(client)["store"] is True


def test_a_broker_that_does_not_answer_is_named(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "nearfar.runner.probe.broker_problem", lambda settings: "broker redis://here: refused"
    )
    assert checks(client) == {
        "store": True,
        "broker": False,
        "disk": True,
        "inbox": True,
        "results": True,
        "folder": True,
    }


def test_what_is_left_of_stages_follows_from_the_progress() -> None:
    weights = {"survey": 10.0, "register": 5.0, "render": 20.0, "deliver": 5.0}
    assert stages_left(weights, 0.0) == {UnitKind(name): weight for name, weight in weights.items()}
    half = stages_left(weights, 0.5)
    assert half == {UnitKind.RENDER: 15.0, UnitKind.DELIVER: 5.0}
    assert sum(half.values()) == 20.0
    assert stages_left(weights, 1.0) == {}
    assert stages_left({}, 0.3) == {}


def test_the_time_left_is_a_range_or_honestly_unknown(store: Store, places: Places) -> None:
    done(store, places)
    submit(store)
    claim(store)
    job, figures = store.job(2), store.figures()
    assert job.state is JobState.RUNNING
    pace = {kind: Pace(low=0.5, middle=1.0, high=3.0, count=9) for kind in UnitKind}
    # Two seconds of expected work, nothing done, one worker of which this job has all.
    assert sum(job.weights.values()) == 2.0
    assert time_left(job, pace=pace, figures=figures) == Left(least=1.0, most=6.0)
    del pace[UnitKind.DELIVER]
    assert time_left(job, pace=pace, figures=figures) is None, "a stage that was never seen"
    assert time_left(store.job(1), pace=pace, figures=figures) is None, "it has ended"
    store.leave("bench/1-1")
    assert time_left(job, pace=store.pace(), figures=store.figures()) is None, "nobody works"
