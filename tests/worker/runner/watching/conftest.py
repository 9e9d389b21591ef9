"""A watch on a data folder and a store of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from nearfar.jobs import Store
from nearfar.places import Places
from nearfar.server_settings import ServerSettings
from tests.worker.runner.watching.stepped import (
    Stepped,
    short,
)


@pytest.fixture
def settings(tmp_path: Path) -> ServerSettings:
    return short(tmp_path / "data")


@pytest.fixture
def stepped(settings: ServerSettings, places: Places, store: Store) -> Stepped:
    return Stepped(settings, store)
