"""For every test: none of the settings of the person who runs it, a scratch folder of its own, seeded randomness."""

from __future__ import annotations

import gc
import logging
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings
from xdist.scheduler import LoadFileScheduling  # type: ignore[import-untyped]

from nearfar.jobs import engine as engines
from tests.quick_store import REAL, quick_stores

# The same examples in every run, and no time that could fail a test.
settings.register_profile("nearfar", deadline=None, derandomize=True)
settings.load_profile("nearfar")

WAITING = "tests/acceptance/"
"""Its tests wait for processes a good part of their time."""
BETWEEN = 3
"""Files that reckon, after each that waits: few enough that none of these begins late."""
TOGETHER = "tests/pages/"
"""Its tests go to one process: each that has some makes a server with real jobs for them."""
ROOM = 3 << 30
"""Bytes that a whole run may have in the temporary folder at a time."""


gc.disable()  # what is found by collecting stays to the end: looking for waste in it takes a quarter of that time


def pytest_sessionstart(session: pytest.Session) -> None:
    """Say so at once where the disk would fill up half way: hundreds of tests would fail of it, each in other words."""
    options = session.config.option
    if hasattr(session.config, "workerinput") or options.collectonly:
        return
    folder = Path(options.basetemp or tempfile.gettempdir()).absolute()
    free = shutil.disk_usage(next(p for p in (folder, *folder.parents) if p.exists())).free
    if free < ROOM:
        raise pytest.UsageError(
            f"{folder}: {free / 1e9:.1f} GB are free, the tests need {ROOM / 1e9:.1f} GB. Make room there, or name "
            "another folder: TMPDIR=/path/to/folder"
        )


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """After each file that waits some that reckon, so that those that run at a time are of both kinds."""
    files: dict[str, list[pytest.Item]] = {}
    for item in items:
        files.setdefault(item.nodeid.partition("::")[0], []).append(item)
    waiting, others = ([f for f in files if f.startswith(WAITING) is waits] for waits in (True, False))
    turns = [others[k : k + BETWEEN] for k in range(0, len(others), BETWEEN)]
    names = [[first, *turn] for first, turn in zip(waiting, turns, strict=False)]
    names += [waiting[len(turns) :], *turns[len(waiting) :]]
    items[:] = [item for turn in names for name in turn for item in files[name]]


def pytest_collection_finish() -> None:
    """From now on only what tests make is looked through."""
    gc.collect()
    gc.freeze()
    gc.enable()


class ByFile(LoadFileScheduling):  # type: ignore[misc]
    """A file at a time to each process, and one folder as a whole."""

    def _split_scope(self, nodeid: str) -> str:
        return TOGETHER if nodeid.startswith(TOGETHER) else str(super()._split_scope(nodeid))


def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> ByFile | None:
    """Called where tests run in several processes (pytest-xdist)."""
    return ByFile(config, log) if config.getoption("dist") == "loadfile" else None


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(
    fixturedef: pytest.FixtureDef[Any], request: pytest.FixtureRequest
) -> Iterator[None]:
    """What a fixture of several tests wrote goes with it, unless one of these failed: pytest keeps it to the end."""
    if "tmp_path_factory" not in fixturedef.argnames or fixturedef.argname == "tmp_path":
        return (yield)
    base: Path = request.getfixturevalue("tmp_path_factory").getbasetemp()
    before, failed, made = set(base.iterdir()), request.session.testsfailed, set[Path]()

    def free() -> None:
        if request.session.testsfailed == failed:
            for folder in made:
                shutil.rmtree(folder, ignore_errors=True)

    fixturedef.addfinalizer(free)  # the fixture's own end, noted later, comes first
    try:
        return (yield)
    finally:
        made |= set(base.iterdir()) - before


@pytest.fixture(autouse=True)
def _own_surroundings(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Remove NEARFAR_... from the environment and point the user's folders to a temporary one."""
    for name in list(os.environ):
        if name.startswith("NEARFAR_") and name != "NEARFAR_KERNEL":
            monkeypatch.delenv(name)
    home = tmp_path_factory.mktemp("home")
    for name in ("XDG_CACHE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(home / name.lower()))


@pytest.fixture(autouse=True)
def _same_level_of_logs() -> Iterator[None]:
    """A process of the server that runs within a test asks for more logs: later tests do not."""
    before = logging.getLogger().level
    yield
    logging.getLogger().setLevel(before)


@pytest.fixture(scope="session", autouse=True)
def _quick_stores() -> Iterator[None]:
    with quick_stores():
        yield


@pytest.fixture
def own_engines(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stores as a server opens them."""
    monkeypatch.setattr(engines, "_sqlite", REAL)


@pytest.fixture
def rng() -> np.random.Generator:
    """Random numbers that are the same in every run."""
    return np.random.default_rng(20261103)


@pytest.fixture(scope="session")
def checkout() -> Path:
    """Top of the source tree."""
    return Path(__file__).resolve().parents[1]
