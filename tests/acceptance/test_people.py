"""A studio's server as it runs: keys made and ended beside it, and what the commands are told."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tests.acceptance.command import Outcome, environment, nearfar
from tests.acceptance.serving import served
from tests.bench.running import nearfar_command

WORDS = "lichen slate rain kettle"
SETTINGS = {"NEARFAR_SERVER_ACCOUNTS": "true"}


def run(*words: str, key: str | None = None) -> Outcome:
    return nearfar(*words, env=SETTINGS | ({"NEARFAR_KEY": key} if key else {}))


def add_account(*words: str) -> int:
    """``nearfar account add``, which reads the password from its input."""
    return subprocess.run(
        [*nearfar_command(), "account", "add", *words],
        env=environment(SETTINGS),
        input=f"{WORDS}\n",
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    ).returncode


def test_keys_are_made_and_ended_while_the_server_runs(tmp_path: Path) -> None:
    with served(tmp_path / "data", only=["api"], NEARFAR_SERVER_ACCOUNTS="true") as server:
        data = ("--data", str(server.data))
        there = ("--to", server.url)
        stranger = run("jobs", *there)
        assert stranger.code == 4
        assert "key" in stranger.err
        assert add_account("mara", *data, "--role", "submit") == 0
        made = run("key", "make", "rig", *data, "--account", "mara", "--scope", "submit")
        key = made.out.strip()
        assert made.code == 0, made.err
        assert run("jobs", *there, key=key).code == 0
        refused = run("server", "pause", *there, key=key)
        assert refused.code == 4
        assert "takes the role run; mara (key 1) has submit" in refused.err
        assert run("key", "revoke", "1", *data).code == 0
        assert run("jobs", *there, key=key).code == 4
        assert key not in server.log.read_text()
        assert WORDS not in server.log.read_text()
