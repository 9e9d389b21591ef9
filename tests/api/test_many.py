"""Ten thousand jobs: how long a page of the list, the figures and the first page take. Printed; no time fails a test."""

from __future__ import annotations

import statistics
import time
from typing import Any

import pytest

from nearfar.jobs import JobState, Store
from nearfar.jobs.model import frames, jobs, owners, units
from tests.api.conftest import Client

JOBS = 10_000
FRAMES = 20
START = 1_800_000_000.0


@pytest.fixture
def full(store: Store) -> Store:
    states = [JobState.DONE] * 90 + [JobState.WAITING] * 4 + [JobState.RUNNING] * 2 + [JobState.FAILED] * 4
    with store.database.engine.begin() as conn:
        conn.execute(owners.insert(), [{"name": f"o{k}", "created": START} for k in range(20)])
        conn.execute(jobs.insert(), [_job(k, states[k % 100]) for k in range(JOBS)])
        conn.execute(
            frames.insert(),
            [
                {
                    "job": k % JOBS + 1,
                    "position": k // JOBS,
                    "path": f"/in/{k}.tif",
                    "size": 9,
                    "state": "present",
                }
                for k in range(JOBS * FRAMES)
            ],
        )
        conn.execute(units.insert(), [_unit(k) for k in range(5_000)])
    return store


def _job(k: int, state: JobState) -> dict[str, Any]:
    return {
        "stack": f"stack {k * 7919 % JOBS:05d}",
        "owner": f"o{k % 20}",
        "sources": [f"/in/{k}"],
        "recipe": "standard",
        "settings": {},
        "state": state,
        "weights": {"survey": 10.0, "render": 20.0},
        "created": START + k,
        "updated": START + k * 31 % JOBS,
        "finished": START + k if state in {JobState.DONE, JobState.FAILED} else None,
        "reason": "02.tif cannot be read" if state is JobState.FAILED else None,
        "result": f"/results/{k}/{k}.tif" if state is JobState.DONE else None,
    }


def _unit(k: int) -> dict[str, Any]:
    return {
        "job": k % JOBS + 1,
        "kind": "survey",
        "stage": 0,
        "start": k,
        "stop": k + 1,
        "weight": 1.0,
        "state": "ready" if k < 400 else "done",
        "limit": 100.0,
        "owner": f"o{k % 20}",
        "due": START,
        "priority": 0,
    }


def test_pages_and_figures_of_ten_thousand_jobs(
    client: Client, full: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    def took(path: str) -> tuple[int, float]:
        times = []
        for _ in range(7):
            client.app.state.context.figures.forget()
            began = time.perf_counter()
            answer = client.get(path)
            times.append(time.perf_counter() - began)
            assert answer.status_code == 200
        return len(answer.content), statistics.median(times)

    cursor = client.get("/api/v1/jobs?sort=stack&limit=200").json()["next"]
    lines = []
    for path in (
        "/api/v1/jobs",
        "/api/v1/jobs?limit=200",
        f"/api/v1/jobs?sort=stack&limit=200&cursor={cursor}",
        "/api/v1/jobs?state=failed&state=running&sort=-updated",
        "/api/v1/jobs?search=stack%20042",
        "/api/v1/jobs?sort=-finished&owner=o7",
        "/metrics",
        "/status",
        "/",
        "/jobs?search=stack&sort=-finished",
    ):
        size, seconds = took(path)
        lines.append(f"{1000 * seconds:7.1f} ms {size / 1024:7.1f} KiB  {path[:70]}")
    with capsys.disabled():
        print("\n" + "\n".join(lines))
    assert len(client.get("/api/v1/jobs?limit=200").json()["jobs"]) == 200
