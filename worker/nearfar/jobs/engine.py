"""Connections to the database: one engine per process, transactions, and database errors as errors of our own.

SQLite is set up so that a commit is on the disk when it returns, writers queue up instead of failing, and a process
that was forked never touches its parent's connections. PostgreSQL is given limits, so that a client that froze in a
transaction cannot hold up the others.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy.pool import Pool

from nearfar.errors import StoreError, StoreUnreachable

BUSY = 30.0
"""Seconds that a writer waits for its turn at an SQLite file."""
TRIES = 6
"""How often a transaction is tried that PostgreSQL aborted because of a deadlock or a conflict."""
UNTIE = 0.02
"""Seconds before it is tried again, times the tries so far."""
KNOTS = {"40001", "40P01"}
"""PostgreSQL's codes for a transaction that is to be tried again: serialization failure, deadlock detected."""
LOCK_LIMIT = 10
"""Seconds that a statement waits for a lock at PostgreSQL."""
IDLE_LIMIT = 20
"""Seconds after which PostgreSQL ends a transaction whose client says nothing."""

SHORT_CONNECT = 3
"""Seconds to connect, in processes that answer requests."""

CONNECTING = {
    "connect_timeout": 5,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 20_000,
}
"""Options of libpq: a database that is cut off counts as away after 25 s at most."""

Result = TypeVar("Result")


@dataclass(frozen=True, kw_only=True)
class Rules:
    """How patient the store is. Times in seconds."""

    lease: float = 60.0
    """How long a worker may be silent about a unit before another one may take it."""
    attempts: int = 3
    """How often a unit is tried before its job is given up."""
    retry_after: float = 5.0
    """Rest after a first failure; doubled after each further one."""
    elsewhere: float = 10.0
    """Further rest during which only a worker other than the last one gets a unit that failed."""
    longest_rest: float = 3600.0
    """How long a unit that was handed back or failed rests at most."""
    worker_silence: float = 60.0
    """How long a worker may be silent before it counts as lost."""
    host_silence: float = 120.0
    """How long the host of an SQLite store has to be silent before another may take the store over."""
    answer: float | None = None
    """How long PostgreSQL may say nothing before it counts as away; None: as long as its machine is there."""


@dataclass(frozen=True, kw_only=True)
class Tx:
    """One transaction."""

    conn: sa.Connection
    now: float
    """Seconds since 1970 by the store's clock, read once the transaction had its turn."""
    rules: Rules

    @property
    def postgresql(self) -> bool:
        """Whether the database is PostgreSQL, where many may write at the same time."""
        return self.conn.dialect.name == "postgresql"


_engines: dict[str, sa.Engine] = {}
_inherited: list[Pool] = []
_lock = threading.Lock()


def engine_for(url: sa.URL, answer: float | None = None) -> sa.Engine:
    """This process's engine for a database; every call with the same address and patience gives the same one.

    ``answer``: seconds after which a database that says nothing is given up, for those who have to answer in turn.
    """
    key = f"{url.render_as_string(hide_password=False)} {answer}"
    with _lock:
        if key not in _engines:
            postgresql = url.get_backend_name() == "postgresql"
            _engines[key] = _postgresql(url, answer) if postgresql else _sqlite(url)
        return _engines[key]


def dispose(engine: sa.Engine) -> None:
    """Close all connections of an engine and forget it."""
    with _lock:
        for key in [key for key, known in _engines.items() if known is engine]:
            del _engines[key]
    engine.dispose()


def _forget_parent() -> None:
    """In a forked child: leave the parent's connections alone. Not even closing them would be safe."""
    global _lock  # the parent's may be held by a thread that is not here
    _lock = threading.Lock()
    for engine in _engines.values():
        _inherited.append(engine.pool)
        engine.dispose(close=False)


os.register_at_fork(after_in_child=_forget_parent)


def _sqlite(url: sa.URL) -> sa.Engine:
    _keep_private(url.database)
    engine = sa.create_engine(url, connect_args={"timeout": BUSY}, pool_size=8, max_overflow=24)

    @sa.event.listens_for(engine, "connect")
    def _connect(connection: Any, record: object) -> None:
        connection.isolation_level = None  # the driver would begin transactions when it sees fit
        cursor = connection.cursor()
        # First of all: the switch to WAL may itself have to wait.
        cursor.execute(f"PRAGMA busy_timeout = {round(BUSY * 1000)}")
        cursor.execute("PRAGMA journal_mode = WAL")
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.close()

    @sa.event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        reads = connection.get_execution_options().get("reads", False)
        connection.exec_driver_sql("BEGIN DEFERRED" if reads else "BEGIN IMMEDIATE")

    return engine


def _keep_private(file: str | None) -> None:
    """Make a new store's file readable by its owner alone, since it holds secrets; SQLite gives what it puts beside it
    the same mode. One that is there keeps the mode that it has. What cannot be made is told at the first connection.
    """
    if file:
        with suppress(OSError):
            os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))


