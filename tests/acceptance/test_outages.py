"""Broker, store and shared folder go away under load: nothing is lost or done twice, and health says what is missing.

``python -m tests.acceptance.outages --seconds 60`` does so for a minute each.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.acceptance.outages import Outages
from tests.worker.jobs.postgresql import server
from tests.worker.runner.redis_server import redis_server

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]


def test_work_goes_on_by_itself_after_each_outage(tmp_path: Path) -> None:
    with server("-c", "fsync=off") as url, redis_server() as redis:
        one = Outages(tmp_path, 3.5, url, redis)  # longer than a lease
        one.run()
    assert one.wrong == []
    assert len(set(one.digests)) == 1
    assert set(one.told) == {"broker", "store", "folder"}
    assert one.shown == {"broker"}
    assert "does not answer" in one.told["broker"]
    assert "does not answer" in one.told["store"]
    assert "share" not in one.told["store"]
    assert str(tmp_path / "data") in one.told["folder"]
    assert sorted(p.name for p in (tmp_path / "empty").iterdir()) == [], (
        "nothing was made where the share was"
    )
