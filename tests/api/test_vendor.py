"""What the pages use of others: fetched by lock file and digests, served from here, and within the pages' policy."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import sys
from pathlib import Path

import pytest

from nearfar_api.web import VENDOR, VIEWER_STYLE, build_hook
from tests.api.conftest import Client

NPM = """#!{python}
import pathlib, sys
if sys.argv[1:] == ["--version"]:
    raise SystemExit
if sys.argv[1] == "install" and "--package-lock-only" in sys.argv:
    pathlib.Path("package-lock.json").write_text("anew")
    raise SystemExit
assert sys.argv[1] == "ci" and "--ignore-scripts" in sys.argv, sys.argv
assert sorted(p.name for p in pathlib.Path().iterdir()) == ["package-lock.json", "package.json"]
package = pathlib.Path("node_modules/moss")
package.mkdir(parents=True)
(package / "moss.min.js").write_text({text!r})
(package / "install.js").write_text("never asked for")
"""


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A source tree whose pages use one file."""
    web = tmp_path / "tree" / build_hook.WEB
    web.mkdir(parents=True)
    for name in build_hook.LOCKED:
        (web / name).write_text("{}", encoding="utf-8")
    entry = {"source": "moss/moss.min.js", "sha256": hashlib.sha256(b"grow()").hexdigest()}
    (web / "vendor.json").write_text(json.dumps({"moss.js": entry}), encoding="utf-8")
    return tmp_path / "tree"


@pytest.fixture(autouse=True)
def _forget_npm() -> None:
    build_hook.own_npm.cache_clear()
    build_hook.carried_npm.cache_clear()


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that is all of PATH."""
    folder = tmp_path / "bin"
    folder.mkdir()
    monkeypatch.setenv("PATH", str(folder))
    return folder


def npm_that_brings(text: str, path: Path) -> None:
    (path / "npm").write_text(NPM.format(python=sys.executable, text=text), encoding="utf-8")
    (path / "npm").chmod(0o755)


def test_what_lies_here_is_what_the_manifest_says(checkout: Path) -> None:
    assert build_hook.differing(VENDOR, build_hook.manifest(checkout)) == []
    assert build_hook.needed(checkout) == []


def test_each_package_brings_its_licence(checkout: Path) -> None:
    entries = build_hook.manifest(checkout)
    packages = {entry["source"].split("/")[0] for entry in entries.values()}
    licensed = {e["source"].split("/")[0] for name, e in entries.items() if name.endswith(".licence.txt")}
    assert packages == licensed == set(json.loads(read(checkout, "package.json"))["dependencies"])


def test_versions_are_pinned_by_digest_and_no_host_is_named(checkout: Path) -> None:
    wanted = json.loads(read(checkout, "package.json"))["dependencies"]
    lock = json.loads(read(checkout, "package-lock.json"))["packages"]
    for name, version in wanted.items():
        assert lock[f"node_modules/{name}"]["version"] == version
    for name, entry in lock.items():
        assert "resolved" not in entry
        assert not name or entry["integrity"].startswith("sha512-")


def read(checkout: Path, name: str) -> str:
    return (checkout / build_hook.WEB / name).read_text(encoding="utf-8")


def test_only_the_files_that_are_asked_for_are_put_in_place(tree: Path, path: Path) -> None:
    npm_that_brings("grow()", path)
    (made,) = build_hook.fetch(tree)
    assert made.read_text() == "grow()"
    assert sorted(p.name for p in (tree / build_hook.WEB).iterdir()) == sorted(
        [*build_hook.LOCKED, "vendor", "vendor.json"]
    )


def test_what_is_in_place_is_not_fetched_again_and_what_is_spoilt_is(tree: Path, path: Path) -> None:
    npm_that_brings("grow()", path)
    (made,) = build_hook.fetch(tree)
    first = made.stat().st_ino
    (path / "npm").unlink()
    build_hook.own_npm.cache_clear()
    assert build_hook.fetch(tree)[0].stat().st_ino == first
    assert build_hook.needed(tree) == []
    made.write_text("spoilt")
    (made.parent / "stray.js").write_text("nobody asked")
    assert build_hook.needed(tree) == [build_hook.NODE_WHEEL]
    npm_that_brings("grow()", path)
    build_hook.own_npm.cache_clear()
    build_hook.fetch(tree)
    assert [p.name for p in made.parent.iterdir()] == ["moss.js"]
    assert made.read_text() == "grow()"


def test_other_files_than_recorded_are_refused_and_leave_what_was(tree: Path, path: Path) -> None:
    npm_that_brings("wither()", path)
    with pytest.raises(SystemExit, match=r"moss.js: not what .*vendor.json says"):
        build_hook.fetch(tree)
    assert not (tree / build_hook.WEB / "vendor").exists()
    assert not list((tree / build_hook.WEB).glob("*.part"))
    build_hook.record(tree)
    assert (tree / build_hook.WEB / "package-lock.json").read_text() == "anew"
    assert build_hook.fetch(tree)[0].read_text() == "wither()"


@pytest.mark.usefixtures("path")
def test_without_any_npm_it_says_what_to_install(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build_hook, "CARRIED", "raise SystemExit(1)")
    with pytest.raises(SystemExit) as refusal:
        build_hook.fetch(tree)
    assert "apt-get install npm" in str(refusal.value)
    assert build_hook.NODE_WHEEL in str(refusal.value)


def test_an_npm_that_fails_is_quoted(tree: Path, path: Path) -> None:
    npm_that_brings("grow()", path)
    text = (
        (path / "npm")
        .read_text()
        .replace("package = pathlib", 'raise SystemExit("no network")\npackage = pathlib')
    )
    (path / "npm").write_text(text)
    with pytest.raises(SystemExit, match="no network"):
        build_hook.fetch(tree)


def test_pages_get_them_from_here(client: Client) -> None:
    response = client.get("/vendor/openseadragon.js")
    assert response.status_code == 200
    assert "javascript" in response.headers["content-type"]
    assert hashlib.sha256(response.content).hexdigest() == build_hook.digest(VENDOR / "openseadragon.js")
    assert client.get("/vendor/openseadragon/home_rest.png").headers["content-type"] == "image/png"
    for path in ("/vendor/", "/vendor/moss.js", "/vendor/..%2f__init__.py"):
        assert client.get(path).status_code == 404


def test_the_viewers_one_style_is_the_one_that_the_policy_allows(client: Client) -> None:
    script = (VENDOR / "openseadragon.js").read_text(encoding="utf-8")
    assert script.count('createElement("style")') == 1
    (style,) = re.findall(r'"data-openseadragon-mobile-css","true"\);\w+\.textContent="([^"]*)"', script)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"sha256-{digest}" == VIEWER_STYLE
    policy = client.get("/health/live").headers["content-security-policy"]
    assert f"style-src 'self' 'sha256-{digest}';" in policy
