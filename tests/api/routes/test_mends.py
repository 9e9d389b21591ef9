"""Mends over HTTP: asked for, listed as annotations, undone and redone; versions; the job tells how far they are."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from nearfar.jobs import FrameNote, FrameState, MendState, Outcome, Store, UnitKind
from nearfar.places import Places
from tests.api.conftest import Client
from tests.api.making import claim, submit

NAMES = ("00.tif", "01.tif", "02.tif")
ANNO = "http://www.w3.org/ns/anno.jsonld"
BOX = {"box": [10, 20, 30, 40], "use": "smooth"}


def report(**more: Any) -> str:
    frames = [{"name": name, "used": name != "01.tif", "digest": f"d{k}"} for k, name in enumerate(NAMES)]
    return json.dumps({"format": "nearfar-report/1", "size": [400, 300], "frames": frames, **more})


def mendable(store: Store, places: Places) -> int:
    """A job that is done, whose second frame was left out."""
    job = submit(store)
    folder = places.results / "moss"
    folder.mkdir(parents=True)
    (folder / "moss.tif").write_bytes(b"a picture")
    (folder / "moss.report.json").write_text(report(), encoding="utf-8")
    (folder / "moss.preview.jpg").write_bytes(b"\xff\xd8 a preview")
    notes = [
        FrameNote(position=k, digest=f"d{k}", state=FrameState.LEFT_OUT if k == 1 else FrameState.USED)
        for k in range(3)
    ]
    while (unit := claim(store)).kind is not UnitKind.DELIVER:
        store.finish(unit, Outcome(frames=notes))
    store.finish(unit, Outcome(job_result=str(folder / "moss.tif")))
    return job


@pytest.fixture
def job(store: Store, places: Places) -> int:
    return mendable(store, places)


def carry_out(store: Store, **detail: Any) -> None:
    """Play the part of whoever carries mends out."""
    held = store.claim_mending("bench")
    assert held is not None
    store.finish_mending(held, detail=detail, seconds=0.1)


def test_a_mend_is_made_listed_and_found_where_its_address_says(client: Client, job: int) -> None:
    made = client.post(f"/api/v1/jobs/{job}/mends", json=BOX)
    assert made.status_code == 201
    assert made.headers["location"] == f"/api/v1/jobs/{job}/mends/1"
    assert made.headers["content-type"] == f'application/ld+json; profile="{ANNO}"'
    note = client.get(made.headers["location"]).json()
    assert note == made.json()
    assert ANNO in note["@context"]
    assert note["id"] == f"http://localhost/api/v1/jobs/{job}/mends/1"
    assert (note["type"], note["motivation"]) == ("Annotation", "editing")
    assert note["target"]["source"] == f"http://localhost/iiif/3/job-{job}"
    assert note["target"]["selector"]["value"] == "xywh=10,20,30,40"
    assert note["body"] == {
        "type": "TextualBody",
        "value": "smooth",
        "format": "text/plain",
        "purpose": "editing",
    }
    assert note["creator"] == {"type": "Person", "nickname": "http"}
    page = client.get(f"/api/v1/jobs/{job}/mends")
    assert page.headers["content-type"] == made.headers["content-type"]
    assert page.json()["type"] == "AnnotationPage"
    assert page.json()["id"] == f"http://localhost/api/v1/jobs/{job}/mends"
    assert [item["id"] for item in page.json()["items"]] == [note["id"]]


def test_what_is_told_can_be_given_back(client: Client, job: int) -> None:
    first = client.post(f"/api/v1/jobs/{job}/mends", json={"box": [1, 2, 3, 4], "frame": "02.tif"}).json()
    assert first["body"]["source"] == f"http://localhost/iiif/3/job-{job}:frame-3"
    content = json.dumps(first).encode()
    again = client.post(
        f"/api/v1/jobs/{job}/mends", content=content, headers={"content-type": "application/ld+json"}
    )
    assert again.status_code == 201
    second = again.json()
    assert {k: second[k] for k in ("body", "target")} == {k: first[k] for k in ("body", "target")}


def test_undone_mends_stay_and_say_so(client: Client, job: int) -> None:
    client.post(f"/api/v1/jobs/{job}/mends", json=BOX)
    client.post(f"/api/v1/jobs/{job}/mends", json=BOX)
    gone = client.ask("DELETE", f"/api/v1/jobs/{job}/mends/1")
    assert (gone.status_code, gone.json()["nearfar:inForce"]) == (200, False)
    items = client.get(f"/api/v1/jobs/{job}/mends").json()["items"]
    assert [item["nearfar:inForce"] for item in items] == [False, True]
    assert items[0]["nearfar:undoneBy"] == "http"
    assert client.get(f"/api/v1/jobs/{job}").json()["mends"]["count"] == 1
    back = client.post(f"/api/v1/jobs/{job}/mends/1/redo")
    assert (back.status_code, back.json()["nearfar:inForce"]) == (200, True)
    assert "nearfar:undone" not in back.json()


def test_the_job_tells_how_far_its_mends_are(client: Client, store: Store, job: int) -> None:
    def told() -> dict[str, Any]:
        found: dict[str, Any] = client.get(f"/api/v1/jobs/{job}").json()["mends"]
        return found

    assert told() == {"count": 0, "state": "none", "reason": None}
    client.post(f"/api/v1/jobs/{job}/mends", json=BOX)
    assert told() == {"count": 1, "state": "working", "reason": None}
    carry_out(store)
    assert told()["state"] == "shown"
    client.ask("DELETE", f"/api/v1/jobs/{job}/mends/1")
    held = store.claim_mending("bench")
    assert held is not None
    store.fail_mending(held, cause="disk", reason="there is no room", retry=False)
    assert told() == {"count": 0, "state": "failed", "reason": "there is no room"}


def test_events_tell_that_a_new_picture_is_there_and_end_then(client: Client, store: Store, job: int) -> None:
    client.post(f"/api/v1/jobs/{job}/mends", json=BOX)
    carry_out(store, version=2)
    assert store.mending([job])[job].state is MendState.SHOWN
    text = client.get(f"/api/v1/jobs/{job}/events").text
    events = [line.removeprefix("event: ") for line in text.splitlines() if line.startswith("event: ")]
    assert events[-3:] == ["mended", "progress", "end"]
    assert "mend.added" in events


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ({}, "/box"),
        ({"box": [10, 20, 30, 40], "use": "paint"}, "/use"),
        ({"box": [10, 20, 30, 40], "frame": "01.tif"}, "/frame"),  # left out of the picture
        ({"box": [1000, 20, 30, 40], "use": "map"}, "400 x 300"),
        ({"type": "Annotation", "motivation": "editing", "body": {}, "target": {}}, "/target"),
    ],
)
def test_what_cannot_be_done_is_refused_with_its_place(
    client: Client, job: int, body: dict[str, Any], told: str
) -> None:
    answer = client.post(f"/api/v1/jobs/{job}/mends", json=body)
    assert answer.status_code == 422
    assert told in answer.json()["detail"]
    assert client.get(f"/api/v1/jobs/{job}/mends").json()["items"] == []


def test_other_bodies_and_numbers_are_refused(client: Client, store: Store, job: int) -> None:
    mends = f"/api/v1/jobs/{job}/mends"
    plain = client.post(mends, content=b"{}", headers={"content-type": "text/plain"})
    assert plain.status_code in (415, 422)
    for method, path in (("DELETE", "/7"), ("POST", "/7/redo"), ("GET", "/7")):
        assert client.ask(method, mends + path).status_code == 404
    assert client.get("/api/v1/jobs/999/mends").status_code == 404
    gone = client.get("/api/v1/jobs/999/mends/1").json()["detail"]
    assert gone.startswith("there is no job 999")
    waiting = submit(store)
    answer = client.post(f"/api/v1/jobs/{waiting}/mends", json=BOX)
    assert (answer.status_code, answer.json()["state"]) == (409, "waiting")


def test_a_report_that_tells_nothing_is_told_of(client: Client, places: Places, job: int) -> None:
    Path(places.results / "moss" / "moss.report.json").write_text("{", encoding="utf-8")
    answer = client.post(f"/api/v1/jobs/{job}/mends", json=BOX)
    assert (answer.status_code, answer.json()["type"]) == (422, "/api/v1/problems/refused")


def test_earlier_versions_are_listed_and_fetched(client: Client, places: Places, job: int) -> None:
    assert client.get(f"/api/v1/jobs/{job}/versions").json() == {"versions": []}
    for number, mends in ((1, []), (10, [{"number": 1}, {"number": 3}]), (2, [{"number": 1}])):
        kept = places.results / "moss" / "earlier" / str(number)
        kept.mkdir(parents=True)
        (kept / "moss.tif").write_bytes(b"picture %d" % number)
        (kept / "moss.report.json").write_text(report(mends=mends), encoding="utf-8")
    (places.results / "moss" / "earlier" / "x").mkdir()
    found = client.get(f"/api/v1/jobs/{job}/versions").json()["versions"]
    assert [(v["number"], v["mends"]) for v in found] == [(1, []), (2, [1]), (10, [1, 3])]
    assert client.get(found[2]["links"]["picture"]).content == b"picture 10"
    assert client.get(found[0]["links"]["report"]).json()["size"] == [400, 300]
    assert client.get(found[0]["links"]["preview"]).status_code == 404
    assert client.get(f"/api/v1/jobs/{job}/versions/3/picture").status_code == 404
    assert client.get(f"/api/v1/jobs/{job}/versions/1/focus").status_code == 422
    names = [file["name"] for file in client.get(f"/api/v1/jobs/{job}/files").json()["files"]]
    assert names == ["moss.preview.jpg", "moss.report.json", "moss.tif"]
