"""The table of what is carried from and to object storage: frames of a job that are to be fetched, results to be put."""

from __future__ import annotations

import sqlalchemy as sa

from nearfar.jobs.model import Json, Number, maybe_real, maybe_text, metadata, real, serial, text, whole

transfers = sa.Table(
    "transfers",
    metadata,
    serial(),
    sa.Column("job", Number, sa.ForeignKey("jobs.id", ondelete="CASCADE"), nullable=False),
    text("kind"),  # fetch, deliver
    text("place"),  # s3://bucket/prefix/
    text("state"),  # waiting, done, failed, dropped
    sa.Column("detail", Json, nullable=False),  # of fetch: what was listed; of deliver: what is begun
    whole("tries", "0"),
    real("due"),
    maybe_text("reason"),  # of the last try
    real("created"),
    maybe_real("finished"),
    sa.UniqueConstraint("job", "kind"),
    sqlite_autoincrement=True,
)
WAITING = sa.text("state = 'waiting'")
sa.Index("ix_transfers_waiting", transfers.c.due, sqlite_where=WAITING, postgresql_where=WAITING)
