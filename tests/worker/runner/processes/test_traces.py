"""Traces are off by themselves; where somebody receives them, units of one job lie in one trace.

Spans are read from what arrives, by OTLP's own message (opentelemetry-proto).
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest

from nearfar.jobs import UnitKind
from nearfar.runner.processes import traces
from tests.worker.jobs.making import one, surveys
from tests.worker.jobs.making import submit as submit_made
from tests.worker.runner.workbench import Bench

spans_of = pytest.importorskip("opentelemetry.proto.collector.trace.v1.trace_service_pb2")


@pytest.fixture
def received(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Any]]:
    found: list[Any] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            found.append((self.path, self.headers.get("content-encoding"), body))
            self.send_response(200)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            return

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        monkeypatch.setenv(traces.VARIABLE, f"http://127.0.0.1:{server.server_address[1]}")
        monkeypatch.setenv("OTEL_BSP_SCHEDULE_DELAY", "50")
        traces._tracer.cache_clear()
        yield found
        traces._tracer.cache_clear()
        server.shutdown()


def test_nothing_is_traced_unless_somebody_receives_it(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(traces.VARIABLE, raising=False)
    traces._tracer.cache_clear()
    submit_made(bench.store)
    with traces.unit_span(bench.claim()):
        assert traces._tracer(os.getpid()) is None


def test_units_of_a_job_lie_in_one_trace(bench: Bench, received: list[Any]) -> None:
    for stack in ("moss", "fern"):
        submit_made(bench.store, stack=stack, units=(*surveys(2), one(UnitKind.DELIVER)))
    claims = [bench.claim() for _ in range(4)]
    for claim in claims:
        with traces.unit_span(claim):
            pass
    provider = traces._tracer(os.getpid()).span_processor
    assert provider.force_flush(10_000)
    spans = []
    for path, coding, body in received:
        assert (path, coding) == ("/v1/traces", None)
        request = spans_of.ExportTraceServiceRequest.FromString(body)
        for group in request.resource_spans:
            names = {a.key: a.value.string_value for a in group.resource.attributes}
            assert names["service.name"] == "nearfar"
            spans += [span for scope in group.scope_spans for span in scope.spans]
    assert [span.name for span in spans] == ["survey"] * 4
    jobs: dict[int, set[bytes]] = {}
    for span in spans:
        about = {a.key: a.value.int_value for a in span.attributes}
        jobs.setdefault(about["nearfar.job"], set()).add(span.trace_id)
    assert [len(each) for each in jobs.values()] == [1, 1]
    assert len(set.union(*jobs.values())) == 2
    provider.shutdown()
