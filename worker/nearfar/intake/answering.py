"""Questions to file systems that may hang with the machine behind them: asked in threads, waited for within limits.

A thread that hangs in the system cannot be ended. It is left alone, nobody asks the same thing again meanwhile, and when
the share is back its answer is taken.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Generic, TypeVar

Answer = TypeVar("Answer")

PATIENCE = 5.0
"""Seconds to wait for a first answer."""


@dataclass
class _Asked(Generic[Answer]):
    done: threading.Event = field(default_factory=threading.Event)
    began: float = field(default_factory=time.monotonic)
    answer: list[Answer] = field(default_factory=list)
    error: Exception | None = None
    spent: float = 0.0


class Answers(Generic[Answer]):
    """Questions, each under a name.

    Parameters
    ----------
    patience
        Seconds to wait for one that was just asked; one that was late before is not waited for.
    """

    def __init__(self, patience: float = PATIENCE) -> None:
        self.patience = patience
        self.spent = 0.0
        """Processor seconds of all answers so far."""
        self._asked: dict[str, _Asked[Answer]] = {}

    def ask(self, name: str, call: Callable[[], Answer]) -> None:
        """Begin to ask, unless that hangs already."""
        if name in self._asked:
            return
        asked = self._asked[name] = _Asked()

        def run() -> None:
            began = time.thread_time()
            try:
                asked.answer.append(call())
            except Exception as error:  # noqa: BLE001 - raised where the answer is taken
                asked.error = error
            asked.spent = time.thread_time() - began
            asked.done.set()

        threading.Thread(target=run, name=f"asks {name}"[:60], daemon=True).start()

    def take(self, name: str) -> Answer:
        """The answer. Raises what the call raised, and `TimeoutError` as long as there is none."""
        asked = self._asked[name]
        waited = time.monotonic() - asked.began
        if not asked.done.wait(max(0.0, self.patience - waited)):
            raise TimeoutError(f"no answer for {time.monotonic() - asked.began:.0f} s")
        del self._asked[name]
        self.spent += asked.spent
        if asked.error is not None:
            raise asked.error
        return asked.answer[0]


def answered(call: Callable[[], Answer], otherwise: Answer, *, within: float = PATIENCE) -> Answer:
    """What one call gives, or ``otherwise`` if it takes longer. Raises what it raises."""
    answers: Answers[Answer] = Answers(within)
    answers.ask("once", call)
    try:
        return answers.take("once")
    except TimeoutError:
        return otherwise
