"""Traces of OpenTelemetry, if they are wanted: a span for each unit, and one trace for each run of a job.

They are off unless ``OTEL_EXPORTER_OTLP_ENDPOINT`` is set and the packages are there (``nearfar[traces]``); other variables
are those of the OpenTelemetry specification. Units of a job share a trace although they are done in many processes: its
number is made of the job's. Who receives the spans is not waited for, but a moment when a worker leaves.
"""

from __future__ import annotations

import hashlib
import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

from nearfar import __version__
from nearfar.jobs import Claim
from nearfar.runner.processes import here

log = logging.getLogger(__name__)

VARIABLE = "OTEL_EXPORTER_OTLP_ENDPOINT"


@cache
def _tracer(pid: int) -> Any:
    """What makes spans in this process (of that number); None if traces are off."""
    if not os.environ.get(VARIABLE):
        return None
    try:
        from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
        from opentelemetry.sdk.resources import Resource
        from opentelemetry.sdk.trace import TracerProvider
        from opentelemetry.sdk.trace.export import BatchSpanProcessor
    except ImportError as error:
        log.warning(
            "%s is set, but %s is missing; install nearfar[traces]",
            VARIABLE,
            error.name,
            extra={"action": "traces.missing"},
        )
        return None
    about = {"service.name": "nearfar", "service.version": __version__, "host.name": here.host()}
    provider = TracerProvider(resource=Resource.create(about))
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter(timeout=5)))
    return provider.get_tracer("nearfar", __version__)


def trace_of(claim: Claim) -> tuple[int, int]:
    """Numbers of the trace of a job's run, and of the span that all its units lie in."""
    digest = hashlib.sha256(f"nearfar job {claim.job} run {claim.run}".encode()).digest()
    return int.from_bytes(digest[:16], "big") or 1, int.from_bytes(digest[16:24], "big") or 1


def flush() -> None:
    """Send what is left, within a second; before a process ends."""
    tracer = _tracer(os.getpid())
    if tracer is not None:
        tracer.span_processor.force_flush(1000)


@contextmanager
def unit_span(claim: Claim) -> Iterator[None]:
    """While the block runs, a unit is at work."""
    tracer = _tracer(os.getpid())
    if tracer is None:
        yield
        return
    from opentelemetry import trace

    number, parent = trace_of(claim)
    flags = trace.TraceFlags(trace.TraceFlags.SAMPLED)
    context = trace.SpanContext(trace_id=number, span_id=parent, is_remote=True, trace_flags=flags)
    around = trace.set_span_in_context(trace.NonRecordingSpan(context))
    told = {f"nearfar.{name}": value for name, value in claim.log_context().items()}
    told |= {"nearfar.worker": claim.worker, "nearfar.attempt": claim.attempt}
    with tracer.start_as_current_span(str(claim.kind), context=around, attributes=told):
        yield
