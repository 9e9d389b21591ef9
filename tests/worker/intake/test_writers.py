"""Who has a file open for writing, and when that cannot be told."""

from __future__ import annotations

import ctypes
import os
from pathlib import Path

from nearfar.intake.settling import Mark
from nearfar.intake.writers import contained, hidden_users, open_writers, why_unseen


def test_a_writer_and_a_mapping_are_seen(tmp_path: Path) -> None:
    path = tmp_path / "a\nb.tif"
    path.write_bytes(bytes(5000))
    mark = Mark.of(path.stat())
    assert open_writers([mark]) == {}
    with open(path, "rb"):
        assert open_writers([mark]) == {}  # a reader is none
    libc = ctypes.CDLL(None, use_errno=True)
    libc.mmap.restype = ctypes.c_void_p
    with open(path, "r+b") as file:
        assert str(os.getpid()) in open_writers([mark])[mark.identity]
        # Shared, read and write.
        address = libc.mmap(None, ctypes.c_size_t(5000), 3, 1, file.fileno(), ctypes.c_long(0))
    assert str(os.getpid()) in open_writers([mark])[mark.identity]  # the file is closed, the mapping stays
    libc.munmap(ctypes.c_void_p(address), ctypes.c_size_t(5000))
    assert open_writers([mark]) == {}


def test_it_is_told_when_writers_cannot_be_seen(tmp_path: Path) -> None:
    assert why_unseen({1000}, frozenset(), user=0) is None
    assert why_unseen({1000}, frozenset({0}), user=1000) is None
    assert "1000" in (why_unseen({1000}, frozenset({1000}), user=1000) or "")  # a file server in our name
    assert "1001" in (why_unseen({1001}, frozenset({0}), user=1000) or "")
    assert why_unseen({1000}, None) is not None
    assert hidden_users(proc=tmp_path) is None
    (tmp_path / "self" / "ns").mkdir(parents=True)
    (tmp_path / "self" / "ns" / "pid").symlink_to("pid:[4026532000]")
    assert contained("/data", "ext4", proc=tmp_path)
    assert not contained("/", "overlay", proc=tmp_path)
