"""An application on a store of its own, asked through httpx without a network, in a studio that photographs moss."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from argon2 import PasswordHasher
from fastapi import FastAPI

from nearfar.jobs import Store, open_store
from nearfar.jobs.people import passwords
from nearfar.places import Places, places_of
from nearfar.server_settings import ServerSettings
from nearfar_api.app import create_app

KEY = "moss-on-slate-under-glass"


class Kicks:
    """Takes the place of the thread that publishes hints, and counts."""

    def __init__(self) -> None:
        self.count = 0
        self.broker: str | None = None

    def start(self) -> None:
        raise AssertionError("an application starts only a hinter that it made")

    def kick(self) -> None:
        self.count += 1

    def stop(self) -> None:
        pass


class Client:
    """Asks an application as a plain client would, one request after the other."""

    def __init__(self, app: FastAPI, **headers: str) -> None:
        self.app = app
        self.headers = headers

    def ask(self, method: str, path: str, **more: Any) -> httpx.Response:
        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.app, raise_app_exceptions=False)
            async with httpx.AsyncClient(
                transport=transport, base_url="http://localhost", headers=self.headers
            ) as client:
                return await client.request(method, path, **more)

        return asyncio.run(once())

    def get(self, path: str, **more: Any) -> httpx.Response:
        return self.ask("GET", path, **more)

    def post(self, path: str, **more: Any) -> httpx.Response:
        return self.ask("POST", path, **more)

    def put(self, path: str, **more: Any) -> httpx.Response:
        return self.ask("PUT", path, **more)


def settings_for(data: Path, **server: Any) -> ServerSettings:
    """Settings of a server whose disk may be nearly full, as that of a test machine may be."""
    return ServerSettings.model_validate(
        {"server": {"data": data, "owner": "studio", **server}, "worker": {"spare_disk": 1}}
    )


@pytest.fixture(autouse=True)
def _quick_passwords(monkeypatch: pytest.MonkeyPatch) -> None:
    """Most of such a test is reckoning with 64 MiB; that they are kept so is for `tests/worker/jobs/test_people.py`."""
    monkeypatch.setattr(passwords, "_hasher", PasswordHasher(time_cost=1, memory_cost=64, parallelism=1))


@pytest.fixture
def settings(tmp_path: Path) -> ServerSettings:
    return settings_for(tmp_path / "data", shared=[tmp_path / "shared"])


@pytest.fixture
def places(settings: ServerSettings, tmp_path: Path) -> Places:
    found = places_of(settings)
    found.make()
    (tmp_path / "shared").mkdir()
    return found


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store without jobs, to be copied: making one takes longer than most tests."""
    path = tmp_path_factory.mktemp("empty") / "store.sqlite"
    open_store(f"sqlite:///{path}", host="bench").close()
    return path


@pytest.fixture
def store(places: Places, empty_store: Path) -> Iterator[Store]:
    shutil.copy(empty_store, places.data / "store.sqlite")
    found = open_store(places.store_url, host="bench")
    yield found
    found.close()


@pytest.fixture
def kicks() -> Kicks:
    return Kicks()


@pytest.fixture
def app(settings: ServerSettings, store: Store, kicks: Kicks) -> FastAPI:
    return create_app(settings, store=store, hinter=kicks)


@pytest.fixture
def client(app: FastAPI) -> Client:
    return Client(app)


@pytest.fixture
def client_with(store: Store, tmp_path: Path) -> Callable[..., Client]:
    """A client of an application with other settings."""

    def made(headers: dict[str, str] | None = None, **server: Any) -> Client:
        chosen = settings_for(tmp_path / "data", **server)
        return Client(create_app(chosen, store=store, hinter=Kicks()), **(headers or {}))

    return made


def frames_in(folder: Path, names: tuple[str, ...] = ("01.tif", "02.tif", "03.tif")) -> Path:
    """A folder of files with names of frames. Nothing here looks into them."""
    folder.mkdir(parents=True)
    for name in names:
        (folder / name).write_bytes(b"a frame called " + name.encode())
    return folder
