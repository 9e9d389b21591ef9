"""The tables of the job store: the only truth about jobs.

Times are seconds since 1970 (UTC) by the store's clock, sizes are bytes, weights are expected seconds of one worker.
States are kept as the words of `states`. A change here needs a migration; a test compares the two.
"""

from __future__ import annotations

import os

import sqlalchemy as sa
from sqlalchemy.engine import Dialect

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

Number = sa.BigInteger().with_variant(sa.Integer, "sqlite")
"""SQLite counts rows by INTEGER alone."""
Json = sa.JSON(none_as_null=True)


class Words(sa.types.TypeDecorator[str]):
    """Text from people and files, made fit for a database: what is no character is written as its escape."""

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        """Replace NUL and lone surrogates, which a message gets from a file name that is not UTF-8."""
        if value is None:
            return None
        return value.replace("\0", "\\x00").encode("utf-8", "backslashreplace").decode("utf-8")


class FilePath(sa.types.TypeDecorator[str]):
    """Absolute path of a file, kept byte by byte: one that is not UTF-8 is stored as ``hex:`` and its bytes."""

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        """The path as text that any database takes."""
        if value is None:
            return None
        raw = os.fsencode(value)
        try:
            return raw.decode("utf-8")
        except UnicodeDecodeError:
            return f"hex:{raw.hex()}"

    def process_result_value(self, value: str | None, dialect: Dialect) -> str | None:
        """The path as the operating system's functions want it."""
        if value is None or not value.startswith("hex:"):
            return value
        return os.fsdecode(bytes.fromhex(value[4:]))


def text(name: str) -> sa.Column[str]:
    """Text that is always there."""
    return sa.Column(name, Words, nullable=False)


def maybe_text(name: str) -> sa.Column[str | None]:
    """Text that may be missing."""
    return sa.Column(name, Words, nullable=True)


def real(name: str, default: str | None = None) -> sa.Column[float]:
    """A number that is always there."""
    return sa.Column(name, sa.Double, nullable=False, server_default=default)


def maybe_real(name: str) -> sa.Column[float | None]:
    """A number, often a time, that may be missing."""
    return sa.Column(name, sa.Double, nullable=True)


def whole(name: str, default: str | None = None) -> sa.Column[int]:
    """A whole number that is always there."""
    return sa.Column(name, Number, nullable=False, server_default=default)


def serial() -> sa.Column[int]:
    """Number of a row, never given twice: with SQLite that takes AUTOINCREMENT, see each table's arguments."""
    return sa.Column("id", Number, sa.Identity(), primary_key=True)


owners = sa.Table(
    "owners",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    real("share", "1"),  # this owner's part of the server, against 1 for everybody else
    real("passed", "0"),  # seconds of work given to this owner, by its share: the smallest is next
    real("created"),
)

jobs = sa.Table(
    "jobs",
    metadata,
    serial(),
    text("stack"),
    sa.Column("owner", sa.Text, sa.ForeignKey("owners.name"), nullable=False),
    sa.Column("sources", Json, nullable=False),
    text("recipe"),
    sa.Column("settings", Json, nullable=False),
    whole("priority", "0"),
    text("state"),
    maybe_text("cause"),  # one word, for counting
    maybe_text("reason"),  # a sentence, for people
    real("progress", "0"),  # 0..1
    sa.Column("weights", Json, nullable=False),  # expected seconds of each stage, by its name
    real("work", "0"),  # their sum
    real("due", "0"),  # place in its owner's order, see `order`
    whole("run", "1"),  # counts how often it was run again
    real("created"),
    real("updated"),
    maybe_real("started"),
    maybe_real("finished"),
    maybe_text("result"),
    maybe_text("digest"),  # of the set of frames
    maybe_text("idempotency_key"),
    maybe_text("fingerprint"),  # of the submission that came with the key
    sa.Column("again_of", Number, sa.ForeignKey("jobs.id", ondelete="SET NULL"), nullable=True),
    sa.UniqueConstraint("owner", "idempotency_key"),
    sqlite_autoincrement=True,
)
for column in (jobs.c.created, jobs.c.updated, jobs.c.finished, jobs.c.stack, jobs.c.priority):
    sa.Index(None, column, jobs.c.id)
    sa.Index(None, jobs.c.state, column, jobs.c.id)
sa.Index(None, jobs.c.owner, jobs.c.created, jobs.c.id)
sa.Index(None, jobs.c.owner, jobs.c.digest)
sa.Index(None, jobs.c.again_of)

