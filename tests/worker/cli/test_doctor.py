"""``nearfar doctor``: what it says, and its exit code."""

from __future__ import annotations

import json
import socket
from pathlib import Path

import pytest

from nearfar.cli import command


def run(*arguments: str | Path) -> int:
    return command.main(["doctor", *(str(a) for a in arguments)])


@pytest.fixture(autouse=True)
def _free_port(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NEARFAR_SERVER_PORT", "0")
    monkeypatch.setenv("NEARFAR_MEMORY", "256MiB")


def test_a_machine_on_which_a_server_will_work_gives_0(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("--data", tmp_path / "data") == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[-1].startswith("no problems, ")
    assert {line.split()[0] for line in lines[:-1]} <= {"ok", "advice", "->"}
    assert not (tmp_path / "data").exists()


def test_a_problem_gives_4_and_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        monkeypatch.setenv("NEARFAR_SERVER_PORT", str(taken.getsockname()[1]))
        assert run("--data", tmp_path) == 4
    lines = capsys.readouterr().out.splitlines()
    (place,) = (k for k, line in enumerate(lines) if line.startswith("problem"))
    assert lines[place].startswith("problem  port: cannot listen at 127.0.0.1")
    assert lines[place + 1].startswith("         -> Choose another port")
    assert lines[-1].startswith("1 problem, ")


def test_settings_that_cannot_be_read_are_the_first_problem_and_not_the_last_word(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "nearfar.toml").write_text("[server]\nprot = 9000\n")
    monkeypatch.setenv("NEARFAR_CONFIG", str(tmp_path / "nearfar.toml"))
    assert run("--data", tmp_path, "--json") == 4
    told = json.loads(capsys.readouterr().out)
    assert told["findings"][0]["level"] == "problem"
    assert "did you mean port?" in told["findings"][0]["found"]
    assert {"clock", "kernel", "store"} <= {finding["about"] for finding in told["findings"]}
    assert told["problems"] >= 1
