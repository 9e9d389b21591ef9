"""Keys and digests: equal for equal work, different for everything else."""

from __future__ import annotations

import hashlib
import math
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nearfar.errors import UsageError
from nearfar.merge.keys import KEY_LENGTH, Fingerprint, canonical, file_digest, key

SIMPLE = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=10,
)


@dataclass(frozen=True)
class Part:
    """A few settings."""

    admit: float
    names: tuple[str, ...] = ()


def test_a_key_is_a_sha_256_cut_to_its_length() -> None:
    text = '["survey",3,{"level":1},["a","b"]]'
    expected = hashlib.sha256(text.encode()).hexdigest()[:KEY_LENGTH]
    assert key("survey", 3, {"level": 1}, ["a", "b"]) == expected
    assert len(expected) == 32


@pytest.mark.parametrize(
    "other",
    [
        pytest.param(("render", 3, {"level": 1}, ["a", "b"]), id="step"),
        pytest.param(("survey", 4, {"level": 1}, ["a", "b"]), id="version"),
        pytest.param(("survey", 3, {"level": 2}, ["a", "b"]), id="value"),
        pytest.param(("survey", 3, {"level": 1.0}, ["a", "b"]), id="type of a value"),
        pytest.param(("survey", 3, {"label": 1}, ["a", "b"]), id="name of a value"),
        pytest.param(("survey", 3, {"level": 1, "more": None}, ["a", "b"]), id="one value more"),
        pytest.param(("survey", 3, {"level": 1}, ["b", "a"]), id="order of inputs"),
        pytest.param(("survey", 3, {"level": 1}, ["ab"]), id="inputs joined"),
        pytest.param(("survey", 3, {"level": 1}, []), id="no inputs"),
    ],
)
def test_whatever_differs_makes_another_key(other: tuple[str, int, dict[str, object], list[str]]) -> None:
    assert key(*other) != key("survey", 3, {"level": 1}, ["a", "b"])


def test_what_is_the_same_work_has_the_same_key() -> None:
    plain = key("s", 1, {"a": 1, "b": [0.5, True], "c": {"admit": 0.5, "names": ["x"]}}, ["i"])
    assert plain == key("s", 1, {"b": (0.5, True), "c": Part(0.5, ("x",)), "a": 1}, ("i",))
    assert plain == key(
        "s", 1, {"a": np.int64(1), "b": [np.float64(0.5), np.True_], "c": Part(0.5, ("x",))}, ["i"]
    )


@given(SIMPLE)
def test_equal_values_are_written_alike_and_in_plain_ascii(value: object) -> None:
    assert canonical(value).isascii()
    assert canonical(value) == canonical(value)
    assert "\n" not in canonical(value)


@given(st.floats(allow_nan=False, allow_infinity=False), st.floats(allow_nan=False, allow_infinity=False))
def test_two_numbers_share_their_text_only_if_they_are_equal(a: float, b: float) -> None:
    assert (canonical(a) == canonical(b)) == (a == b)


def test_a_float_of_single_precision_counts_as_the_number_that_it_is() -> None:
    assert canonical(np.float32(0.1)) == canonical(float(np.float32(0.1)))
    assert canonical(np.float32(0.1)) != canonical(0.1)


def test_zero_has_one_sign() -> None:
    assert canonical(-0.0) == canonical(0.0)


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (math.nan, "finite"),
        (-math.inf, "finite"),
        (np.float32("nan"), "finite"),
        (Path("a.jpg"), "digest"),
        (np.zeros(3), "ndarray"),
        (b"bytes", "bytes"),
        ({1, 2}, "set"),
        ({1: 2}, "names of parameters are text"),
        (1j, "complex"),
        (Part, "type"),
    ],
)
def test_what_has_no_one_spelling_is_refused_with_its_place(value: object, words: str) -> None:
    with pytest.raises(UsageError, match=words) as refusal:
        key("s", 1, {"outer": [0, value]}, [])
    assert ".outer[1]" in str(refusal.value)


def test_one_text_is_no_list_of_inputs() -> None:
    with pytest.raises(UsageError, match="give a list of keys"):
        key("s", 1, {}, "abc")


def test_a_key_is_the_same_in_another_process() -> None:
    code = (
        "from nearfar.merge.keys import key; print(key('s', 1, {'b': 0.1, 'a': {'y': 1, 'x': 'ü'}}, ['i']))"
    )
    runs = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout.strip()
        for seed in ("0", "77")
    }
    assert runs == {key("s", 1, {"a": {"x": "ü", "y": 1}, "b": 0.1}, ["i"])}


@pytest.mark.parametrize(
    ("content", "digest"),
    # FIPS 180-4 as published with its examples by NIST: 'abc', two blocks, and the empty message.
    [
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    ],
)
def test_digests_are_those_of_the_published_examples(tmp_path: Path, content: bytes, digest: str) -> None:
    path = tmp_path / "file"
    path.write_bytes(content)
    assert file_digest(path) == digest


def test_a_file_of_several_pieces_has_the_digest_of_the_whole(tmp_path: Path) -> None:
    content = bytes(range(256)) * (3 * 4096 + 1) + b"tail"
    path = tmp_path / "file"
    path.write_bytes(content)
    assert file_digest(str(path)) == hashlib.sha256(content).hexdigest()


def _append(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"more")


def _overwrite_keeping_size_and_time(path: Path) -> None:
    before = path.stat()
    path.write_bytes(b"X" * before.st_size)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def _replace_by_a_twin(path: Path) -> None:
    before = path.stat()
    twin = path.with_suffix(".twin")
    twin.write_bytes(path.read_bytes())
    os.utime(twin, ns=(before.st_atime_ns, before.st_mtime_ns))
    twin.replace(path)


@pytest.mark.parametrize(
    "change", [_append, _overwrite_keeping_size_and_time, _replace_by_a_twin, Path.touch]
)
def test_a_fingerprint_tells_that_a_file_was_changed(tmp_path: Path, change: Callable[[Path], None]) -> None:
    path = tmp_path / "frame.jpg"
    path.write_bytes(b"pixels")
    os.utime(path, ns=(10**18, 10**18))  # an old file: what happens now differs by more than a clock tick
    before = Fingerprint.of(path)
    assert Fingerprint.of(str(path)) == before
    _wait_for_the_next_tick(path)
    change(path)
    assert Fingerprint.of(path) != before


def _wait_for_the_next_tick(path: Path) -> None:
    """Until the file system's clock, which may stand still for milliseconds, has moved on from the file's change."""
    probe = path.with_suffix(".probe")
    changed = path.stat().st_ctime_ns
    while True:
        probe.write_bytes(b"")
        if probe.stat().st_ctime_ns > changed:
            break
    probe.unlink()


def test_reading_a_file_leaves_its_fingerprint(tmp_path: Path) -> None:
    path = tmp_path / "frame.jpg"
    path.write_bytes(b"pixels")
    before = Fingerprint.of(path)
    file_digest(path)
    with path.open("rb") as file:
        assert Fingerprint.of_status(os.fstat(file.fileno())) == before


def test_a_fingerprint_belongs_into_a_key() -> None:
    mark = Fingerprint(size=1, mtime_ns=2, ctime_ns=3, inode=4, device=5)
    assert key("s", 1, {"file": mark}, []) == key("s", 1, {"file": vars(mark)}, [])
