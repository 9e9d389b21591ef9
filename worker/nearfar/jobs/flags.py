"""What holds for the whole server: whether work is given out, and which host an SQLite store belongs to."""

from __future__ import annotations

import json

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from nearfar.errors import StoreError
from nearfar.jobs import events
from nearfar.jobs.engine import Tx
from nearfar.jobs.model import server, workers
from nearfar.jobs.states import ServerState, WorkerState

STATE = "state"
HOST = "host"
WRITTEN = "written"


def server_state(tx: Tx) -> ServerState:
    """Whether work is given out."""
    value = _get(tx, STATE)
    return ServerState.OPEN if value is None else ServerState(value)


def set_server_state(tx: Tx, state: ServerState, *, who: str) -> None:
    """Pause, drain or open the server: all workers of this store follow."""
    before = server_state(tx)
    if before is not state:
        _set(tx, STATE, state, who=who)
        events.record(tx, f"server.{state}", who=who, detail={"from": before})


def keep_host(tx: Tx, host: str) -> None:
    """Note that this host uses the store, or refuse it if another one was heard of lately.

    Raises
    ------
    StoreError
        With what to do about it.
    """
    value = _get(tx, HOST)
    known = json.loads(value) if value is not None else None
    if known is not None and known["id"] != host:
        silent = abs(tx.now - max(known["seen"], _last_beat(tx)))  # from a clock that was set back: long ago
        if silent < tx.rules.host_silence:
            raise StoreError(
                f"job store: another host used it {silent:.0f} s ago; an SQLite store serves one host alone. "
                "Use PostgreSQL for several (postgresql://user@host/database). If the other host is gone for good, "
                f"try again after {tx.rules.host_silence:.0f} s of silence"
            )
        events.record(tx, "store.moved", who="server", detail={"from": known["id"], "to": host})
    _set(tx, HOST, json.dumps({"id": host, "seen": tx.now}), who="server")


def host_seen(tx: Tx) -> None:
    """Renew the sign of life of the host; only if the store keeps one."""
    value = _get(tx, HOST)
    if value is not None:
        _set(tx, HOST, json.dumps(json.loads(value) | {"seen": tx.now}), who="server")


def secret(tx: Tx, name: str) -> bytes | None:
    """A secret of the server's own; None if there is none yet."""
    value = _get(tx, f"secret.{name}")
    return None if value is None else bytes.fromhex(value)


def make_secret(tx: Tx, name: str, value: bytes, *, anew: bool = False) -> bytes:
    """Keep a secret unless another process kept one meanwhile, or it is to be replaced; the one that counts."""
    if not anew:
        insert = postgresql.insert(server) if tx.postgresql else sqlite.insert(server)
        row = {"name": f"secret.{name}", "value": value.hex(), "changed": tx.now, "who": "server"}
        tx.conn.execute(insert.values(**row).on_conflict_do_nothing())
        return secret(tx, name) or value
    _set(tx, f"secret.{name}", value.hex(), who="server")
    return value


def show_writing(tx: Tx) -> None:
    """Write when this was asked for: whoever wants to know whether anything can be written has to try it."""
    _set(tx, WRITTEN, "", who="server")


def _last_beat(tx: Tx) -> float:
    alive = workers.c.state.in_((WorkerState.WORKING, WorkerState.DRAINING))
    return float(tx.conn.scalar(sa.select(sa.func.max(workers.c.beat)).where(alive)) or 0.0)


def _get(tx: Tx, name: str) -> str | None:
    return tx.conn.scalar(sa.select(server.c.value).where(server.c.name == name))


def _set(tx: Tx, name: str, value: str, *, who: str) -> None:
    insert = postgresql.insert(server) if tx.postgresql else sqlite.insert(server)
    row = {"value": value, "changed": tx.now, "who": who}
    tx.conn.execute(insert.values(name=name, **row).on_conflict_do_update(index_elements=["name"], set_=row))
