"""What Prometheus reads: the store's figures under names that its own checker finds nothing wrong with."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from types import SimpleNamespace

import pytest
from prometheus_client.parser import text_string_to_metric_families

from nearfar.jobs import Outcome, Store
from nearfar.places import Places
from nearfar_api import context
from tests.api.conftest import Client
from tests.api.making import claim, done, fail, submit


def samples(client: Client) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


def test_the_figures_of_the_store_are_told(client: Client, store: Store, places: Places) -> None:
    done(store, places)
    submit(store)
    fail(store)
    submit(store)
    store.finish(claim(store), Outcome(counts={"frames": 3.0, "bytes_read": 700.0, "odd name!": 1.0}))
    claim(store)
    submit(store)
    store.count("hints_published", 4)
    store.count("transfer_bytes_deliver", 5000)
    store.count("transfer_failures_fetch", 2)
    found = samples(client)
    expected = {
        ("nearfar_jobs", (("state", "done"),)): 1,
        ("nearfar_jobs", (("state", "failed"),)): 1,
        ("nearfar_jobs", (("state", "running"),)): 1,
        ("nearfar_jobs", (("state", "waiting"),)): 1,
        ("nearfar_jobs", (("state", "held"),)): 0,
        ("nearfar_units", (("state", "held"),)): 1,
        ("nearfar_units", (("state", "ready"),)): 1,
        ("nearfar_units_total", (("outcome", "done"), ("step", "survey"))): 2,
        ("nearfar_units_total", (("outcome", "failed"), ("step", "survey"))): 1,
        ("nearfar_jobs_ended_total", (("state", "done"),)): 1,
        ("nearfar_job_failures_total", (("cause", "input"),)): 1,
        ("nearfar_frames_total", ()): 3,
        ("nearfar_read_bytes_total", ()): 700,
        ("nearfar_pixels_total", ()): 0,
        ("nearfar_hints_published_total", ()): 4,
        ("nearfar_counted_total", (("what", "odd_name_"),)): 1,
        ("nearfar_workers", (("host", "bench"),)): 1,
        ("nearfar_worker_memory_free_bytes", (("host", "bench"),)): float(1 << 40),
        ("nearfar_server_state", (("state", "open"),)): 1,
        ("nearfar_server_state", (("state", "paused"),)): 0,
        ("nearfar_store_up", ()): 1,
        ("nearfar_transfers", (("state", "waiting"), ("way", "fetch"))): 0,
        ("nearfar_transfer_bytes_total", (("way", "deliver"),)): 5000,
        ("nearfar_transfer_failures_total", (("way", "fetch"),)): 2,
        ("nearfar_transfer_failures_total", (("way", "deliver"),)): 0,
    }
    assert {key: found.get(key) for key in expected} == expected
    assert found["nearfar_oldest_waiting_seconds", ()] >= 0
    assert found["nearfar_disk_free_bytes", (("folder", "results"),)] > 0
    assert found["nearfar_unit_seconds_total", (("step", "survey"),)] >= 0


def test_figures_are_asked_for_once_in_five_seconds(
    client: Client, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = 100.0
    monkeypatch.setattr(context, "time", SimpleNamespace(monotonic=lambda: now))

    def waiting() -> float:
        return samples(client)["nearfar_jobs", (("state", "waiting"),)]

    assert waiting() == 0
    submit(store)
    now += 4.9
    assert waiting() == 0, "the answer of a moment ago"
    now += 0.2
    assert waiting() == 1


def test_prometheus_finds_nothing_wrong(client: Client, store: Store, places: Places) -> None:
    program = shutil.which("promtool")
    if program is None:
        assert not os.environ.get("NEARFAR_TESTS_MUST_RUN_ALL"), "promtool is missing"
        pytest.skip("promtool is missing; it comes with Prometheus")
    done(store, places)
    submit(store)
    fail(store)
    text = client.get("/metrics").content
    found = subprocess.run(
        [program, "check", "metrics"], input=text, capture_output=True, check=False, timeout=60
    )
    assert (found.returncode, found.stdout, found.stderr) == (0, b"", b"")


def test_a_scrape_leaves_no_trace_in_the_log(
    client: Client, caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    with caplog.at_level("INFO"):
        client.get("/metrics")
        client.get("/health/live")
        client.get("/nothing")
    told = [r.getMessage() for r in caplog.records if getattr(r, "action", "") == "http.request"]
    assert len(told) == 1
    assert "/nothing" in told[0]
