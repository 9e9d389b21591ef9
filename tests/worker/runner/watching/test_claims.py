"""Two servers, each with a data folder of its own, on one watched folder: only one of them takes what lies there."""

from __future__ import annotations

import fcntl
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from nearfar.intake.names import WATCHED_BY
from nearfar.intake.state import InboxState, read_state
from nearfar.jobs.engine import dispose
from nearfar.places import Places, places_of
from nearfar.runner.watching.claims import Claims, lock_in
from tests.worker.runner.serving import store_of
from tests.worker.runner.watching.stepped import Stepped, jobs, lay_frames, short
from tests.worker.runner.workbench import empty_store

MakeServer = Callable[..., Stepped]


def problem_of(stepped: Stepped, folder: Path) -> str | None:
    told: InboxState = read_state(stepped.places)
    return {each.path: each.problem for each in told.folders}[str(folder)]


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    folder = tmp_path / "drop"
    folder.mkdir()
    return folder


@pytest.fixture
def server(tmp_path: Path) -> Iterator[MakeServer]:
    """What makes the watch of a server of its own, which also watches the folders that are given."""
    made: list[Stepped] = []

    def make(name: str, *folders: Path) -> Stepped:
        settings = short(tmp_path / name, folders=tuple({"path": folder} for folder in folders))
        places = places_of(settings)
        places.make()
        (places.data / "store.sqlite").write_bytes(empty_store())
        made.append(Stepped(settings, store_of(settings)))
        return made[-1]

    yield make
    for each in made:
        each.watch.close()
        dispose(each.store.database.engine)


def test_one_of_two_servers_takes_what_comes_and_the_other_says_which_does(
    server: MakeServer, drop: Path
) -> None:
    """Both merged every stack, and each result was made twice."""
    one, two = server("one", drop), server("two", drop)
    lay_frames(drop / "a", "1.tif", "2.tif")
    for _ in range(3):
        one.settle(1.0)
        two.settle(1.0)
    assert jobs(one.store) == [(1, "a", "waiting")]
    assert jobs(two.store) == []
    assert problem_of(one, drop) is None
    assert f"with the data folder {one.places.data} watches it as well" in (problem_of(two, drop) or "")
    assert problem_of(two, two.places.inbox) is None, "its own inbox is nobody else's"
    lay_frames(two.places.inbox / "b", "1.tif", "2.tif", first=7)
    two.settle(1.0)
    assert jobs(two.store) == [(1, "b", "waiting")]
    one.watch.close()
    two.settle(1.0)
    assert problem_of(two, drop) is None
    assert (2, "a", "waiting") in jobs(two.store), "once the first is gone the second takes over"
    assert {path.name for path in drop.iterdir()} == {"a", WATCHED_BY}
    assert {path.name for path in (drop / "a").iterdir()} == {"1.tif", "2.tif"}


def test_the_inbox_of_a_server_is_its_own(server: MakeServer) -> None:
    one = server("one")
    two = server("two", one.places.inbox)
    lay_frames(one.places.inbox / "a", "1.tif", "2.tif")
    with open(lock_in(one.places.state), "wb") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # as its process does
        two.settle(1.0)
        assert "with the data folder" in (problem_of(two, one.places.inbox) or "")
        assert jobs(two.store) == []
        one.settle(1.0)
        assert jobs(one.store) == [(1, "a", "waiting")]
    assert [path.name for path in one.places.inbox.iterdir()] == ["a"], "no file is made in it"


def test_a_server_that_comes_back_to_its_inbox_gets_it_from_one_that_watched_it_meanwhile(
    server: MakeServer,
) -> None:
    one = server("one")
    two = server("two", one.places.inbox)
    two.look()
    one.look()
    assert "watches it as well" in (problem_of(one, one.places.inbox) or "")
    with open(lock_in(one.places.state), "wb") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        two.look()
        one.look()
    assert problem_of(one, one.places.inbox) is None


def test_what_cannot_be_claimed_is_watched_all_the_same(places: Places, drop: Path) -> None:
    """As a card that is read-only, a share without locks, or a name that something else has."""
    (drop / WATCHED_BY).mkdir()
    claims = Claims(places)
    assert claims.look([str(drop), str(drop / "not there")]) == {}
    claims.close()


def test_a_claim_follows_a_folder_that_was_put_in_place_anew(
    places: Places, tmp_path: Path, drop: Path
) -> None:
    claims, others = Claims(places), Claims(places)
    assert claims.look([str(drop)]) == {}
    assert list(others.look([str(drop)])) == [str(drop)]
    drop.rename(tmp_path / "before")
    drop.mkdir()
    assert claims.look([str(drop)]) == {}
    assert list(others.look([str(drop)])) == [str(drop)]
    claims.close()
    assert others.look([str(drop)]) == {}
    others.close()


def test_nothing_is_written_where_a_share_is_not_mounted(places: Places, drop: Path) -> None:
    claims = Claims(places, {str(drop)})
    assert claims.look([str(drop)]) == {}
    assert list(drop.iterdir()) == []
