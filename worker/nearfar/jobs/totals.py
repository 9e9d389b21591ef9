"""Sums that only grow and outlive the jobs that they count: what metrics report as counters."""

from __future__ import annotations

from collections.abc import Mapping

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from nearfar.jobs.engine import Tx
from nearfar.jobs.model import totals


def add(tx: Tx, amounts: Mapping[tuple[str, str], float]) -> None:
    """Add to the sums with these names and labels, in one order, so that two transactions cannot block each other."""
    insert = postgresql.insert(totals) if tx.postgresql else sqlite.insert(totals)
    sums = {"value": totals.c.value + insert.excluded.value}
    rows = [
        {"name": name, "label": label, "value": amount} for (name, label), amount in sorted(amounts.items())
    ]
    if rows:
        tx.conn.execute(insert.on_conflict_do_update(index_elements=["name", "label"], set_=sums), rows)


def read(tx: Tx) -> dict[tuple[str, str], float]:
    """All sums, by name and label."""
    rows = tx.conn.execute(sa.select(totals.c.name, totals.c.label, totals.c.value))
    return {(row.name, row.label): row.value for row in rows}
