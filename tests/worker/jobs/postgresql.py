"""A PostgreSQL server of the tests' own, from Debian's packages, in a temporary folder, at a socket in it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NoReturn

import pytest

MUST_RUN_ALL = bool(os.environ.get("NEARFAR_TESTS_MUST_RUN_ALL"))
"""Where this is set nothing may be skipped. Read here since the tests' own environment is cleaned."""
USER = "nobody"
"""The server refuses to run as root."""


def programs() -> Path | None:
    """Folder with initdb and postgres: the newest of Debian's, or that on the PATH."""
    found = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[-3]), reverse=True
    )
    on_path = shutil.which("initdb")
    if not found and on_path:
        found = [Path(on_path).resolve()]
    return found[0].parent if found else None


def programs_or_skip() -> Path:
    return programs() or missing("PostgreSQL is not installed (on Debian: apt-get install postgresql)")


def missing(reason: str) -> NoReturn:
    """Skip a test with the reason, or fail it where nothing may be skipped."""
    if MUST_RUN_ALL:
        pytest.fail(reason)
    pytest.skip(reason)


def _as_user(*command: str | Path, die_with_us: bool = False) -> list[str]:
    death = ["--pdeathsig", "QUIT"] if die_with_us else []
    user = ["--reuid", USER, "--regid", "nogroup", "--clear-groups"] if os.geteuid() == 0 else []
    prefix = ["setpriv", *user, *death] if user or death else []
    return [*prefix, *(str(part) for part in command)]


@contextmanager
def server(*options: str) -> Iterator[str]:
    """Run a server; gives the address of its database. ``options`` go to postgres, e.g. ``-c fsync=off``."""
    bin_folder = programs_or_skip()
    folder = Path(tempfile.mkdtemp(prefix="nearfar-pg-"))
    try:
        if os.geteuid() == 0:
            shutil.chown(folder, USER, "nogroup")
        data = folder / "data"
        made = subprocess.run(
            _as_user(
                bin_folder / "initdb", "-D", data, "-U", "nearfar", "-A", "trust", "-E", "UTF8", "--no-sync"
            ),
            capture_output=True,
            text=True,
            cwd=folder,
            env={"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"},
        )
        assert made.returncode == 0, made.stderr
        line: list[str | Path] = [
            bin_folder / "postgres",
            "-D",
            data,
            "-k",
            folder,
            "-c",
            "listen_addresses=",
        ]
        command = _as_user(*line, *options, die_with_us=True)
        with (folder / "log").open("wb") as log:
            process = subprocess.Popen(command, stdout=log, stderr=log, cwd=folder)
        try:
            _wait_until_ready(bin_folder, folder, process)
            yield f"postgresql://nearfar@/postgres?host={folder}"
        finally:
            process.send_signal(signal.SIGQUIT)  # at once, clients or not
            process.wait()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _wait_until_ready(bin_folder: Path, folder: Path, process: subprocess.Popen[bytes]) -> None:
    for _ in range(1200):
        answer = subprocess.run([bin_folder / "pg_isready", "-q", "-h", folder, "-U", "nearfar"])
        if answer.returncode == 0:
            return
        assert process.poll() is None, (folder / "log").read_text()
        time.sleep(0.05)
    raise AssertionError((folder / "log").read_text())