def _postgresql(url: sa.URL, answer: float | None) -> sa.Engine:
    short = {} if answer is None else {"connect_timeout": SHORT_CONNECT}
    engine = sa.create_engine(
        url,
        connect_args=CONNECTING | short,
        pool_pre_ping=True,
        pool_size=4,
        max_overflow=28,
        pool_timeout=BUSY,
    )

    @sa.event.listens_for(engine, "connect")
    def _connect(connection: Any, record: object) -> None:
        with connection.cursor() as cursor:
            cursor.execute(f"SET idle_in_transaction_session_timeout = '{IDLE_LIMIT}s'")
            cursor.execute(f"SET lock_timeout = '{LOCK_LIMIT}s'")
        connection.commit()

    if answer is not None:
        from nearfar.jobs.patient import patient  # the driver is there only with nearfar[postgres]

        kind = patient(answer)

        @sa.event.listens_for(engine, "do_connect")
        def _open(dialect: object, record: object, given: Any, named: Any) -> Any:
            return kind.connect(*given, **named)

    return engine


def parse_url(url: str | sa.URL) -> sa.URL:
    """The address of a store, checked.

    Raises
    ------
    StoreError
        If it names no SQLite file and no PostgreSQL database, or the driver is not installed.
    """
    try:
        parsed = sa.make_url(url)
    except sa.exc.ArgumentError as error:
        raise StoreError(
            f"{str(url)!r} is not the address of a job store; write sqlite:////absolute/path/to/store.sqlite "
            "or postgresql://user@host/database"
        ) from error
    shown = parsed.render_as_string(hide_password=True)
    backend = parsed.get_backend_name()
    if backend == "postgresql":
        return _with_driver(parsed, shown)
    if backend != "sqlite":
        raise StoreError(f"job store {shown}: {backend} is not supported; use sqlite or postgresql")
    if not parsed.database or parsed.database == ":memory:" or parsed.database.startswith("file:"):
        raise StoreError(
            f"job store {shown}: jobs have to survive; name a file, sqlite:////path/store.sqlite"
        )
    return parsed.set(drivername="sqlite+pysqlite")


def _with_driver(url: sa.URL, shown: str) -> sa.URL:
    try:
        import psycopg  # noqa: F401
    except ImportError as error:
        raise StoreError(
            f"job store {shown}: the driver for PostgreSQL is missing; install nearfar[postgres]"
        ) from error
    return url.set(drivername="postgresql+psycopg")


@contextmanager
def own_errors(engine: sa.Engine) -> Iterator[None]:
    """Turn the database driver's exceptions into our own errors, with the cause chained."""
    try:
        yield
    except sa.exc.DBAPIError as error:
        shown = engine.url.render_as_string(hide_password=True).partition("?")[0]
        said = str(error.orig).strip().partition("\n")[0]
        if isinstance(error, sa.exc.OperationalError | sa.exc.InterfaceError) or error.connection_invalidated:
            raise StoreUnreachable(
                f"job store {shown} does not answer: {said}. Check that it runs, that its disk has space and that "
                "this user may write there; then ask again"
            ) from error
        raise StoreError(f"job store {shown} refused a change: {said}") from error
    except sa.exc.TimeoutError as error:
        raise StoreUnreachable(f"job store: no connection came free in {BUSY:.0f} s; ask again") from error


class Database:
    """Runs functions inside transactions.

    Parameters
    ----------
    engine
        This process's engine.
    rules
        How patient the store is.
    clock
        Seconds since 1970. None: PostgreSQL's own clock, which all hosts share; for SQLite this machine's.
    """

    def __init__(self, engine: sa.Engine, *, rules: Rules, clock: Callable[[], float] | None) -> None:
        self.engine = engine
        self.rules = rules
        self._clock = clock

    def write(self, work: Callable[[Tx], Result]) -> Result:
        """Run ``work`` in a transaction that may write; it is run again after a deadlock or a conflict.

        Raises
        ------
        StoreUnreachable
            The database does not answer. If that happens during the commit, it is not known whether the change was kept.
        """
        tries = 1
        while True:
            try:
                with own_errors(self.engine), self.engine.begin() as conn:
                    return work(self._tx(conn))
            except StoreUnreachable as error:
                if tries == TRIES or _code(error) not in KNOTS:
                    raise
                time.sleep(UNTIE * tries)  # let the other one go first
                tries += 1

    def read(self, work: Callable[[Tx], Result]) -> Result:
        """Run ``work``, which only reads, on one state of the store."""
        with own_errors(self.engine), self.engine.connect() as conn:
            conn.execution_options(reads=True)
            if conn.dialect.name == "postgresql":
                conn.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
            with conn.begin():
                return work(self._tx(conn))

    def _tx(self, conn: sa.Connection) -> Tx:
        return Tx(conn=conn, now=self._now(conn), rules=self.rules)

    def _now(self, conn: sa.Connection) -> float:
        if self._clock is not None:
            return self._clock()
        if conn.dialect.name == "postgresql":
            return float(conn.scalar(SERVER_CLOCK) or 0.0)
        return time.time()


SERVER_CLOCK = sa.text("SELECT extract(epoch FROM clock_timestamp())::float8")


def _code(error: BaseException) -> str | None:
    """PostgreSQL's code of the error that is behind ``error``."""
    cause = error.__cause__
    return getattr(getattr(cause, "orig", None), "sqlstate", None)
