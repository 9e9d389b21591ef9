"""The watched folder that most tests here use."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.worker.intake.watched import Watching


@pytest.fixture
def watching(tmp_path: Path) -> Watching:
    return Watching(tmp_path)
