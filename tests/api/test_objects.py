"""Stacks in a bucket: only what the settings allow is asked, and a job says where its frames come from.

The storage is moto's server.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from nearfar.jobs import JobState, Store, Transfers
from nearfar.jobs.transfers.transfers import Kind
from nearfar.server_settings import ServerSettings
from nearfar_api.app import create_app
from tests.api.conftest import Client, Kicks
from tests.worker.jobs.making import bring_to, submit
from tests.worker.runner.objects.storage import Storage, object_storage

API = "/api/v1/jobs"
NAMES = ("F_0009.JPG", "F_0010.JPG", "F_0010.CR3", "notes.txt", ".F_0011.JPG", "F_0011.JPG.part")


@pytest.fixture(scope="module")
def storage() -> Iterator[Storage]:
    with object_storage() as made:
        for number, name in enumerate(NAMES, 1):
            made.lay(f"cards/moss/{name}", b"x" * number)
        made.lay("secret/moss/1.jpg", b"secret")
        made.lay("cards-of-others/1.jpg", b"secret")
        yield made


@pytest.fixture
def table(storage: Storage, tmp_path: Path) -> dict[str, Any]:
    return storage.table(tmp_path).model_dump(mode="json", exclude_none=True)


@pytest.fixture
def client(settings: ServerSettings, store: Store, table: dict[str, Any]) -> Client:
    return made(settings, store, table)


def made(settings: ServerSettings, store: Store, table: dict[str, Any], **server: Any) -> Client:
    given = settings.model_dump() | {"objects": {"buckets": [table]}}
    given["server"] |= server
    return Client(create_app(ServerSettings.model_validate(given), store=store, hinter=Kicks()))


def test_a_stack_in_a_bucket_becomes_a_job_that_waits_for_its_frames(client: Client, store: Store) -> None:
    answer = client.post(API, json={"objects": "s3://shoots/cards/moss"})
    assert answer.status_code == 201, answer.text
    job = answer.json()
    assert (job["stack"], job["state"], job["sources"]) == ("moss", "held", ["s3://shoots/cards/moss/"])
    assert job["fetched_from"] == {
        "place": "s3://shoots/cards/moss/",
        "state": "waiting",
        "tries": 0,
        "reason": None,
        "finished": None,
    }
    assert job["delivered_to"] is None
    frames = client.get(f"{API}/1/frames").json()["frames"]
    assert [(frame["name"], frame["size"], frame["state"]) for frame in frames] == [
        ("F_0009.JPG", 1, "expected"),
        ("F_0010.CR3", 3, "expected"),
    ]
    taken = Transfers(store).take(Kind.FETCH)
    assert taken is not None
    assert [key for key, _ in taken.detail["objects"]] == ["cards/moss/F_0009.JPG", "cards/moss/F_0010.CR3"]


@pytest.mark.parametrize(
    "address",
    [
        "s3://shoots/secret/moss/",
        "s3://shoots/cards-of-others/",
        "s3://shoots/",
        "s3://others/cards/moss/",
        "s3://169.254.169.254/cards/",
    ],
)
def test_what_the_settings_do_not_allow_is_answered_alike_and_not_asked(
    settings: ServerSettings, store: Store, table: dict[str, Any], address: str
) -> None:
    nobody = made(settings, store, table | {"endpoint": "http://127.0.0.1:1"})
    answer = nobody.post(API, json={"objects": address})
    assert answer.status_code == 422, answer.text
    assert answer.json()["type"] == "/api/v1/problems/no-such-path"
    assert (
        answer.json()["detail"] == f"{address}: frames are fetched from s3://shoots/cards/ (objects.buckets)."
    )


@pytest.mark.parametrize(
    "address",
    [
        "https://objects.example/a",
        "s3://shoots/cards/../secret",
        "s3://a@b/c",
        "s3://",
        "s3://shoots/cards//x",
        "file:///etc",
    ],
)
def test_what_is_no_address_of_a_prefix_is_refused_by_its_place(client: Client, address: str) -> None:
    answer = client.post(API, json={"objects": address})
    assert answer.status_code == 422
    assert answer.json()["type"] == "/api/v1/problems/invalid"
    assert answer.json()["errors"][0]["pointer"] == "#/objects"


def test_where_no_bucket_is_set_up_none_is_asked(settings: ServerSettings, store: Store) -> None:
    plain = Client(create_app(settings, store=store, hinter=Kicks()))
    answer = plain.post(API, json={"objects": "s3://shoots/cards/moss/"})
    assert "fetched from no bucket" in answer.json()["detail"]


def test_refusals_of_the_storage_are_told(
    settings: ServerSettings, store: Store, storage: Storage, table: dict[str, Any], tmp_path: Path
) -> None:
    gone = made(settings, store, table | {"endpoint": "http://127.0.0.1:1"})
    answer = gone.post(API, json={"objects": "s3://shoots/cards/moss/"})
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
    keys = tmp_path / "odd.keys"
    keys.write_text('id = "somebody"\nsecret = "something secret"\n')
    odd = made(settings, store, table | {"keys": str(keys)})
    answer = odd.post(API, json={"objects": "s3://shoots/cards/moss/"})
    assert answer.json()["type"] == "/api/v1/problems/bucket-refused"
    assert "does not know the key" in answer.json()["detail"]
    assert "something secret" not in answer.text
    assert store.jobs().jobs == ()


def test_a_prefix_without_frames_and_one_too_large_are_refused(
    settings: ServerSettings, store: Store, client: Client, table: dict[str, Any]
) -> None:
    empty = client.post(API, json={"objects": "s3://shoots/cards/none/"})
    assert "no frames found" in empty.json()["detail"]
    small = made(settings, store, table, largest_upload=2)
    large = small.post(API, json={"objects": "s3://shoots/cards/moss/"})
    assert large.status_code == 413
    assert "F_0010.CR3" in large.json()["detail"]


def test_the_same_objects_are_the_same_set(client: Client, storage: Storage) -> None:
    body = {"objects": "s3://shoots/cards/moss/", "duplicates": "skip"}
    first, again = (client.post(API, json=body).json() for _ in range(2))
    assert (first["id"], again["id"], again["duplicate"]) == (1, 1, True)
    storage.lay("cards/moss/F_0009.JPG", b"2")
    assert client.post(API, json=body).json()["id"] == 2
    storage.lay("cards/moss/F_0009.JPG", b"x")


def test_a_key_of_before_there_were_buckets_goes_on_meaning_its_request(client: Client, store: Store) -> None:
    """The fingerprint of a request without 'objects' is that of the versions before."""
    import hashlib

    body = {"stack": "moss", "upload": [{"name": "1.tif", "size": 5}]}
    client.post(API, json=body, headers={"idempotency-key": "k"})
    with store.database.engine.connect() as conn:
        kept = conn.exec_driver_sql("SELECT fingerprint FROM jobs").scalar_one()
    said = {
        "stack": "moss",
        "folder": None,
        "frames": None,
        "upload": [{"name": "1.tif", "size": 5, "digest": None}],
        "recipe": "standard",
        "settings": {"reference": None, "leave_out": None, "recipe_toml": None},
        "owner": None,
        "priority": 0,
        "hold": False,
        "duplicates": "again",
    }
    assert kept == hashlib.sha256(json.dumps(said, separators=(",", ":")).encode()).hexdigest()


def test_a_result_is_put_again_on_request(client: Client, store: Store, settings: ServerSettings) -> None:
    submit(store)
    early = client.post(f"{API}/1/deliver")
    assert early.status_code == 409
    bring_to(store, 1, JobState.DONE)
    with store.database.engine.begin() as conn:
        conn.exec_driver_sql("UPDATE jobs SET result = '/results/moss/moss.tif'")
    job = client.post(f"{API}/1/deliver").json()
    assert (job["delivered_to"]["place"], job["delivered_to"]["state"]) == ("s3://shoots/merged/", "waiting")
    page = client.get("/jobs/1", headers={"accept": "text/html"}).text
    assert "Delivered to s3://shoots/merged/: waiting" in page
    assert "Deliver again" not in page
    taken = Transfers(store).take(Kind.DELIVER)
    assert taken is not None
    Transfers(store).give_up(taken, "the key has no right to do that", cause="objects")
    page = client.get("/jobs/1", headers={"accept": "text/html"}).text
    assert "merged/: failed, the key has no right to do that" in page
    assert "Deliver again" in page
    again = client.post("/jobs/1/do", data={"do": "deliver"}, headers={"origin": "http://localhost"})
    assert again.status_code == 303
    assert client.get(f"{API}/1").json()["delivered_to"]["state"] == "waiting"
    plain = Client(create_app(settings, store=store, hinter=Kicks()))
    refused = plain.post(f"{API}/1/deliver")
    assert refused.status_code == 422
    assert "none of objects.buckets has results" in refused.json()["detail"]
