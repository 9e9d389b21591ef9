"""An open store on both databases, with a clock that the test moves."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from nearfar.jobs import Rules, Store, open_store
from nearfar.jobs.engine import dispose, engine_for, parse_url
from tests.worker.jobs.making import Clock, emptied
from tests.worker.jobs.postgresql import server

HOST = "bench"


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str]:
    """Address of the database of a server for the whole run; nothing it holds has to survive."""
    with server("-c", "fsync=off", "-c", "max_connections=150") as url:
        yield url


@pytest.fixture
def sqlite_url(tmp_path: Path) -> Iterator[str]:
    """A file of the test's own, which is not there yet."""
    url = f"sqlite:///{tmp_path}/store.sqlite"
    yield url
    dispose(engine_for(parse_url(url)))


@pytest.fixture(scope="session")
def sqlite_for_all(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A file for the whole run: a database that is known already answers sooner."""
    return f"sqlite:///{tmp_path_factory.mktemp('store')}/store.sqlite"


@pytest.fixture
def postgresql_url(postgresql_server: str) -> str:
    """The server's database, without jobs."""
    return emptied(postgresql_server)


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest) -> str:
    """A store without jobs, in either database."""
    if request.param == "sqlite":
        return emptied(request.getfixturevalue("sqlite_for_all"))
    return str(request.getfixturevalue("postgresql_url"))


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
