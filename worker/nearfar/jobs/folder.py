"""Which data folder a store belongs to, so that the empty folder of a lost mount is not taken for it."""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from nearfar.jobs.engine import Tx
from nearfar.jobs.model import server
from nearfar.jobs.store import Store

FOLDER = "folder"


def folder_of(store: Store) -> str | None:
    """The mark of the data folder that the store belongs to; None: it belongs to none yet. Raises `StoreUnreachable`."""
    return store.database.read(_known)


def tie(store: Store, mark: str) -> str:
    """Let the store belong to the folder with this mark, unless it has one: the mark that holds from now on."""

    def write(tx: Tx) -> str:
        insert = postgresql.insert(server) if tx.postgresql else sqlite.insert(server)
        row = {"name": FOLDER, "value": mark, "changed": tx.now, "who": "server"}
        tx.conn.execute(insert.values(**row).on_conflict_do_nothing(index_elements=["name"]))
        return _known(tx) or mark

    return store.database.write(write)


def _known(tx: Tx) -> str | None:
    return tx.conn.scalar(sa.select(server.c.value).where(server.c.name == FOLDER))
