"""Frames that come over HTTP: whole, in pieces, broken off, twice at once, wrong, too large, with no room."""

from __future__ import annotations

import dataclasses
import fcntl
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

from nearfar.jobs import FrameState, JobState, Store
from nearfar.places import Places
from nearfar.runner.disk import NAME as DISK
from nearfar_api.context import Context
from nearfar_api.transfer import arrival
from tests.api.conftest import Client, Kicks
from tests.api.making import field

API = "/api/v1/jobs"
DATA = bytes(k * 31 % 256 for k in range(3000))
OCTETS = {"Content-Type": "application/octet-stream"}


def announce(client: Client, *names: str, **more: Any) -> int:
    frames = [{"name": name, "size": len(DATA)} for name in names or ("01.tif", "02.tif")]
    answer = client.post(API, json={"stack": "moss", "upload": frames} | more)
    assert answer.status_code == 201, answer.text
    return int(answer.json()["id"])


def put(client: Client, job: int, number: int, data: bytes = DATA, **headers: str) -> httpx.Response:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return client.put(f"{API}/{job}/frames/{number}", content=data, headers=OCTETS | named)


def piece(first: int, stop: int, total: int = len(DATA)) -> dict[str, str]:
    return {"Content_Range": f"bytes {first}-{stop - 1}/{total}"}


def test_the_job_begins_by_itself_after_the_last_frame(
    client: Client, store: Store, places: Places, kicks: Kicks
) -> None:
    job = announce(client)
    assert client.get(f"{API}/{job}").json()["state"] == "held"
    first = put(client, job, 2)
    assert first.json() == {"received": 3000, "size": 3000, "complete": True}
    counts = client.get(f"{API}/{job}").json()
    assert (counts["state"], counts["frames"]["expected"], counts["frames"]["present"]) == ("held", 1, 1)
    before = kicks.count
    assert put(client, job, 1).status_code == 200
    assert client.get(f"{API}/{job}").json()["state"] == "waiting"
    assert kicks.count > before
    assert {unit.kind for unit in store.units(job)} >= {"survey"}
    for name in ("01.tif", "02.tif"):
        assert (places.uploads / str(job) / name).read_bytes() == DATA
    assert sorted(p.name for p in (places.uploads / str(job)).iterdir()) == ["01.tif", "02.tif"]


def test_an_upload_that_is_to_wait_is_held_once_it_is_complete(client: Client, store: Store) -> None:
    job = announce(client, "01.tif", hold=True)
    assert "waits for its release" in (store.job(job).reason or "")
    put(client, job, 1)
    found = store.job(job)
    assert (found.state, found.reason) == (JobState.HELD, "held at submission")
    assert client.post(f"{API}/{job}/release").json()["state"] == "waiting"


def test_an_upload_that_is_not_complete_cannot_be_released(client: Client) -> None:
    job = announce(client)
    assert client.post(f"{API}/{job}/release").status_code == 409


def test_pieces_come_in_order_and_the_file_tells_where_to_go_on(client: Client, places: Places) -> None:
    job = announce(client, "01.tif")
    path = f"{API}/{job}/frames/1"
    assert client.get(path).json() == {"received": 0, "size": 3000, "complete": False}
    answer = put(client, job, 1, DATA[:1000], **piece(0, 1000))
    assert answer.json() == {"received": 1000, "size": 3000, "complete": False}
    # Someone cut the file by hand, or a power cut did: what is there counts, not what was once said.
    os.truncate(places.uploads / str(job) / "1.part", 900)
    head = client.ask("HEAD", path)
    assert (head.headers["received"], head.content) == ("900", b"")
    assert client.get(f"{API}/{job}/frames").json()["frames"][0]["received"] == 900
    wrong = put(client, job, 1, DATA[1000:], **piece(1000, 3000))
    assert (wrong.status_code, wrong.json()["received"]) == (409, 900)
    assert wrong.json()["type"] == "/api/v1/problems/wrong-offset"
    last = put(client, job, 1, DATA[900:], **piece(900, 3000))
    assert last.json()["complete"] is True
    assert (places.uploads / str(job) / "01.tif").read_bytes() == DATA


def test_a_whole_frame_begins_anew_whatever_was_here(client: Client, places: Places) -> None:
    job = announce(client, "01.tif")
    put(client, job, 1, b"something else"[:10], **piece(0, 10))
    assert put(client, job, 1).status_code == 200
    assert (places.uploads / str(job) / "01.tif").read_bytes() == DATA


