"""A long upload does not fill the server's memory, and outlives the server."""

from __future__ import annotations

from pathlib import Path

from tests.bench.upload import measure

SIZE = 200_000_001
"""Bytes; ``python -m tests.bench.upload`` sends two gigabytes."""
SLACK = 48 << 20
"""Bytes that a process may grow by while it takes an upload, however long that is."""


def test_memory_stays_flat_and_a_killed_server_goes_on_where_it_was(tmp_path: Path) -> None:
    found = measure(tmp_path / "data", SIZE)
    assert found.whole
    assert 0.4 * SIZE < found.kept < SIZE
    assert found.peak - found.before < SLACK
    assert found.peak_after - found.before < SLACK
