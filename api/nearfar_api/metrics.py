"""What Prometheus reads, from the store's figures; asked for once in five seconds at most.

Names follow the practice that Prometheus documents: base units, ``_total`` for counters, few values for each label.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import generate_latest
from prometheus_client.registry import Collector

from nearfar import __version__
from nearfar.errors import StoreError
from nearfar.intake.state import read_state
from nearfar.jobs import Figures, ServerState, Worker
from nearfar_api.context import Context

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
COUNTED = {
    "frames": ("frames", "Frames that were surveyed."),
    "pixels": ("pixels", "Pixels of results that were made."),
    "bytes_read": ("read_bytes", "Bytes of frames that were read."),
    "pictures": ("pictures", "Pictures that were delivered."),
    "hints_published": ("hints_published", "Hints that work waits, given to the broker."),
    "hints_ignored": ("hints_ignored", "Hints that could not be read and were passed over."),
}
"""What units and processes count, by its name in the store."""
WAYS = ("fetch", "deliver")
"""From object storage, and to it."""


def text(ctx: Context) -> bytes:
    """All of it in the text format 0.0.4."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Collector(ctx))
    return generate_latest(registry)


class _Collector(Collector):
    def __init__(self, ctx: Context) -> None:
        self.ctx = ctx

    def collect(self) -> Iterator[Metric]:
        build = GaugeMetricFamily(
            "nearfar_build_info", "Which version this is; always 1.", labels=["version"]
        )
        build.add_metric([__version__], 1)
        yield build
        try:
            figures = self.ctx.figures()
        except StoreError:
            figures = None
        yield GaugeMetricFamily(
            "nearfar_store_up", "Whether the job store answers.", value=float(figures is not None)
        )
        yield from _disks(self.ctx)
        yield from _inbox(self.ctx)
        if figures is not None:
            for part in (_now, _ended, _counted, _transfers, _workers):
                yield from part(figures)


def _now(figures: Figures) -> Iterator[Metric]:
    jobs = GaugeMetricFamily("nearfar_jobs", "Jobs in each state.", labels=["state"])
    for state, number in figures.jobs.items():
        jobs.add_metric([state], number)
    yield jobs
    units = GaugeMetricFamily(
        "nearfar_units", "Units that could be taken, and that workers have.", labels=["state"]
    )
    units.add_metric(["ready"], figures.units_ready)
    units.add_metric(["held"], figures.units_held)
    yield units
    yield GaugeMetricFamily(
        "nearfar_oldest_waiting_seconds",
        "How long the oldest waiting job has waited; 0 if none waits.",
        value=figures.oldest_waiting or 0.0,
    )
    server = GaugeMetricFamily(
        "nearfar_server_state", "1 for the state that the server is in.", labels=["state"]
    )
    for asked in ServerState:
        server.add_metric([asked], float(asked is figures.server))
    yield server


def _ended(figures: Figures) -> Iterator[Metric]:
    seconds = CounterMetricFamily("nearfar_unit_seconds", "Seconds of work that was done.", labels=["step"])
    for step, value in sorted(figures.unit_seconds.items()):
        seconds.add_metric([step], value)
    yield seconds
    units = CounterMetricFamily("nearfar_units", "Attempts at units that ended.", labels=["step", "outcome"])
    for (step, outcome), value in sorted(figures.units_ended.items()):
        units.add_metric([step, outcome], value)
    yield units
    jobs = CounterMetricFamily("nearfar_jobs_ended", "Jobs that ended.", labels=["state"])
    for state, value in sorted(figures.jobs_ended.items()):
        jobs.add_metric([state], value)
    yield jobs
    failures = CounterMetricFamily("nearfar_job_failures", "Jobs that failed, by cause.", labels=["cause"])
    for cause, value in sorted(figures.failures.items()):
        failures.add_metric([cause], value)
    yield failures


def _counted(figures: Figures) -> Iterator[Metric]:
    for name, (shown, help_) in COUNTED.items():
        yield CounterMetricFamily(f"nearfar_{shown}", help_, value=figures.counted.get(name, 0.0))
    others = CounterMetricFamily("nearfar_counted", "What else was counted.", labels=["what"])
    for name, value in sorted(figures.counted.items()):
        if name not in COUNTED and not name.startswith("transfer_"):
            others.add_metric([re.sub(r"\W", "_", name)], value)
    yield others


def _transfers(figures: Figures) -> Iterator[Metric]:
    there = GaugeMetricFamily(
        "nearfar_transfers",
        "Stacks to be fetched from object storage, and results to be put there.",
        labels=["way", "state"],
    )
    carried = CounterMetricFamily(
        "nearfar_transfer_bytes", "Bytes that were fetched and put.", labels=["way"]
    )
    failures = CounterMetricFamily(
        "nearfar_transfer_failures", "Tries at a transfer that did not succeed.", labels=["way"]
    )
    for way in WAYS:
        for state in ("waiting", "failed"):
            there.add_metric([way, state], figures.transfers.get((way, state), 0))
        carried.add_metric([way], figures.counted.get(f"transfer_bytes_{way}", 0.0))
        failures.add_metric([way], figures.counted.get(f"transfer_failures_{way}", 0.0))
    yield from (there, carried, failures)


def _workers(figures: Figures) -> Iterator[Metric]:
    hosts: dict[str, list[Worker]] = {}
    for worker in figures.workers:
        hosts.setdefault(worker.host, []).append(worker)
    families = (
        ("nearfar_workers", "Workers that are alive."),
        ("nearfar_worker_slots", "Units that they take at a time."),
        ("nearfar_worker_memory_free_bytes", "Memory that they may still take."),
        (
            "nearfar_worker_disk_free_bytes",
            "Disk that they may still take, of the worker that has the least.",
        ),
    )
    for name, help_ in families:
        family = GaugeMetricFamily(name, help_, labels=["host"])
        for host, found in sorted(hosts.items()):
            value = {
                "nearfar_workers": len(found),
                "nearfar_worker_slots": sum(worker.slots for worker in found),
                "nearfar_worker_memory_free_bytes": sum(worker.memory for worker in found),
                "nearfar_worker_disk_free_bytes": min(worker.disk for worker in found),
            }[name]
            family.add_metric([host], value)
        yield family


def _disks(ctx: Context) -> Iterator[Metric]:
    free = GaugeMetricFamily(
        "nearfar_disk_free_bytes", "Free bytes on the disk of a folder.", labels=["folder"]
    )
    size = GaugeMetricFamily("nearfar_disk_size_bytes", "Bytes of the disk of a folder.", labels=["folder"])
    for name in ("data", "results", "work", "uploads", "scratch"):
        try:
            usage = shutil.disk_usage(getattr(ctx.places, name))
        except OSError:
            continue
        free.add_metric([name], usage.free)
        size.add_metric([name], usage.total)
    yield free
    yield size


def _inbox(ctx: Context) -> Iterator[Metric]:
    state = read_state(ctx.places)
    stacks = GaugeMetricFamily("nearfar_inbox_stacks", "Stacks in watched folders.", labels=["state"])
    counts: dict[str, int] = {}
    for entry in state.entries:
        counts[entry.state] = counts.get(entry.state, 0) + 1
    for name, number in sorted(counts.items()):
        stacks.add_metric([name], number)
    yield stacks
    yield GaugeMetricFamily(
        "nearfar_inbox_problems",
        "Watched folders with something wrong.",
        value=float(sum(folder.problem is not None for folder in state.folders)),
    )
    yield GaugeMetricFamily(
        "nearfar_inbox_written_timestamp_seconds",
        "When the watch last reported what the folders hold; 0: never.",
        value=state.written,
    )
