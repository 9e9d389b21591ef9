"""What the server needs hangs without a word: pages and API say what it is, and are well again when it answers."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest

from tests.acceptance.wires import Wire
from tests.api.process import NO_TLS, PATIENCE, Process, running, waited
from tests.worker.jobs.making import emptied
from tests.worker.jobs.postgresql import server

PEOPLE = {"accept": "text/html"}
HANGING = 30.0
"""Seconds that a request may take here at most: not a measure of speed, but without limits it would never end."""
PATHS = ("/", "/jobs/1", "/status", "/api/v1/jobs")


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    with server("-c", "fsync=off") as found:
        yield emptied(found)


@pytest.fixture
def wire(url: str) -> Iterator[Wire]:
    found = Wire(f"{url.rpartition('host=')[2]}/.s.PGSQL.5432")
    yield found
    found.close()


@pytest.fixture
def one(wire: Wire, tmp_path: Path) -> Iterator[Process]:
    address = f"postgresql://nearfar@127.0.0.1:{wire.port}/postgres"
    with running(tmp_path / "data", log=tmp_path / "log", store_url=address) as process:
        waited(lambda: ask(process, "/").status_code == 200)
        yield process


def ask(one: Process, path: str) -> httpx.Response:
    return httpx.get(f"{one.url}{path}", headers=PEOPLE, verify=NO_TLS, timeout=HANGING)


def test_a_store_that_swallows_all_bytes_is_told_of_and_comes_back(one: Process, wire: Wire) -> None:
    wire.cut()
    for path in PATHS:
        said = ask(one, path)
        assert said.status_code == 503, path
        assert said.headers["retry-after"] == "5", path
        assert "job store" in said.text, path
        if "/api/" not in path:
            assert 'http-equiv="refresh"' in said.text, path
    missing = {check["name"] for check in ask(one, "/health/ready").json()["checks"] if not check["ok"]}
    assert "store" in missing
    assert "nearfar_store_up 0.0" in ask(one, "/metrics").text
    wire.mend()
    waited(lambda: ask(one, "/").status_code == 200)
    assert ask(one, "/api/v1/jobs").status_code == 200


def test_a_data_folder_that_hangs_is_told_of_and_comes_back(one: Process, tmp_path: Path) -> None:
    """Opening a pipe that nobody writes to takes as long as a share whose server is gone."""
    files = [tmp_path / "data" / "state" / name for name in ("folder", "inbox.json")]
    kept = [file.read_bytes() if file.exists() else None for file in files]
    for file in files:
        file.unlink(missing_ok=True)
        os.mkfifo(file)
    said = ask(one, "/")
    assert said.status_code == 503
    assert said.headers["retry-after"] == "5"
    assert 'http-equiv="refresh"' in said.text
    assert "Folder does not answer" in said.text
    missing = {check["name"] for check in ask(one, "/health/ready").json()["checks"] if not check["ok"]}
    assert "folder" in missing
    for file, content in zip(files, kept, strict=True):
        _release(file, content)
    waited(lambda: ask(one, "/").status_code == 200)


def _release(file: Path, content: bytes | None) -> None:
    """The pipe goes, and whoever waits at it reads nothing."""
    pipe = file.with_name(f"{file.name}.gone")
    file.rename(pipe)
    if content is not None:
        file.write_bytes(content)
    os.close(os.open(pipe, os.O_RDWR | os.O_NONBLOCK))


def test_a_data_folder_that_is_missing_is_told_of_and_comes_back(one: Process, tmp_path: Path) -> None:
    data, away = tmp_path / "data", tmp_path / "away"
    data.rename(away)
    for path in ("/", "/status"):  # jobs are in the store
        waited(lambda path=path: "Work continues as soon as it is back" in ask(one, path).text)  # type: ignore[misc]
        assert ask(one, path).status_code == 200
    for path in ("/jobs", "/cards", "/plan", "/api/v1/jobs", "/api/v1/cards", "/metrics"):
        assert ask(one, path).status_code == 200, path
    said = ask(one, "/health/ready").json()
    (why,) = [check["why"] for check in said["checks"] if check["name"] == "folder"]
    assert "data folder" in why
    away.rename(data)
    waited(_all_well(one), patience=PATIENCE)


def _all_well(one: Process) -> Callable[[], bool]:
    return lambda: all(check["ok"] for check in ask(one, "/health/ready").json()["checks"])
