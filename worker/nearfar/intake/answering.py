"""Questions to file systems that may hang with the machine behind them: asked in threads, waited for within limits.

A thread that hangs in the system cannot be ended. It is left alone, nobody asks the same thing again meanwhile, and when
the share is back its answer is taken. What takes long because there is much of it gives a `sign` now and then.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

Answer = TypeVar("Answer")

PATIENCE = 5.0
"""Seconds to wait for a first answer."""
SIGNS = 4
"""Times the patience for which one that gives signs is waited for at most."""


@dataclass
class _Asked(Generic[Answer]):
    done: threading.Event = field(default_factory=threading.Event)
    began: float = field(default_factory=time.monotonic)
    heard: float = field(default_factory=time.monotonic)
    late: bool = False
    answer: list[Answer] = field(default_factory=list)
    error: BaseException | None = None
    spent: float = 0.0


class Answers(Generic[Answer]):
    """Questions, each under a name.

    Parameters
    ----------
    patience
        Seconds to wait for one that was just asked or gave a sign; one that was late before is not waited for.
    fresh
        Whether an answer that came late is of no use, and is asked for again.
    """

    def __init__(self, patience: float = PATIENCE, *, fresh: bool = False) -> None:
        self.patience = patience
        self.fresh = fresh
        self.spent = 0.0
        """Processor seconds of all answers so far."""
        self._asked: dict[str, _Asked[Answer]] = {}

    def ask(self, name: str, call: Callable[[], Answer]) -> None:
        """Begin to ask, unless that hangs already."""
        before = self._asked.get(name)
        if before is not None and not (self.fresh and before.late and before.done.is_set()):
            return
        asked = self._asked[name] = _Asked()

        def run() -> None:
            began = time.thread_time()
            _here.asked = asked
            try:
                asked.answer.append(call())
            except BaseException as error:  # noqa: BLE001 - raised where the answer is taken
                asked.error = error
            asked.spent = time.thread_time() - began
            asked.done.set()

        threading.Thread(target=run, name=f"asks {name}"[:60], daemon=True).start()

    def take(self, name: str) -> Answer:
        """The answer. Raises what the call raised, and `TimeoutError` as long as there is none."""
        asked = self._asked[name]
        while not asked.done.wait(max(0.0, self._left(asked))):
            if self._left(asked) <= 0:
                asked.late = True
                raise TimeoutError(f"no answer for {time.monotonic() - asked.began:.0f} s")
        del self._asked[name]
        self.spent += asked.spent
        if asked.error is not None:
            raise asked.error
        return asked.answer[0]

    def _left(self, asked: _Asked[Answer]) -> float:
        """Seconds for which one is still waited for."""
        if asked.late:
            return 0.0
        end = min(asked.heard + self.patience, asked.began + SIGNS * self.patience)
        return end - time.monotonic()


_here = threading.local()


def sign() -> None:
    """From within a call that somebody waits for: it goes on, and is not to be given up."""
    asked: _Asked[Any] | None = getattr(_here, "asked", None)
    if asked is not None:
        asked.heard = time.monotonic()


def answered(call: Callable[[], Answer], otherwise: Answer, *, within: float = PATIENCE) -> Answer:
    """What one call gives, or ``otherwise`` if it takes longer. Raises what it raises."""
    answers: Answers[Answer] = Answers(within)
    answers.ask("once", call)
    try:
        return answers.take("once")
    except TimeoutError:
        return otherwise