def test_whoever_comes_while_a_frame_gets_its_name_does_not_write_over_it(
    client: Client, places: Places, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = announce(client, "01.tif", "02.tif")
    assert put(client, job, 1).status_code == 200
    folder, looks = places.uploads / str(job), list[bool]()
    before = (folder / "01.tif").stat()

    def early(*given: Any) -> arrival.Awaited:
        found = real(*given)
        looks.append(found.here)
        return dataclasses.replace(found, here=found.here and len(looks) > 1)

    real = arrival.look_up
    monkeypatch.setattr(arrival, "look_up", early)
    answer = put(client, job, 1, bytes(len(DATA)))
    assert (answer.status_code, answer.json()["type"]) == (409, "/api/v1/problems/frame-complete")
    assert looks == [True, True]
    assert (folder / "01.tif").stat() == before
    assert [path.name for path in folder.iterdir()] == ["01.tif"], "no part is left"


def test_a_body_without_a_length_is_counted_as_it_comes(client: Client) -> None:
    job = announce(client, "01.tif")

    async def chunks(data: bytes) -> Any:
        for k in range(0, len(data), 500):
            yield data[k : k + 500]

    longer = client.put(f"{API}/{job}/frames/1", content=chunks(DATA + b"x"))
    assert longer.status_code == 413
    assert client.get(f"{API}/{job}/frames/1").json()["received"] == 0
    short = client.put(f"{API}/{job}/frames/1", content=chunks(DATA[:700]))
    assert short.json() == {"received": 700, "size": 3000, "complete": False}
    rest = client.put(
        f"{API}/{job}/frames/1", content=chunks(DATA[700:]), headers={"Content-Range": "bytes 700-2999/3000"}
    )
    assert rest.json()["complete"] is True


@pytest.mark.parametrize(
    ("headers", "data", "status", "kind"),
    [
        ({}, DATA + b"x", 413, "too-large"),
        ({}, DATA[:-1], 422, "invalid"),
        (piece(0, 3000, 3001), DATA, 413, "too-large"),
        (piece(0, 3001, 3001), DATA, 413, "too-large"),
        (piece(0, 1000, 2999), DATA[:1000], 400, "malformed"),
        (piece(0, 1000), DATA[:999], 400, "malformed"),
        ({"Content_Range": "bytes 5-2/3000"}, b"", 400, "malformed"),
        ({"Content_Range": "bytes 0-9/*"}, DATA[:10], 400, "malformed"),
        ({"Content_Range": "0-9/3000"}, DATA[:10], 400, "malformed"),
        ({"Repr_Digest": "sha-256=abc"}, DATA, 400, "malformed"),
        ({"Content_Digest": "sha-256=:AAAA:"}, DATA, 400, "malformed"),
    ],
)
def test_what_cannot_be_a_piece_is_refused_before_it_is_kept(
    client: Client, places: Places, headers: dict[str, str], data: bytes, status: int, kind: str
) -> None:
    job = announce(client, "01.tif")
    answer = put(client, job, 1, data, **headers)
    assert (answer.status_code, answer.json()["type"]) == (status, f"/api/v1/problems/{kind}")
    assert client.get(f"{API}/{job}/frames/1").json()["received"] == 0


@pytest.mark.parametrize("algorithm", ["sha-256", "sha-512"])
@pytest.mark.parametrize("header", ["Repr_Digest", "Content_Digest"])
def test_digests_that_come_with_the_bytes_are_checked(client: Client, algorithm: str, header: str) -> None:
    job = announce(client, "01.tif")
    wrong = put(client, job, 1, DATA, **{header: field(b"another", algorithm)})
    assert (wrong.status_code, wrong.json()["received"]) == (422, 0)
    assert wrong.json()["type"] == "/api/v1/problems/digest-mismatch"
    assert client.get(f"{API}/{job}/frames/1").json()["complete"] is False
    assert put(client, job, 1, DATA, **{header: field(DATA, algorithm)}).json()["complete"] is True


def test_a_piece_that_is_not_what_it_says_takes_no_other_with_it(client: Client) -> None:
    job = announce(client, "01.tif")
    put(client, job, 1, DATA[:1000], **piece(0, 1000))
    wrong = put(client, job, 1, DATA[1000:2000], **piece(1000, 2000), Content_Digest=field(DATA))
    assert (wrong.status_code, wrong.json()["received"]) == (422, 1000)
    right = put(
        client,
        job,
        1,
        DATA[1000:],
        **piece(1000, 3000),
        Content_Digest=field(DATA[1000:]),
        Repr_Digest=field(DATA),
    )
    assert right.json()["complete"] is True


def test_the_digest_that_was_announced_is_checked_at_the_end(client: Client) -> None:
    frames = [{"name": "01.tif", "size": len(DATA), "digest": field(DATA)}]
    job = client.post(API, json={"stack": "moss", "upload": frames}).json()["id"]
    assert client.get(f"{API}/{job}/frames").json()["frames"][0]["digest"] == field(DATA)
    put(client, job, 1, DATA[:2999], **piece(0, 2999))
    wrong = put(client, job, 1, b"\0", **piece(2999, 3000))
    assert (wrong.status_code, wrong.json()["received"]) == (422, 0)
    assert put(client, job, 1).json()["complete"] is True


def test_the_same_frame_again_is_fine_and_another_is_not(client: Client, store: Store) -> None:
    job = announce(client)
    put(client, job, 1)
    assert put(client, job, 1, Repr_Digest=field(DATA)).json()["complete"] is True
    other = put(client, job, 1, bytes(3000), Repr_Digest=field(bytes(3000)))
    assert (other.status_code, other.json()["type"]) == (409, "/api/v1/problems/frame-complete")
    assert put(client, job, 1).status_code == 409, "nothing tells that it is the same"
    assert store.frames(job)[0].state is FrameState.PRESENT


def test_of_two_that_send_one_frame_at_once_one_is_turned_away(client: Client, places: Places) -> None:
    job = announce(client, "01.tif")
    put(client, job, 1, DATA[:10], **piece(0, 10))
    with open(places.uploads / str(job) / "1.part", "rb") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        answer = put(client, job, 1, DATA[10:], **piece(10, 3000))
        assert (answer.status_code, answer.json()["type"]) == (409, "/api/v1/problems/frame-busy")
    assert put(client, job, 1, DATA[10:], **piece(10, 3000)).json()["complete"] is True


def test_a_frame_larger_than_the_server_takes_is_refused_when_it_is_announced(
    client_with: Callable[..., Client], store: Store
) -> None:
    client = client_with(largest_upload=2999)
    answer = client.post(API, json={"stack": "moss", "upload": [{"name": "01.tif", "size": 3000}]})
    assert (answer.status_code, answer.json()["limit"], answer.json()["pointer"]) == (
        413,
        2999,
        "#/upload/0/size",
    )
    assert store.jobs().jobs == ()


def test_a_full_disk_is_told_with_numbers_before_bytes_are_taken(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = announce(client, "01.tif")
    put(client, job, 1, DATA[:1000], **piece(0, 1000))
    usage = shutil.disk_usage("/")._replace(free=1999)
    monkeypatch.setattr("nearfar_api.transfer.arrival.shutil.disk_usage", lambda path: usage)
    answer = put(client, job, 1, DATA[1000:], **piece(1000, 3000))
    assert (answer.status_code, answer.json()["received"], answer.json()["size"]) == (507, 1000, 3000)
    assert answer.json()["detail"].endswith("send the same frames again: they continue from here.")
    monkeypatch.undo()
    assert put(client, job, 1, DATA[1000:], **piece(1000, 3000)).json()["complete"] is True


def test_frames_that_cannot_all_fit_are_refused_before_a_job_is_made(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = {"stack": "moss", "upload": [{"name": f"{k}.tif", "size": 1000} for k in range(3)]}
    usage = shutil.disk_usage("/")._replace(free=3000)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage)
    answer = client.post(API, json=body)
    assert (answer.status_code, store.jobs().jobs) == (507, ())
    assert "The frames have 2.93 KiB in all" in answer.json()["detail"]
    monkeypatch.undo()
    key = {"Idempotency-Key": "the same"}
    assert client.post(API, json=body, headers=key).status_code == 201
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage)
    assert client.post(API, json=body, headers=key).status_code == 200, "one that is on its way continues"


def test_a_disk_that_fills_up_meanwhile_keeps_what_went_onto_it(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = announce(client, "01.tif")
    real = os.pwrite

    def until_full(fd: int, data: bytes, at: int) -> int:
        if at >= 1500:
            raise OSError(28, "No space left on device")
        return real(fd, data[: 1500 - at], at)

    monkeypatch.setattr(os, "pwrite", until_full)
    answer = put(client, job, 1)
    assert (answer.status_code, answer.json()["received"]) == (507, 1500)
    assert "No space left on device" in answer.json()["detail"]
    monkeypatch.undo()
    assert put(client, job, 1, DATA[1500:], **piece(1500, 3000)).json()["complete"] is True


def test_nothing_new_is_taken_while_a_disk_is_short_of_space(client: Client, places: Places) -> None:
    text = '{"low": true, "reason": "the disk of /data has 3 KiB free", "written": %f}'
    (places.state / DISK).write_text(text % time.time(), encoding="utf-8")
    answer = client.post(API, json={"stack": "moss", "upload": [{"name": "01.tif", "size": 1}]})
    assert (answer.status_code, answer.json()["detail"]) == (507, "The disk of /data has 3 KiB free.")


def test_frames_of_a_job_that_ended_are_not_taken(client: Client) -> None:
    job = announce(client)
    client.post(f"{API}/{job}/cancel")
    answer = put(client, job, 1)
    assert (answer.status_code, answer.json()["state"]) == (409, "cancelled")
    assert put(client, job, 3).status_code == 404
    assert put(client, job, 0).status_code == 422


@pytest.mark.parametrize(
    ("frames", "pointer"),
    [
        ([{"name": "é.tif", "size": 1}, {"name": "e\u0301.tif", "size": 1}], "#/upload/1/name"),
        ([{"name": "a.tif", "size": 1}, {"name": "a.tif", "size": 1}], "#/upload/1/name"),
        ([{"name": "../a.tif", "size": 1}], "#/upload/0/name"),
        ([{"name": "a\0.tif", "size": 1}], "#/upload/0/name"),
        ([{"name": "..", "size": 1}], "#/upload/0/name"),
        ([{"name": "7.part", "size": 1}], "#/upload/0/name"),
        ([{"name": "x" * 256, "size": 1}], "#/upload/0/name"),
        ([{"name": "a\n.tif", "size": 1}], "#/upload/0/name"),
        ([{"name": "a.tif", "size": 0}], "#/upload/0/size"),
        ([{"name": "a.tif", "size": 1, "digest": "md5=:AAAA:"}], "#/upload/0/digest"),
        ([{"name": "a.tif", "size": 1, "digest": "x"}], "#/upload/0/digest"),
        ([], "#/upload"),
    ],
)
def test_frames_that_cannot_be_announced_are_named(
    client: Client, store: Store, frames: list[dict[str, object]], pointer: str
) -> None:
    answer = client.post(API, json={"stack": "moss", "upload": frames})
    assert answer.status_code == 422, answer.text
    assert answer.json()["errors"][0]["pointer"] == pointer
    assert store.jobs().jobs == ()


def test_names_keep_their_bytes(client: Client, places: Places) -> None:
    name = "e\u0301 <b>&'é.tif".replace("<", "(").replace(">", ")")
    job = announce(client, name)
    put(client, job, 1)
    assert [p.name for p in (places.uploads / str(job)).iterdir()] == [name]
    assert client.get(f"{API}/{job}/frames").json()["frames"][0]["name"] == name


def test_a_link_in_the_place_of_a_part_is_not_followed(client: Client, places: Places) -> None:
    original = places.inbox / "original.tif"
    original.write_bytes(b"an original")
    for what in ("1.part", ""):
        job = announce(client, "01.tif")
        folder = places.uploads / str(job)
        if what:
            folder.mkdir()
            (folder / what).symlink_to(original)
        else:
            folder.symlink_to(places.inbox)
        assert put(client, job, 1).status_code == 500, (
            "a mistake of the machine's owner, told without a trace"
        )
        assert original.read_bytes() == b"an original"
        assert list(places.inbox.iterdir()) == [original]


def test_what_arrived_before_a_process_was_ended_is_noted_at_the_next_start(
    client: Client, store: Store, places: Places
) -> None:
    job = announce(client)
    put(client, job, 1)
    (places.uploads / str(job) / "02.tif").write_bytes(DATA)  # renamed, and then the process was killed
    context: Context = client.app.state.context
    arrival.catch_up(context)
    assert [frame.state for frame in store.frames(job)] == [FrameState.PRESENT] * 2
    assert store.job(job).state is JobState.WAITING
    arrival.catch_up(context)
    assert store.job(job).state is JobState.WAITING


def test_what_was_noted_but_not_begun_begins_at_the_next_start(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = announce(client)
    put(client, job, 1)
    monkeypatch.setattr(arrival, "start", lambda *_, **__: None)
    put(client, job, 2)
    monkeypatch.undo()
    assert store.job(job).state is JobState.HELD
    arrival.catch_up(client.app.state.context)
    assert store.job(job).state is JobState.WAITING


def test_the_last_frame_sent_again_lets_the_job_begin_that_did_not(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = announce(client)
    put(client, job, 1)
    monkeypatch.setattr(arrival, "start", lambda *_, **__: None)  # as where the store went away
    put(client, job, 2)
    monkeypatch.undo()
    assert put(client, job, 2, Repr_Digest=field(DATA)).status_code == 200
    assert store.job(job).state is JobState.WAITING


def test_an_upload_folder_without_its_job_or_frames_is_let_be(client: Client, places: Places) -> None:
    job = announce(client)
    folder = places.uploads / str(job)
    folder.mkdir()
    (folder / "01.tif").write_bytes(DATA[:5])  # not what was announced
    (places.uploads / "nonsense").mkdir()
    arrival.catch_up(client.app.state.context)
    assert client.get(f"{API}/{job}").json()["frames"]["expected"] == 2
    assert Path(folder / "01.tif").exists()
