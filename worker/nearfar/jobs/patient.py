"""Connections to PostgreSQL that wait for an answer for a limited time only.

A network that drops everything without a word, or a proxy whose other side is gone, keeps a connection open and silent.
The limits of libpq do not see that: they ask whether the peer's machine still acknowledges what it is sent.
"""

from __future__ import annotations

import time
from collections.abc import Generator
from typing import Any

import psycopg


class Patient(psycopg.Connection[Any]):
    """A connection that is given up if the server says nothing for `answer` seconds."""

    answer = 60.0

    def wait(self, gen: Generator[Any, Any, Any], *more: Any, **named: Any) -> Any:
        """Wait for the result of an operation. Raises `psycopg.OperationalError` if it takes too long."""
        return super().wait(self._limited(gen), *more, **named)

    def _limited(self, gen: Generator[Any, Any, Any]) -> Generator[Any, Any, Any]:
        """Yield the steps of ``gen``, each of which has to follow in time; the driver asks ten times a second."""
        end = time.monotonic() + self.answer
        try:
            step = next(gen)
            while True:
                came = yield step
                now = time.monotonic()
                if came:
                    end = now + self.answer
                elif now > end:
                    self.pgconn.finish()  # what was asked may still be answered: nobody must take that for his own
                    raise psycopg.OperationalError(f"no answer within {self.answer:.0f} s")
                step = gen.send(came)
        except StopIteration as done:
            return done.value


def patient(answer: float) -> type[Patient]:
    """The connection class that waits for ``answer`` seconds."""
    return type("Patient", (Patient,), {"answer": answer})
