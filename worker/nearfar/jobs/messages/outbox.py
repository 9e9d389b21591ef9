"""Targets of messages, and the messages to them: kept in the store, so that a restart loses none.

`Outbox.gather` makes messages of the audit trail, each once, however often and by however many processes it is called.
`Outbox.take` gives one out for `LEASE` seconds; if nobody reports within them how sending went, it is given out again.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from nearfar.errors import NotFound, UsageError
from nearfar.jobs import events
from nearfar.jobs.engine import Tx
from nearfar.jobs.messages.tables import messages, targets
from nearfar.jobs.model import events as trail
from nearfar.jobs.model import jobs, server
from nearfar.jobs.records import Row, fields_of
from nearfar.jobs.store import Store

EVENTS: Mapping[str, str] = {
    "job.done": "done",
    "job.failed": "failed",
    "job.held": "held",
    "disk.low": "disk",
}
"""Actions of the trail that people can be told of, and the word by which they ask for it."""
CHANNELS = ("webhook", "mail")
USUAL = ("done", "failed", "held")
"""Words of `EVENTS` that a target is told of if it does not ask for others."""
EVERYBODY = "*"
"""The owner of a target that is told of everybody's jobs."""
READ_TO = "notify.after"
"""The row of the table ``server`` with the last number of the trail that messages were made of."""
LOOK_BACK = 1000
"""Numbers of the trail that are read again: at PostgreSQL a line may become visible after one with a higher number."""
LEASE = 120.0
"""Seconds that sending once may take."""


