"""``nearfar account`` and ``nearfar key``, on a store of their own."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from nearfar.cli.command import main
from nearfar.jobs import People, Role, open_store

WORDS = "lichen slate rain kettle"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


def people(data: Path) -> People:
    return People(open_store(f"sqlite:///{data / 'store.sqlite'}"))


def run(data: Path, *words: str) -> int:
    return main([words[0], words[1], "--data", str(data), *words[2:]])


def typed(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(text))


def test_an_account_is_made_changed_listed_and_removed(
    data: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed(monkeypatch, f"{WORDS}\n")
    assert run(data, "account", "add", "mara", "--role", "mend") == 0
    said = capsys.readouterr()
    assert "mara may log in and mend pictures" in said.out
    assert "accounts = true" in said.err
    assert people(data).account("mara").role is Role.MEND
    assert run(data, "account", "change", "mara", "--role", "run", "--close") == 0
    assert run(data, "account", "list", "--json") == 0
    listed = json.loads(capsys.readouterr().out.partition("\n")[2])["accounts"]
    assert [(a["name"], a["role"], a["by"], a["closed"]) for a in listed] == [
        ("mara", "run", "password", True)
    ]
    assert run(data, "account", "list") == 0
    assert "closed" in capsys.readouterr().out
    assert run(data, "account", "remove", "mara") == 0
    assert people(data).accounts() == ()
    assert run(data, "account", "remove", "mara") == 4
    assert "there is no account 'mara'" in capsys.readouterr().err


def test_a_password_that_is_too_short_is_refused_without_being_told(
    data: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed(monkeypatch, "hush-hush\n")
    assert run(data, "account", "add", "mara") == 2
    said = capsys.readouterr().err
    assert "9 characters" in said
    assert "hush" not in said


def test_a_key_is_shown_once_alone_on_standard_output(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(data, "key", "make", "rig", "--scope", "look", "--scope", "submit", "--days", "30") == 0
    secret = capsys.readouterr().out.strip()
    found = people(data).key(secret)
    assert found is not None
    assert found[0].scopes == (Role.LOOK, Role.SUBMIT)
    assert run(data, "key", "list") == 0
    assert run(data, "key", "list", "--json") == 0
    said = capsys.readouterr()
    assert secret not in said.out + said.err
    assert '"state": "good"' in said.out
    assert run(data, "key", "revoke", "1") == 0
    assert people(data).key(secret)[2] == "revoked"  # type: ignore[index]
    assert run(data, "key", "revoke", "7") == 4
    assert "there is no key 7" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("key", "make", "rig"), "a key needs a scope"),
        (("key", "make", "rig", "--scope", "look", "--days", "0"), "--days 0"),
        (("key", "make", "rig", "--scope", "look", "--account", "lena"), "no account 'lena'"),
        (("key", "make", "rig", "--scope", "all"), "invalid choice"),
        (("account", "change", "mara"), "nothing to change"),
        (("account", "add", "mara", "--subject", "7"), "people.provider"),
        (("account",), "WHAT"),
    ],
)
def test_what_is_not_possible_is_said(
    data: Path, words: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = [*words[:2], "--data", str(data), *words[2:]] if len(words) > 1 else list(words)
    assert main(arguments) in {2, 4}
    assert said in capsys.readouterr().err


def test_ending_links_changes_their_secret(data: Path) -> None:
    assert run(data, "key", "end-links") == 0
    before = people(data).secret("links")
    assert run(data, "key", "end-links") == 0
    assert people(data).secret("links") != before
