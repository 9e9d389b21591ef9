"""Settings, folders and stores of a server that is not running, and programs that it may need."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from nearfar.jobs import Store
from nearfar.jobs.engine import dispose
from nearfar.places import Places, places_of
from nearfar.server_settings import ServerSettings
from tests.acceptance.command import lay
from tests.scenes import Scene, render
from tests.worker.jobs.postgresql import server
from tests.worker.runner.mending.mended import Mending, deliver, put_back
from tests.worker.runner.redis_server import RedisServer, redis_server
from tests.worker.runner.serving import settings_for, store_of
from tests.worker.runner.workbench import Bench, empty_store

if TYPE_CHECKING:
    from tests.worker.runner.objects.crew import Crew
    from tests.worker.runner.objects.storage import Storage


@pytest.fixture
def settings(tmp_path: Path) -> ServerSettings:
    return settings_for(tmp_path / "data")


@pytest.fixture
def places(settings: ServerSettings) -> Places:
    found = places_of(settings)
    found.make()
    return found


@pytest.fixture
def store(settings: ServerSettings, places: Places) -> Iterator[Store]:
    (places.data / "store.sqlite").write_bytes(empty_store())
    opened = store_of(settings)
    yield opened
    dispose(opened.database.engine)


@pytest.fixture
def redis() -> Iterator[RedisServer]:
    with redis_server() as running:
        yield running


@pytest.fixture(scope="session")
def postgresql_url() -> Iterator[str]:
    with server("-c", "fsync=off", "-c", "max_connections=150") as url:
        yield url


@pytest.fixture(scope="session")
def small() -> Scene:
    """Three frames of 160 x 120 pixels."""
    return render("occlusion", frames=3, size=(160, 120), seed=6)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """A server without processes."""
    made = Bench.at(tmp_path / "data")
    yield made
    dispose(made.store.database.engine)


@pytest.fixture
def frames(bench: Bench, small: Scene) -> list[Path]:
    """The small scene's frames in its inbox."""
    return lay(small.frames, bench.places.inbox / "moss", format="jpeg")


@pytest.fixture(scope="session")
def delivered(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """Data of a server with one delivered stack, and its job."""
    data = tmp_path_factory.mktemp("mended") / "data"
    return data, deliver(data)


@pytest.fixture
def mending(delivered: tuple[Path, int], tmp_path: Path) -> Iterator[Mending]:
    """That stack, and who mends it."""
    with put_back(*delivered, tmp_path / "aside") as made:
        yield made


@pytest.fixture(scope="session")
def storage() -> Iterator[Storage]:
    """An object storage with a bucket in which frames lie."""
    from tests.worker.runner.objects.crew import FRAMES
    from tests.worker.runner.objects.storage import object_storage

    with object_storage() as made:
        for key, data in FRAMES.items():
            made.lay(key, data)
        yield made


@pytest.fixture
def crew(storage: Storage, tmp_path: Path) -> Iterator[Crew]:
    from tests.worker.runner.objects.crew import Crew

    made = Crew(tmp_path, storage.table(tmp_path, results=f"merged/{tmp_path.name}/"))
    yield made
    dispose(made.store.database.engine)
