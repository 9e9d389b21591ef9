"""Digests of frames and sets, and the file that they are kept in."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from nearfar.intake import digests as module
from nearfar.intake.digests import Digests, content_digest, set_digest
from nearfar.intake.ledger import Ledger
from nearfar.intake.settling import Mark

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
"""SHA-256 of 'abc': FIPS 180-4, example of NIST ('SHA256.pdf', one-block message)."""


def mark_of(path: Path) -> Mark:
    return Mark.of(path.stat())


@pytest.fixture
def frame(tmp_path: Path) -> Path:
    path = tmp_path / "a.tif"
    path.write_bytes(b"abc")
    return path


def test_the_digest_is_the_published_one(frame: Path) -> None:
    assert content_digest(frame, mark_of(frame)) == ABC


def test_a_file_that_is_another_than_was_seen_has_no_digest(frame: Path) -> None:
    before = mark_of(frame)
    frame.write_bytes(b"abd")
    assert content_digest(frame, before) is None


def test_a_restart_reads_no_file_again(frame: Path, tmp_path: Path) -> None:
    first = Digests(tmp_path / "digests")
    assert (first.of(frame, mark_of(frame)), first.read) == (ABC, 1)
    again = Digests(tmp_path / "digests")
    assert (again.of(frame, mark_of(frame)), again.read) == (ABC, 0)


def test_a_changed_file_is_read_again_though_its_size_and_time_are_the_same(
    frame: Path, tmp_path: Path
) -> None:
    kept = Digests(tmp_path / "digests")
    kept.of(frame, mark_of(frame))
    stamp = frame.stat().st_mtime_ns
    frame.write_bytes(b"xyz")
    os.utime(frame, ns=(stamp, stamp))
    assert kept.of(frame, mark_of(frame)) == hashlib.sha256(b"xyz").hexdigest()


def test_the_oldest_digests_go_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST", 20)
    kept = Digests(tmp_path / "digests")
    paths = [tmp_path / f"{n}.tif" for n in range(30)]
    for path in paths:
        path.write_text(path.name)
        kept.of(path, mark_of(path))
    assert kept.known(mark_of(paths[0])) is None
    assert kept.known(mark_of(paths[-1])) is not None


def test_a_set_is_the_same_in_any_order_and_another_with_another_recipe() -> None:
    digest = set_digest(["a", "b"], recipe="standard", settings={})
    assert set_digest(["b", "a"], recipe="standard", settings={}) == digest
    assert set_digest(["a"], recipe="standard", settings={}) != digest
    assert set_digest(["a", "b"], recipe="macro", settings={}) != digest
    assert set_digest(["a", "b"], recipe="standard", settings={"reference": "1.tif"}) != digest


@pytest.mark.parametrize("torn", [b'["c","th', b"\xff\x00\n", b"[1,2]\n", b"null\n"])
def test_a_torn_line_of_a_ledger_spoils_no_other(tmp_path: Path, torn: bytes) -> None:
    ledger = Ledger(tmp_path / "ledger")
    ledger.put({"a": 1, "b": 2})
    with open(ledger.file, "ab") as file:
        file.write(torn)
    Ledger(ledger.file).put({"d": 4})
    assert Ledger(ledger.file).records == {"a": 1, "b": 2, "d": 4}


def test_a_ledger_is_written_anew_when_most_of_it_is_outdated(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "ledger", durable=False)
    for count in range(3000):
        ledger.put({"a": count, "b": None})
    size = ledger.file.stat().st_size
    assert Ledger(ledger.file, reading=True).records == {"a": 2999}
    assert ledger.file.stat().st_size == size  # a reader leaves it as it is
    assert Ledger(ledger.file).records == {"a": 2999}
    assert ledger.file.stat().st_size < 100
