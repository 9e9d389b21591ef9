"""An open store on both databases, with a clock that the test moves."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from nearfar.jobs import Rules, Store, open_store
from nearfar.jobs.engine import dispose, engine_for, parse_url
from tests.worker.jobs.making import Clock
from tests.worker.jobs.postgresql import emptied, server

HOST = "bench"


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str]:
    """Address of the database of a server for the whole run; nothing it holds has to survive."""
    with server("-c", "fsync=off", "-c", "max_connections=150") as url:
        yield url


@pytest.fixture(scope="session")
def empty_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An SQLite store without jobs, to be copied."""
    path = tmp_path_factory.mktemp("empty") / "store.sqlite"
    store = open_store(f"sqlite:///{path}")
    with store.database.engine.begin() as conn:
        conn.execute(sa.text("DELETE FROM server"))
    store.close()
    return path


@pytest.fixture
def sqlite_url(tmp_path: Path, empty_sqlite: Path) -> Iterator[str]:
    path = shutil.copy(empty_sqlite, tmp_path / "store.sqlite")
    url = f"sqlite:///{path}"
    yield url
    dispose(engine_for(parse_url(url)))


@pytest.fixture
def postgresql_url(postgresql_server: str) -> str:
    """The server's database, without jobs."""
    return emptied(postgresql_server)


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest) -> str:
    return str(request.getfixturevalue(f"{request.param}_url"))


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def open_with(url: str, clock: Clock) -> Callable[..., Store]:
    """Open the test's store with other rules."""

    def opened(**rules: float) -> Store:
        return open_store(url, rules=Rules(**rules), clock=clock, host=HOST)  # type: ignore[arg-type]

    return opened


@pytest.fixture
def store(open_with: Callable[..., Store]) -> Store:
    return open_with()
