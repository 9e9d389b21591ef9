"""What the doctor says of a studio: its folder, its workers and their versions, and work that nobody can take."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from nearfar import __version__
from nearfar.jobs import Store, UnitKind
from nearfar.jobs.engine import dispose
from nearfar.places import places_of
from nearfar.runner.doctor.examine import Level, Subject
from nearfar.runner.doctor.studio import studio
from nearfar.runner.presence import Presence
from tests.worker.jobs.making import emptied, one, submit, surveys
from tests.worker.runner.serving import settings_for, store_of


@pytest.fixture
def subject(tmp_path: Path, postgresql_url: str) -> Subject:
    settings = settings_for(tmp_path / "data", store={"url": emptied(postgresql_url)})
    places = places_of(settings)
    places.make()
    return Subject(settings=settings, places=places)


@pytest.fixture
def store(subject: Subject) -> Iterator[Store]:
    opened = store_of(subject.settings)
    yield opened
    dispose(opened.database.engine)


def said(subject: Subject) -> list[tuple[Level, str]]:
    return [(finding.level, finding.found) for finding in studio(subject)]


def test_a_store_in_the_folder_itself_needs_no_such_look(tmp_path: Path) -> None:
    settings = settings_for(tmp_path / "data")
    assert said(Subject(settings=settings, places=places_of(settings))) == []


def test_folder_workers_and_versions_are_told(subject: Subject, store: Store) -> None:
    Presence(subject.places, ties=True).why_away(store)
    told = said(subject)
    assert told[0] == (Level.OK, f"{subject.places.data} is the folder that the job store belongs to")
    assert (Level.ADVICE, "no worker is there") in told
    for name, version in (("a", __version__), ("b", "0.0.1")):
        store.register(name, host=name, pid=1, version=version, slots=1, memory=1 << 20, disk=1 << 30)
    submit(store, units=(*surveys(1, memory=1 << 40), one(UnitKind.DELIVER)))
    levels = {found.split(":")[0]: level for level, found in said(subject)}
    assert levels["2 workers on a, b; some are of version 0.0.1, this is " + __version__] is Level.ADVICE
    assert levels["no worker can take work of job 1"] is Level.PROBLEM
    (subject.places.state / "folder").unlink()
    assert said(subject)[0][0] is Level.PROBLEM