@dataclass(frozen=True, kw_only=True)
class Target:
    """A person or a program that gets messages."""

    id: int
    owner: str
    """Whose jobs it is told of, or `EVERYBODY`."""
    channel: str
    """One of `CHANNELS`."""
    address: str
    """A URL or a mailbox."""
    events: tuple[str, ...]
    """Words of `EVENTS`."""
    secret: str | None
    """With which messages to a webhook are signed."""
    subject: str | None
    """Template of an e-mail's subject, if it is not the usual one."""
    body: str | None
    """Template of an e-mail's text, likewise."""
    created: float
    made_by: str
    stopped: str | None
    """Why nothing is sent there any longer."""

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `tables.targets`."""
        return cls(**fields_of(cls, row, events=tuple(row.events)))


@dataclass(frozen=True, kw_only=True)
class Message:
    """A message that is to be sent, or was."""

    id: int
    target: int
    name: str
    """The same each time it is sent, so that a receiver can tell a repetition."""
    about: str
    """A word of `EVENTS`."""
    job: int | None
    content: Mapping[str, Any]
    """``type`` (the trail's action), ``at`` and ``data``."""
    state: str
    """waiting, sent or given up."""
    tries: int
    due: float
    created: float
    finished: float | None
    answer: str | None
    """What the receiver answered last."""

    @classmethod
    def from_row(cls, row: Row) -> Self:
        """Build from a row of `tables.messages`."""
        return cls(**fields_of(cls, row))


class Outbox:
    """Targets and messages of an open store. Every method is one transaction and may raise `StoreUnreachable`."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._db = store.database

    def add(
        self,
        *,
        owner: str,
        channel: str,
        address: str,
        about: Sequence[str],
        secret: str | None = None,
        subject: str | None = None,
        body: str | None = None,
        who: str,
    ) -> Target:
        """Record a target; it gets messages from now on. Raises `UsageError`."""
        unknown = [word for word in about if word not in EVENTS.values()]
        if unknown or not about or channel not in CHANNELS:
            raise UsageError(
                f"{channel} about {', '.join(about) or 'nothing'}: expected one of {', '.join(CHANNELS)}, about some of "
                f"{', '.join(EVENTS.values())}"
            )
        row = {
            "owner": owner,
            "channel": channel,
            "address": address,
            "events": list(about),
            "secret": secret,
        }

        def write(tx: Tx) -> Target:
            values = {**row, "subject": subject, "body": body, "created": tx.now, "made_by": who}
            made = tx.conn.execute(targets.insert().values(values).returning(targets)).one()
            detail = {"target": made.id, "channel": channel, "address": address}
            events.record(tx, "notify.added", who=who, detail=detail)
            return Target.from_row(made)

        return self._db.write(write)

    def targets(self, owner: str | None = None) -> tuple[Target, ...]:
        """All targets, or those of one owner, in the order in which they were added."""
        query = sa.select(targets).order_by(targets.c.id)
        if owner is not None:
            query = query.where(targets.c.owner == owner)
        return self._db.read(lambda tx: tuple(map(Target.from_row, tx.conn.execute(query))))

    def target(self, number: int) -> Target:
        """One target. Raises `NotFound`."""
        return self._db.read(lambda tx: Target.from_row(_target(tx, number)))

    def reword(self, number: int, *, subject: str | None, body: str | None, who: str) -> None:
        """Give a target templates of its own; None: the usual ones. Raises `NotFound`."""

        def write(tx: Tx) -> None:
            _target(tx, number)
            tx.conn.execute(
                sa.update(targets).where(targets.c.id == number).values(subject=subject, body=body)
            )
            events.record(tx, "notify.reworded", who=who, detail={"target": number})

        self._db.write(write)

    def remove(self, number: int, *, who: str) -> None:
        """Forget a target, and what was sent there. Raises `NotFound`."""

        def write(tx: Tx) -> None:
            address = _target(tx, number).address
            tx.conn.execute(sa.delete(messages).where(messages.c.target == number))
            tx.conn.execute(sa.delete(targets).where(targets.c.id == number))
            events.record(tx, "notify.removed", who=who, detail={"target": number, "address": address})

        self._db.write(write)

    def gather(self) -> int:
        """Make messages of new lines in the trail; returns how many."""
        return self._db.write(_gather)

    def take(self) -> tuple[Target, Message] | None:
        """Take a message that is due, with its target, for the length of a lease; None if there is none."""
        return self._db.write(_take)

    def sent(self, message: Message, answer: str) -> None:
        """Record that a message arrived."""
        self._end(message, "sent", answer)

    def give_up(self, message: Message, answer: str, *, stop: bool = False) -> None:
        """Record that a message never will arrive; with ``stop`` nothing is sent to its target any longer."""
        self._end(message, "given up", answer, stop=stop)

    def later(self, message: Message, answer: str, rest: float) -> None:
        """Record that a message did not arrive and is to be sent again after ``rest`` seconds."""
        self._db.write(
            lambda tx: tx.conn.execute(_mine(message).values(due=tx.now + rest, answer=answer[:500]))
        )

    def messages(self, *, target: int | None = None, limit: int = 50) -> tuple[Message, ...]:
        """Messages to one target or to all, newest first."""
        query = sa.select(messages).order_by(messages.c.id.desc()).limit(limit)
        if target is not None:
            query = query.where(messages.c.target == target)
        return self._db.read(lambda tx: tuple(map(Message.from_row, tx.conn.execute(query))))

    def disk_low(self, reason: str) -> None:
        """Record in the trail that space runs short, so that a message is made of it."""
        self._db.write(lambda tx: events.record(tx, "disk.low", who="server", detail={"reason": reason}))

    def forget(self, *, before: float) -> int:
        """Remove messages that were finished before a time; returns how many."""
        ended = sa.delete(messages).where(messages.c.finished < before)
        return self._db.write(lambda tx: tx.conn.execute(ended).rowcount)

    def _end(self, message: Message, state: str, answer: str, *, stop: bool = False) -> None:
        def write(tx: Tx) -> None:
            tx.conn.execute(_mine(message).values(state=state, finished=tx.now, answer=answer[:500]))
            if stop:
                stopped = sa.update(targets).where(targets.c.id == message.target)
                tx.conn.execute(stopped.values(stopped=answer[:500]))

        self._db.write(write)


def _target(tx: Tx, number: int) -> Row:
    row = tx.conn.execute(sa.select(targets).where(targets.c.id == number)).first()
    if row is None:
        raise NotFound(f"there is no target {number} for messages; 'nearfar notify list' shows them")
    return row


def _mine(message: Message) -> sa.Update:
    """An update of a taken message, fenced by its count of tries: whoever was too slow changes nothing."""
    own = (messages.c.id == message.id, messages.c.tries == message.tries, messages.c.state == "waiting")
    return sa.update(messages).where(*own)


def _gather(tx: Tx) -> int:
    read_to = int(tx.conn.scalar(sa.select(server.c.value).where(server.c.name == READ_TO)) or 0)
    last = events.last(tx)
    new = 0
    if last > read_to:
        insert = postgresql.insert(server) if tx.postgresql else sqlite.insert(server)
        row = {"value": str(last), "changed": tx.now, "who": "server"}
        tx.conn.execute(
            insert.values(name=READ_TO, **row).on_conflict_do_update(index_elements=["name"], set_=row)
        )
    live = [
        Target.from_row(row) for row in tx.conn.execute(sa.select(targets).where(targets.c.stopped.is_(None)))
    ]
    if live:
        new = sum(_messages_of(tx, line, live) for line in _lines(tx, read_to - LOOK_BACK))
    return new


def _lines(tx: Tx, after: int) -> Sequence[Row]:
    query = (
        sa.select(
            trail, *(jobs.c[name].label(f"job_{name}") for name in ("stack", "owner", "state", "result"))
        )
        .select_from(trail.outerjoin(jobs, jobs.c.id == trail.c.job))
        .where(trail.c.id > after, trail.c.action.in_(list(EVENTS)))
        .order_by(trail.c.id)
    )
    return tx.conn.execute(query).all()


def _messages_of(tx: Tx, line: Row, live: Sequence[Target]) -> int:
    about = EVENTS[line.action]
    wanted = [
        target
        for target in live
        if about in target.events
        and target.created <= line.at
        and target.owner in (EVERYBODY, line.job_owner)
    ]
    if not wanted:
        return 0
    content = json.dumps({"type": line.action, "at": line.at, "data": _data(line)})
    rows = [
        {
            "target": target.id,
            "event": line.id,
            "name": f"msg_{secrets.token_hex(12)}",
            "about": about,
            "job": line.job,
            "content": json.loads(content),
            "state": "waiting",
            "due": tx.now,
            "created": tx.now,
        }
        for target in wanted
    ]
    insert = postgresql.insert(messages) if tx.postgresql else sqlite.insert(messages)
    return sum(tx.conn.execute(insert.values(row).on_conflict_do_nothing()).rowcount for row in rows)


def _data(line: Row) -> dict[str, Any]:
    detail = {name: line.detail.get(name) for name in ("cause", "reason")}
    if line.job is None:
        return detail
    return {
        "job": line.job,
        "stack": line.job_stack,
        "owner": line.job_owner,
        "state": line.action.partition(".")[2],
        "result": line.job_result,
        **detail,
    }


def _take(tx: Tx) -> tuple[Target, Message] | None:
    pick = (
        sa.select(messages.c.id)
        .where(messages.c.state == sa.literal_column("'waiting'"), messages.c.due <= tx.now)
        .order_by(messages.c.due, messages.c.id)
        .limit(1)
        .with_for_update(skip_locked=True, of=messages)
    )
    row = tx.conn.execute(
        sa.update(messages)
        .where(messages.c.id == pick.scalar_subquery())
        .values(tries=messages.c.tries + 1, due=tx.now + LEASE)
        .returning(messages)
    ).first()
    if row is None:
        return None
    return Target.from_row(_target(tx, row.target)), Message.from_row(row)
