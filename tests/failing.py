"""Calls of the system that fail on demand."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass
class Failing:
    """Counts calls of the system and lets one of them fail; ``at`` None only counts."""

    at: int | None = None
    error: int = errno.EIO
    calls: int = 0

    def wrap(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(*arguments: Any, **named: Any) -> Any:
            self.calls += 1
            if self.calls == self.at:
                raise OSError(self.error, os.strerror(self.error))
            return call(*arguments, **named)

        return wrapped
