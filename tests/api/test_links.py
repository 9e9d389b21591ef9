"""Links that fetch a file without a key: good for that file until their end, or until all are ended."""

from __future__ import annotations

import time

import pytest

from nearfar.jobs import People, Store
from nearfar.places import Places
from tests.api.conftest import KEY
from tests.api.making import done
from tests.api.people import Studio, studio

JOB = "/api/v1/jobs/1"


@pytest.fixture
def moss(store: Store, places: Places) -> Studio:
    done(store, places)
    return studio(store, places.data, key=KEY, path="/merge")


def link(moss: Studio, **wish: object) -> str:
    answer = moss.client.post(f"{JOB}/links", json=wish, headers={"authorization": f"Bearer {KEY}"})
    assert answer.status_code == 201, answer.text
    return str(answer.json()["address"])


def test_whoever_has_the_link_fetches_that_file_and_nothing_else(moss: Studio) -> None:
    address = link(moss)
    answer = moss.client.get(f"/merge{address}")
    assert (answer.status_code, answer.content) == (200, b"a picture")
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert answer.headers["content-disposition"].startswith("attachment")
    assert moss.client.get(address, headers={"range": "bytes=2-"}).content == b"picture"
    assert moss.client.get(f"{JOB}/picture").status_code == 401
    assert moss.client.get(link(moss, name="moss.report.json")).json()["format"] == "nearfar-report/1"


@pytest.mark.parametrize(
    "altered",
    [
        lambda a: a.replace("/fetch/1/", "/fetch/2/"),
        lambda a: a.replace("moss.tif", "moss.report.json"),
        lambda a: a.replace("until=", "until=9"),
        lambda a: a.replace("proof=", "proof=x"),
        lambda a: a[:-1],
        lambda a: a.partition("&proof=")[0] + "&proof=",
        lambda a: a.partition("&proof=")[0] + "&proof=%C3%A9",
    ],
)
def test_an_altered_link_fetches_nothing(moss: Studio, altered: object) -> None:
    assert callable(altered)
    answer = moss.client.get(altered(link(moss)))
    assert answer.status_code == 403
    assert answer.json()["type"].endswith("/ended-link")


def test_a_link_ends_at_its_time_and_all_end_together(moss: Studio, store: Store) -> None:
    over = People(store).link(job=1, name="moss.tif", until=int(time.time()) - 1)
    assert moss.client.get(over).status_code == 403
    address = link(moss, hours=1)
    ended = moss.client.post("/api/v1/links/end", headers={"authorization": f"Bearer {KEY}"})
    assert ended.status_code == 204
    assert moss.client.get(address).status_code == 403
    assert moss.client.get(link(moss)).status_code == 200
    actions = [event.action for event in store.events(limit=1000)]
    assert actions.count("links.made") == 2
    assert actions.count("links.ended") == 1


@pytest.mark.parametrize("wish", [{"hours": 0}, {"hours": 10_000}, {"name": "../moss.tif"}, {"days": 1}])
def test_a_link_that_would_be_good_for_too_long_or_leads_out_is_not_made(
    moss: Studio, wish: dict[str, object]
) -> None:
    answer = moss.client.post(f"{JOB}/links", json=wish, headers={"authorization": f"Bearer {KEY}"})
    assert answer.status_code == 422


def test_a_link_to_a_file_that_is_not_there_is_not_made(moss: Studio) -> None:
    answer = moss.client.post(
        f"{JOB}/links", json={"name": "b.tif"}, headers={"authorization": f"Bearer {KEY}"}
    )
    assert answer.status_code == 404
