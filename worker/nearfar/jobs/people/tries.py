"""Tries to log in that failed: after a few, each further one has to wait, twice as long as the one before.

Counted in the store, so that they outlive a restart: by account and source, by source, and by account. A source is the
address, or, for a browser that logged in to that account before, the browser itself (it holds a signed cookie). What
strangers do at an account counts against strangers alone: nobody can lock out whoever logged in there before, also
if everybody comes from the address of one proxy.
"""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from nearfar.jobs import events
from nearfar.jobs.engine import Tx
from nearfar.jobs.people.accounts import folded
from nearfar.jobs.people.tables import tries

FREE = 5
"""Tries at an account from one source before the first wait."""
FREE_SOURCE = 30
"""Tries of a stranger's address at all accounts."""
FREE_ACCOUNT = 100
"""Tries of all strangers at an account. These three figures: common practice, no source."""
LONGEST = 900.0
"""Seconds of the longest wait."""
MEMORY = 3600.0
"""Seconds without a further try after which all is forgotten."""


def rest(failed: int, free: int) -> float:
    """Seconds to wait after this many failed tries."""
    return 0.0 if failed < free else min(LONGEST, 2.0 ** min(failed - free, 20))


def begin(tx: Tx, account: str, source: str, *, known: bool) -> float:
    """Count a try before it is made; seconds to wait if it comes too soon, and then it is not counted.

    Parameters
    ----------
    known
        The source is a browser that logged in to this account before.
    """
    name = folded(account)[:100]
    tx.conn.execute(sa.delete(tries).where(tries.c.last < tx.now - MEMORY))
    wait = _wait(tx, tries.c.account == name, tries.c.source == source, free=FREE)
    if not known:
        wait = max(
            wait,
            _wait(tx, tries.c.source == source, free=FREE_SOURCE),
            _wait(tx, tries.c.account == name, tries.c.known.is_(False), free=FREE_ACCOUNT),
        )
    if wait > 0:
        return wait
    insert = postgresql.insert(tries) if tx.postgresql else sqlite.insert(tries)
    statement = insert.values(account=name, source=source, failed=1, known=known, last=tx.now)
    again = {"failed": tries.c.failed + 1, "last": tx.now}
    tx.conn.execute(statement.on_conflict_do_update(index_elements=["account", "source"], set_=again))
    return 0.0


def _wait(tx: Tx, *where: sa.ColumnElement[bool], free: int) -> float:
    counted = sa.select(sa.func.coalesce(sa.func.sum(tries.c.failed), 0), sa.func.max(tries.c.last))
    failed, last = tx.conn.execute(counted.where(*where)).one()
    return max(0.0, (last or 0.0) + rest(int(failed), free) - tx.now) if failed else 0.0


def failed(tx: Tx, account: str, *, address: str, why: str) -> None:
    """Record in the trail that one failed."""
    shown = "".join(sign if sign.isprintable() else "?" for sign in account[:100])
    detail = {"account": shown, "address": address, "why": why}
    events.record(tx, "login.refused", who="nobody", detail=detail)


def succeeded(tx: Tx, account: str, source: str) -> None:
    """Forget what failed here."""
    tx.conn.execute(
        sa.delete(tries).where(tries.c.account == folded(account)[:100], tries.c.source == source)
    )
