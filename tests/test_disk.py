"""What tests leave on the disk, and what a run says where that is too small."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

MADE: list[Path] = []


@pytest.fixture
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    MADE.append(tmp_path_factory.mktemp("written"))
    return MADE[-1]


@pytest.mark.parametrize("turn", range(2))
def test_folders_of_a_fixture_go_with_it(written: Path, turn: int) -> None:
    assert written.is_dir()
    assert [folder for folder in MADE[:-1] if folder.exists()] == []


@pytest.fixture
def begin(pytestconfig: pytest.Config, checkout: Path) -> Any:
    plugin: Any = pytestconfig.pluginmanager.get_plugin(str(checkout / "tests" / "conftest.py"))
    return plugin.pytest_sessionstart


def session(folder: Path, **change: Any) -> Any:
    return SimpleNamespace(
        config=SimpleNamespace(option=SimpleNamespace(basetemp=folder, collectonly=False), **change)
    )


def test_a_run_says_before_it_begins_that_the_disk_is_too_small(
    begin: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked = []

    def little(folder: Path) -> SimpleNamespace:
        looked.append(folder)
        return SimpleNamespace(free=10**9)

    monkeypatch.setattr(shutil, "disk_usage", little)
    with pytest.raises(pytest.UsageError, match=r"not there/yet: 1\.0 GB are free, the tests need 3\.2 GB"):
        begin(session(tmp_path / "not there" / "yet"))
    assert looked == [tmp_path]
    begin(session(tmp_path, workerinput={}))  # it was said where the run began
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=4 * 10**9))
    begin(session(tmp_path / "not there"))