frames = sa.Table(
    "frames",
    metadata,
    sa.Column("job", Number, sa.ForeignKey("jobs.id", ondelete="CASCADE"), primary_key=True),
    sa.Column("position", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("path", FilePath, nullable=False),
    sa.Column("size", Number, nullable=True),
    maybe_text("digest"),
    text("state"),
    maybe_text("reason"),
)

units = sa.Table(
    "units",
    metadata,
    serial(),
    sa.Column("job", Number, sa.ForeignKey("jobs.id", ondelete="CASCADE"), nullable=False),
    whole("run", "1"),
    text("kind"),
    whole("stage"),
    whole("start"),  # the range of frames or tiles, half open
    whole("stop"),
    sa.Column(
        "planned", sa.Boolean, nullable=False, server_default=sa.true()
    ),  # at submission, not on the way
    real("weight"),
    text("state"),
    whole("memory", "0"),
    whole("disk", "0"),
    real("limit"),  # seconds that one attempt may take
    whole("attempts", "0"),
    whole("token", "0"),
    maybe_text("worker"),  # who has it, or had it last
    maybe_real("started"),
    maybe_real("lease_until"),
    maybe_real("deadline"),
    real("progress", "0"),
    real("not_before", "0"),
    maybe_text("cause"),
    maybe_text("reason"),
    sa.Column("detail", Json, nullable=True),  # what the plan says beyond the range
    whole("form", "1"),  # which workers understand it, see `records.FORM`
    sa.Column("result", Json, nullable=True),
    text("owner"),  # of the job, like the two that follow, so that an index alone finds the next unit
    real("due"),
    whole("priority"),
    sa.UniqueConstraint("job", "run", "kind", "start"),
    sqlite_autoincrement=True,
)
READY = sa.text("state = 'ready'")
HELD = sa.text("state = 'held'")
sa.Index(
    "ix_units_ready",
    *(units.c[name] for name in ("owner", "due", "id", "not_before", "memory", "disk", "form")),
    sqlite_where=READY,
    postgresql_where=READY,
)
sa.Index("ix_units_lease", units.c.lease_until, sqlite_where=HELD, postgresql_where=HELD)
sa.Index("ix_units_worker", units.c.worker, sqlite_where=HELD, postgresql_where=HELD)
sa.Index(None, units.c.job, units.c.run, units.c.stage, units.c.state)

attempts = sa.Table(
    "attempts",
    metadata,
    serial(),
    sa.Column("unit", Number, sa.ForeignKey("units.id", ondelete="CASCADE"), nullable=False),
    sa.Column("job", Number, sa.ForeignKey("jobs.id", ondelete="CASCADE"), nullable=False),
    whole("token"),
    text("step"),
    real("at"),
    maybe_text("worker"),
    maybe_real("seconds"),
    maybe_text("cause"),
    maybe_text("reason"),
    sqlite_autoincrement=True,
)
DONE = sa.text("step = 'done'")
sa.Index("uq_attempts_done", attempts.c.unit, unique=True, sqlite_where=DONE, postgresql_where=DONE)
sa.Index(None, attempts.c.job, attempts.c.id)
sa.Index(None, attempts.c.unit, attempts.c.token)

events = sa.Table(
    "events",
    metadata,
    serial(),
    real("at"),
    text("who"),
    text("action"),
    sa.Column("job", Number, nullable=True),  # no foreign key: the trail outlives the job
    sa.Column("unit", Number, nullable=True),
    sa.Column("detail", Json, nullable=False),
    sqlite_autoincrement=True,
)
sa.Index(None, events.c.job, events.c.id)
sa.Index(None, events.c.at)

workers = sa.Table(
    "workers",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    text("host"),
    whole("pid"),
    text("version"),
    whole("slots"),
    whole("memory"),
    whole("disk"),
    text("state"),
    real("started"),
    real("beat"),
    whole("form", "1"),  # the newest form of units that it understands
)
sa.Index(None, workers.c.state, workers.c.beat)

server = sa.Table(
    "server",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    text("value"),
    real("changed"),
    text("who"),
)

totals = sa.Table(
    "totals",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("label", sa.Text, primary_key=True),
    real("value"),
)

mends = sa.Table(
    "mends",
    metadata,
    sa.Column("job", Number, sa.ForeignKey("jobs.id", ondelete="CASCADE"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),  # within its job, from 1
    sa.Column("annotation", Json, nullable=False),  # W3C Web Annotation: where, and what to use there
    text("who"),
    real("made"),
    maybe_real("undone"),  # None: it is in force
    maybe_text("undone_by"),
)

mending = sa.Table(
    "mending",
    metadata,
    sa.Column(
        "job", Number, sa.ForeignKey("jobs.id", ondelete="CASCADE"), primary_key=True, autoincrement=False
    ),
    text("state"),
    whole("wanted"),  # counts the changes to the job's mends
    whole("shown", "0"),  # how many of them the delivered picture shows
    whole("token", "0"),
    whole("attempts", "0"),
    real("not_before", "0"),
    maybe_text("worker"),
    maybe_real("lease_until"),
    maybe_text("cause"),
    maybe_text("reason"),
    real("changed"),
)
OPEN_MENDING = sa.text("state IN ('waiting', 'held')")
sa.Index("ix_mending_open", mending.c.changed, sqlite_where=OPEN_MENDING, postgresql_where=OPEN_MENDING)
