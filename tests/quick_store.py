"""Stores of tests: a hundred files of one kind in one process, of which nothing has to survive a power cut."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import sqlalchemy as sa

from nearfar.jobs import engine as engines

REAL = engines._sqlite
"""What makes the engine of a server's store."""


@contextmanager
def quick_stores() -> Iterator[None]:
    """Every engine for SQLite that this process makes meanwhile knows the statements that an earlier one compiled, and
    its commits do not wait for the disk.

    To compile its statements takes SQLAlchemy longer than most tests take to run them.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(engines, "_sqlite", _sharing())
        yield


def _sharing() -> Callable[[sa.URL], sa.Engine]:
    first = sa.create_engine("sqlite+pysqlite://")
    with first.connect():  # the dialect asks for the library's version once
        pass
    compiled: dict[Any, Any] = {}

    def made(url: sa.URL) -> sa.Engine:
        engine = REAL(url)
        engine.dialect = first.dialect  # statements are kept by dialect
        engine.update_execution_options(compiled_cache=compiled)

        @sa.event.listens_for(engine, "connect")
        def _connect(connection: Any, record: object) -> None:
            connection.execute("PRAGMA synchronous = OFF")

        return engine

    return made
