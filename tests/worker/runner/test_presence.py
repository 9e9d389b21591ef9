"""The data folder that goes away is told from frames that were removed, and nothing is begun or failed meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from nearfar.jobs import AttemptStep, Store, UnitKind, UnitState
from nearfar.jobs.engine import dispose
from nearfar.places import Places, places_of
from nearfar.runner import presence
from nearfar.runner.presence import Presence
from nearfar.server_settings import ServerSettings
from tests.worker.jobs.making import emptied
from tests.worker.jobs.postgresql import server
from tests.worker.runner.serving import settings_for, store_of
from tests.worker.runner.workbench import Bench


@pytest.fixture(autouse=True)
def _asked_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(presence, "GOOD_FOR", -1.0)


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    with server("-c", "fsync=off") as made:
        yield made


@pytest.fixture
def studio(tmp_path: Path, url: str) -> ServerSettings:
    return settings_for(tmp_path / "data", store={"url": url})


@pytest.fixture
def store(studio: ServerSettings) -> Iterator[Store]:
    emptied(str(studio.store.url))
    opened = store_of(studio)
    yield opened
    dispose(opened.database.engine)


def of(studio: ServerSettings) -> Places:
    places = places_of(studio)
    places.make()
    return places


def test_the_server_marks_its_folder_once_and_all_others_expect_the_mark(
    studio: ServerSettings, store: Store
) -> None:
    places = of(studio)
    worker = Presence(places)
    assert worker.why_away(store) is None, "no server was there yet"
    assert not (places.state / "folder").exists()
    assert Presence(places, ties=True).why_away(store) is None
    mark = (places.state / "folder").read_text()
    assert Presence(places, ties=True).why_away(store) is None
    assert (places.state / "folder").read_text() == mark
    assert worker.why_away(store) is None
    aside = places.data.rename(places.data.with_name("aside"))
    for each in (worker, Presence(places), Presence(places, ties=True)):
        assert str(places.data) in str(each.why_away(store))
    places.make()
    assert mark in str(worker.why_away(store)), "an empty folder is another one"
    places.data.rename(places.data.with_name("other"))
    aside.rename(places.data)
    assert worker.why_away(store) is None


def test_another_folder_with_a_mark_of_its_own_is_named(studio: ServerSettings, store: Store) -> None:
    places = of(studio)
    assert Presence(places, ties=True).why_away(store) is None
    (places.state / "folder").write_text("of-somebody-else")
    said = str(Presence(places).why_away(store))
    assert "of-somebody-else" in said
    assert "write the expected mark" in said


def test_a_unit_that_fails_while_the_folder_is_away_goes_back_uncounted(
    bench: Bench, frames: list[Path]
) -> None:
    """With a store in the folder itself only the missing folder tells; here the store lies outside."""
    away: list[str] = []

    class Gone(Presence):
        def why_away(self, store: Store) -> str | None:
            return away[0] if away else None

    job = bench.submit(frames)
    hands = replace(bench.hands, presence=Gone(bench.places))
    folder = frames[0].parent
    folder.rename(folder.with_name("elsewhere"))
    away.append("data folder: the share is not mounted")
    bench.do(bench.claim(), hands)
    unit = next(u for u in bench.store.units(job) if u.cause == "folder")
    assert (unit.state, unit.attempts) == (UnitState.READY, 0)
    assert unit.reason == away[0]
    assert [a.step for a in bench.store.attempts(job)] == [AttemptStep.STARTED, AttemptStep.HANDED_BACK]


@pytest.mark.parametrize("kind", UnitKind)
def test_nothing_is_made_where_a_share_went_away_a_moment_ago(
    bench: Bench, frames: list[Path], tmp_path: Path, kind: UnitKind, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The unit begins before anybody noticed, and finds the empty folder that the share was mounted on."""
    monkeypatch.setattr(presence, "GOOD_FOR", 3600.0)
    job = bench.submit(frames)
    claim = bench.until(kind)
    empty = tmp_path / "mounted"
    places = replace(bench.places, data=empty, scratch=tmp_path / "own")
    (empty / "state").mkdir(parents=True)
    looking = Presence(places)
    assert looking.why_away(bench.store) is None
    (empty / "state").rmdir()
    bench.do(claim, replace(bench.hands, places=places, presence=looking))
    assert list(empty.iterdir()) == []
    unit = next(u for u in bench.store.units(job) if u.id == claim.unit)
    assert (unit.state, unit.attempts, unit.cause) == (UnitState.READY, 0, "folder")
