"""The tables of messages to people and programs: who wants to be told of what, and what is to be, or was, sent."""

from __future__ import annotations

import sqlalchemy as sa

from nearfar.jobs.model import Json, Number, maybe_real, maybe_text, metadata, real, serial, text, whole

targets = sa.Table(
    "notify_targets",
    metadata,
    serial(),
    text("owner"),  # whose jobs it is about; '*': everybody's
    text("channel"),  # webhook, mail
    text("address"),
    sa.Column("events", Json, nullable=False),
    maybe_text("secret"),  # what webhooks are signed with
    maybe_text("subject"),  # templates of this target's own
    maybe_text("body"),
    real("created"),
    text("made_by"),
    maybe_text("stopped"),  # why nothing is sent there any longer
    sqlite_autoincrement=True,
)
sa.Index(None, targets.c.owner)

messages = sa.Table(
    "notify_messages",
    metadata,
    serial(),
    sa.Column("target", Number, sa.ForeignKey("notify_targets.id", ondelete="CASCADE"), nullable=False),
    sa.Column("event", Number, nullable=False),  # of the trail, which may be cut off behind it
    text("name"),  # what the receiver knows it by, the same at every try
    text("about"),
    sa.Column("job", Number, nullable=True),
    sa.Column("content", Json, nullable=False),
    text("state"),  # waiting, sent, given up
    whole("tries", "0"),
    real("due"),
    real("created"),
    maybe_real("finished"),
    maybe_text("answer"),  # to the last try
    sa.UniqueConstraint("target", "event"),
    sqlite_autoincrement=True,
)
WAITING = sa.text("state = 'waiting'")
sa.Index("ix_notify_messages_waiting", messages.c.due, sqlite_where=WAITING, postgresql_where=WAITING)
