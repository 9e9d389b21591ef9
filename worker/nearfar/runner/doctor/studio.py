"""Checks of what several machines share: the data folder, workers and their versions, work that none of them can take."""

from __future__ import annotations

from collections.abc import Iterator

from nearfar import __version__
from nearfar.errors import StoreUnreachable
from nearfar.jobs import Rules, Store, schema
from nearfar.jobs.engine import Database, engine_for, own_errors, parse_url
from nearfar.runner.doctor.examine import Finding, Subject, advice, fine, problem
from nearfar.runner.presence import Presence
from nearfar.settings import format_size


def studio(subject: Subject) -> Iterator[Finding]:
    """Whether this machine sees the store's own folder, and who works for it. Only if the store is a server's."""
    url = parse_url(subject.places.store_url)
    if url.get_backend_name() == "sqlite":
        return
    engine = engine_for(url)
    try:
        with own_errors(engine), engine.connect() as conn:
            if schema.current(conn) != schema.newest():
                return  # reported as the store's; nothing is changed here
    except StoreUnreachable:
        return
    store = Store(Database(engine, rules=Rules(), clock=None))
    yield _folder(subject, store)
    yield from _workers(store)
    yield from _stuck(store)
    if subject.settings.broker.url is None:
        yield advice(
            "studio",
            f"hints are files in {subject.places.hints}, which every machine looks into four times a second",
            "Set broker.url to a Redis server.",
        )


def _folder(subject: Subject, store: Store) -> Finding:
    away = Presence(subject.places).why_away(store)
    if away is not None:
        return problem("studio", away, "Mount the share at this very path on this machine.")
    return fine("studio", f"{subject.places.data} is the folder that the job store belongs to")


def _workers(store: Store) -> Iterator[Finding]:
    found = store.workers(alive=True)
    hosts = sorted({worker.host for worker in found})
    others = sorted({worker.version for worker in found} - {__version__})
    if not found:
        yield advice("studio", "no worker is there", "Start one: nearfar worker --server-settings FILE.")
    elif others:
        yield advice(
            "studio",
            f"{len(found)} workers on {', '.join(hosts)}; some are of version {', '.join(others)}, this is {__version__}",
            "They share the work as far as they understand it; upgrade them when they can be spared.",
        )
    else:
        yield fine("studio", f"{len(found)} workers on {', '.join(hosts)}, all of version {__version__}")


def _stuck(store: Store) -> Iterator[Finding]:
    large = store.too_large()
    if large:
        jobs = ", ".join(str(job) for job in sorted({unit.job for unit in large}))
        most = max(unit.memory for unit in large)
        yield problem(
            "studio",
            f"no worker can take work of job {jobs}: it needs {format_size(max(1, most))} of memory, or a newer version",
            "Give one machine more (worker.memory, fewer slots), or upgrade its workers.",
        )
