"""A server on PostgreSQL is copied while a stack is in work, and goes on from the copy in an empty database."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
import sqlalchemy as sa

from nearfar.jobs.engine import dispose, engine_for, parse_url
from tests.acceptance.command import digests, merged, nearfar
from tests.acceptance.serving import Served, served
from tests.scenes.big import big
from tests.worker.jobs.postgresql import server as postgresql
from tests.worker.runner.serving import end_all

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


def database(url: str, name: str) -> str:
    """Address of a new, empty database of the same server."""
    engine = engine_for(parse_url(url))
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as conn:
        conn.exec_driver_sql(f"CREATE DATABASE {name}")
    dispose(engine)
    return url.replace("/postgres?", f"/{name}?")


def units_done(server: Served) -> int:
    return server.attempts(1, "done")


def test_a_job_in_flight_goes_on_in_an_empty_database_to_the_same_picture(tmp_path: Path) -> None:
    frames = big("easy", 12, size=(1800, 1200)).folder
    before = digests(frames)
    merged(frames, tmp_path / "alone.tif")
    data, copy = tmp_path / "data", tmp_path / "copy"
    with postgresql("-c", "fsync=off") as url:
        first, second = (database(url, name) for name in ("first", "second"))
        with served(data, NEARFAR_STORE_URL=first) as server:
            sent = nearfar("send", frames, "--stack", "long", "--to", server.url)
            assert sent.code == 0, sent.err
            server.wait(lambda: units_done(server) >= 2, what="work began")
            server.freeze_workers()
            told = nearfar("backup", copy, "--data", data, env={"NEARFAR_STORE_URL": first})
            assert told.code == 0, told.err
            assert server.state(1) == "running"
            server.stop(signal.SIGKILL)
            end_all(data)
        assert not (data / "results" / "long").exists(), (
            "it was in work when the copy was made and when it ended"
        )
        back = nearfar("restore", copy, "--data", data, env={"NEARFAR_STORE_URL": second})
        assert back.code == 0, back.err
        assert counted(second) == {"running": 1}
        with served(data, NEARFAR_STORE_URL=second) as again:
            again.wait(lambda: again.state(1) == "done", 240, what="the job is done")
            steps = [each["step"] for each in again.get("/jobs/1/attempts")["attempts"]]
            assert again.get("/trail")["events"], "with all that is known of it"
        assert "failed" not in steps
        assert counted(first) == {"running": 1}, "the database of before was only read"
    picture = data / "results" / "long" / "long.tif"
    assert picture.read_bytes() == (tmp_path / "alone.tif").read_bytes()
    assert digests(frames) == before


def counted(url: str) -> dict[str, int]:
    """Jobs of a database by their state."""
    engine = engine_for(parse_url(url))
    with engine.connect() as conn:
        found = conn.execute(sa.text("SELECT state, count(*) FROM jobs GROUP BY state")).all()
    dispose(engine)
    return {str(state): int(count) for state, count in found}
