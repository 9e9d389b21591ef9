"""The IIIF consortium's own validator, in an environment of its own, against a server of ours.

It asks for a picture of a hundred patches and knows their colours; the picture is painted here with the colours that
the installed validator names.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import venv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from nearfar.places import places_of
from nearfar.runner.opening import open_by
from nearfar.server_settings import ServerSettings
from tests.api.iiif import painting
from tests.api.making import done
from tests.api.process import running

VERSION, LEVEL = "3.0", 2
BEYOND = ("linkheader_canonical", "linkheader_profile", "rot_mirror", "rot_mirror_180")
"""Tests of what info.json offers beyond level 2."""
PATCH = 100
"""Pixels of an edge."""
TELL = "import json; from iiif_validator.validator import ValidationInfo; print(json.dumps(ValidationInfo().colorInfo))"


class NoValidator(Exception):
    """The environment could not be made; the message says why."""


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What the validator said, and how many tests it ran and saw fail."""

    text: str
    passed: int
    failed: int


def environment(folder: Path, lock: Path) -> Path:
    """The interpreter of an environment with what the lock file lists, made where it is not there.

    Raises
    ------
    NoValidator
    """
    python = folder / "bin" / "python"
    stamp = folder / "made-from.lock"
    if stamp.is_file() and stamp.read_bytes() == lock.read_bytes():
        return python
    venv.create(folder, clear=True, with_pip=True)
    pip: list[str | Path] = [python, "-m", "pip", "--disable-pip-version-check", "--quiet", "install"]
    _ask([*pip, "--require-hashes", "--requirement", lock])
    _ask([python, "-c", TELL])
    stamp.write_bytes(lock.read_bytes())
    return python


def _ask(command: list[str | Path]) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise NoValidator(f"{command[0]} ... failed: {done.stderr.strip()[-1000:]}")
    return done.stdout


def patches(python: Path) -> painting.U16:
    """The picture that the validator asks for: (1000, 1000, 3)."""
    told = _ask([python, "-c", TELL])
    across_first = np.array(json.loads(told[told.index("[") :]), np.uint16)
    colours = across_first.transpose(1, 0, 2)
    return np.repeat(np.repeat(colours * 257, PATCH, axis=0), PATCH, axis=1)


def judge(python: Path, folder: Path) -> Verdict:
    """Start a server on a new data folder with that picture as a job's result, and let the validator ask it."""
    settings = ServerSettings.model_validate({"server": {"data": folder / "data", "owner": "studio"}})
    places = places_of(settings)
    places.make()
    store = open_by(settings, places)
    picture = painting.write(folder / "patches.tif", patches(python))
    job = done(store, places, picture=picture.read_bytes())
    store.close()
    with running(folder / "data", log=folder / "server.log", server_open_pictures="true") as server:
        runs = [
            _run(python, server.port, job, ["--level", str(LEVEL)]),
            _run(python, server.port, job, [f"--test={name}" for name in BEYOND]),
        ]
    text = "\n".join(runs)
    return Verdict(text=text, passed=text.count(" PASS\n"), failed=text.count(" FAIL\n"))


def _run(python: Path, port: int, job: int, what: list[str]) -> str:
    command = [str(python), str(python.with_name("iiif-validate.py")), "--server", f"localhost:{port}"]
    command += ["--prefix", "iiif/3", "--identifier", f"job-{job}", "--version", VERSION, *what]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.stderr + (f"exit code {done.returncode}: FAIL\n" if done.returncode else "")


def main() -> int:
    """Make the environment in build/conformance, judge, print."""
    top = Path(__file__).resolve().parents[2]
    folder = top / "build" / "conformance"
    folder.mkdir(parents=True, exist_ok=True)
    try:
        python = environment(folder / "validator", top / "config" / "conformance.lock")
    except NoValidator as error:
        print(f"The validator cannot be had here: {error}", file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory() as data:
        verdict = judge(python, Path(data))
    print(verdict.text)
    print(f"{verdict.passed} passed, {verdict.failed} failed")
    return 1 if verdict.failed or not verdict.passed else 0
