"""A studio's server as it runs: keys made and ended beside it, and what the commands are told."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tests.acceptance.command import environment
from tests.acceptance.serving import Served, served
from tests.bench.running import nearfar_command

WORDS = "lichen slate rain kettle"


def run(
    server: Served, *words: str, key: str | None = None, typed: str = ""
) -> subprocess.CompletedProcess[str]:
    env = {"NEARFAR_SERVER_ACCOUNTS": "true"} | ({"NEARFAR_KEY": key} if key else {})
    return subprocess.run(
        [*nearfar_command(), *words],
        env=environment(env),
        input=typed,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_keys_are_made_and_ended_while_the_server_runs(tmp_path: Path) -> None:
    with served(tmp_path / "data", NEARFAR_SERVER_ACCOUNTS="true") as server:
        data = ("--data", str(server.data))
        there = ("--to", server.url)
        stranger = run(server, "jobs", *there)
        assert stranger.returncode == 4
        assert "key" in stranger.stderr
        assert (
            run(server, "account", "add", "mara", *data, "--role", "submit", typed=f"{WORDS}\n").returncode
            == 0
        )
        made = run(server, "key", "make", "rig", *data, "--account", "mara", "--scope", "submit")
        key = made.stdout.strip()
        assert made.returncode == 0, made.stderr
        assert run(server, "jobs", *there, key=key).returncode == 0
        refused = run(server, "server", "pause", *there, key=key)
        assert refused.returncode == 4
        assert "takes the role run; mara (key 1) has submit" in refused.stderr
        assert run(server, "key", "revoke", "1", *data).returncode == 0
        assert run(server, "jobs", *there, key=key).returncode == 4
        assert key not in server.log.read_text()
        assert WORDS not in server.log.read_text()
