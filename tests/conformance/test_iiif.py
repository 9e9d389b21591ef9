"""The IIIF consortium's validator of the Image API finds nothing wrong: level 2 of version 3.0, and some beyond."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conformance.validator import BEYOND, NoValidator, environment, judge
from tests.worker.jobs.postgresql import missing


@pytest.fixture(scope="session")
def python(checkout: Path) -> Path:
    """Kept in build/, so that the second time takes no download."""
    try:
        return environment(
            checkout / "build" / "conformance" / "validator", checkout / "config" / "conformance.lock"
        )
    except NoValidator as error:
        missing(f"the validator cannot be installed: {error}")


@pytest.mark.slow
def test_the_standards_own_validator_passes_level_2(python: Path, tmp_path: Path) -> None:
    verdict = judge(python, tmp_path)
    assert verdict.failed == 0, verdict.text
    assert verdict.passed >= 33 + len(BEYOND), verdict.text
    assert all(f"test {name} PASS" in verdict.text for name in BEYOND), verdict.text
