"""``nearfar backup`` and ``nearfar restore``: where the settings file goes, and what is said."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from nearfar.cli import command
from nearfar.jobs import open_store
from tests.worker.jobs.making import submit

KEYED = '[client]\nkey = "a key from before"\n'


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with one job."""
    (tmp_path / "data").mkdir()
    store = open_store(f"sqlite:///{tmp_path}/data/store.sqlite")
    submit(store)
    store.close()
    return tmp_path / "data"


@pytest.fixture
def own(monkeypatch: pytest.MonkeyPatch) -> Path:
    """The user's own settings file."""
    file = Path(os.environ["XDG_CONFIG_HOME"]) / "nearfar" / "nearfar.toml"
    file.parent.mkdir(parents=True)
    file.write_text(KEYED)
    return file


def run(*arguments: str | Path) -> int:
    return command.main([str(a) for a in arguments])


def stacks(data: Path) -> list[str]:
    store = open_store(f"sqlite:///{data}/store.sqlite")
    found = [job.stack for job in store.jobs().jobs]
    store.close()
    return found


def test_a_new_machine_gets_jobs_and_settings(
    data: Path, own: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("backup", tmp_path / "copy", "--data", data) == 0
    assert f"'nearfar restore {tmp_path / 'copy'}' brings it back" in capsys.readouterr().out
    own.unlink()
    assert run("restore", tmp_path / "copy", "--data", tmp_path / "new") == 0
    assert stacks(tmp_path / "new") == ["moss"]
    assert own.read_text() == KEYED
    assert own.stat().st_mode & 0o777 == 0o600
    assert f"settings: {own}" in capsys.readouterr().out


def test_other_settings_are_left_alone_or_put_aside(
    data: Path, own: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("backup", tmp_path / "copy", "--data", data) == 0
    assert run("restore", tmp_path / "copy", "--data", tmp_path / "new") == 0
    assert "is the same" in capsys.readouterr().out
    own.write_text("# changed since\n")
    assert run("restore", tmp_path / "copy", "--data", tmp_path / "newer") == 0
    assert own.read_text() == "# changed since\n"
    assert "is left as it is" in capsys.readouterr().out
    assert run("restore", tmp_path / "copy", "--data", tmp_path / "newest", "--replace") == 0
    assert own.read_text() == KEYED
    (aside,) = own.parent.glob("nearfar.before-*.toml")
    assert aside.read_text() == "# changed since\n"
    assert f"kept aside: {aside}" in capsys.readouterr().out


def test_what_cannot_be_done_is_refused_in_one_line(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("backup", data, "--data", data) == 2
    assert run("backup", tmp_path / "copy", "--data", tmp_path / "nothing") == 4
    assert run("restore", tmp_path / "nothing", "--data", data) == 3
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 3
    assert all(line.startswith("nearfar: ") for line in said)
