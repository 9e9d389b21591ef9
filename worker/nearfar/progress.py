"""Tells on standard error how far the work is: a bar on a terminal, a plain line every few seconds elsewhere.

The bar is tqdm's; the lines are our own, since logs and pipes want whole lines and no control characters. The
time left comes from the speed measured so far, over all the weight that was announced.
"""

from __future__ import annotations

import math
import sys
import threading
import time
from collections.abc import Callable
from typing import Self, TextIO

from tqdm import tqdm

LINE_EVERY = 5.0
"""Seconds between two plain lines of one step."""

DRAW_EVERY = 0.1
"""Seconds between two drawings of the bar."""

SPEAK_AFTER = 0.5
"""Seconds of work before a time left is named: less than this measures nothing."""


def format_seconds(seconds: float) -> str:
    """A length of time for people: ``'0.4 s'``, ``'12 s'``, ``'3 min 20 s'``, ``'2 h 5 min'``; never rounded down."""
    tenths = max(0, math.ceil(round(10 * seconds, 6)))
    if tenths < 100:
        return f"{tenths / 10:.1f} s"
    whole = -(-tenths // 10)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    minutes = -(-whole // 60)
    return f"{minutes // 60} h {minutes % 60} min"


def printable(text: str) -> str:
    """Text for a terminal or a line of a file: control characters and broken bytes, as names may hold, as escapes."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


class _Bar(tqdm):  # type: ignore[misc, unused-ignore]
    """A bar without the library's watching thread, which would outlive a fork."""

    monitor_interval = 0


class Progress:
    """Progress of one run, step after step. Any thread may call any method.

    Parameters
    ----------
    stream
        Where to write; a bar if it is a terminal. A stream that is closed or broken is written to no more, and
        the work goes on.
    quiet
        Write nothing at all.
    clock
        Seconds that only grow.
    """

    def __init__(
        self,
        stream: TextIO | None = None,
        *,
        quiet: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._stream = sys.stderr if stream is None else stream
        self._silent = quiet
        self._clock = clock
        self._lock = threading.RLock()
        self._bar: _Bar | None = None
        self._name = ""
        self._total = self._done = 0.0
        self._began = self._spoke = clock()
        self._terminal = not quiet and self._is_terminal()

    def step(self, name: str, total_weight: float) -> None:
        """Begin a step (ending the one before) whose parts weigh ``total_weight`` together, in any unit."""
        with self._lock:
            self._end()
            self._name, self._total, self._done = name, max(0.0, float(total_weight)), 0.0
            self._began = self._spoke = self._clock()
            if self._terminal:
                self._write(self._draw)
            else:
                self._line(f"{name} ...")

    def advance(self, weight: float = 1.0) -> None:
        """Say that parts of this weight are done."""
        with self._lock:
            self._done = min(self._total, self._done + weight)
            now = self._clock()
            if self._terminal:
                if self._bar is not None and now - self._spoke >= DRAW_EVERY:
                    self._spoke = now
                    self._write(self._draw)
            elif now - self._spoke >= LINE_EVERY:
                self._spoke = now
                self._line(self.state())

    def note(self, text: str) -> None:
        """Write a line that stays, above the bar."""
        with self._lock:
            if self._bar is not None:
                self._write(self._bar.clear)
            self._line(text)
            if self._bar is not None:
                self._write(self._bar.refresh)

    def finish(self) -> None:
        """End the current step. Calling it twice does no harm."""
        with self._lock:
            self._end()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        """End the current step; if it failed, only take the bar away, so that the error stands on a line of its own."""
        with self._lock:
            if kind is None:
                self._end()
            elif self._bar is not None:
                self._write(self._bar.close)
                self._bar = None

    def seconds_left(self) -> float | None:
        """Time that the rest of the step takes at the speed so far; None if nothing can be said yet."""
        with self._lock:
            spent = self._clock() - self._began
            if self._done <= 0 or spent < SPEAK_AFTER:
                return None
            return spent * (self._total - self._done) / self._done

    def state(self) -> str:
        """How far the step is, as a line: ``'render: 40 %, 12 s left'``."""
        with self._lock:
            share = 1.0 if self._total == 0 else self._done / self._total
            left = self.seconds_left()
            text = f"{self._name}: {int(100 * share)} %"
            return text if left is None else f"{text}, {format_seconds(left)} left"

    def _is_terminal(self) -> bool:
        try:
            return bool(self._stream.isatty())
        except (ValueError, OSError):
            return False

    def _draw(self) -> None:
        if self._bar is None:
            self._bar = _Bar(
                total=1.0,
                file=self._stream,
                leave=False,
                bar_format="{desc} |{bar}|",
                delay=1e-9,  # do not draw before there is a description
            )
        self._bar.n = 1.0 if self._total == 0 else self._done / self._total
        self._bar.set_description_str(self.state(), refresh=False)
        self._bar.refresh()

    def _end(self) -> None:
        if not self._name:
            return
        if self._bar is not None:
            self._write(self._bar.close)
            self._bar = None
        self._line(f"{self._name}: done in {format_seconds(self._clock() - self._began)}")
        self._name = ""

    def _line(self, text: str) -> None:
        def write() -> None:
            self._stream.write(text + "\n")
            self._stream.flush()

        self._write(write)

    def _write(self, action: Callable[[], object]) -> None:
        """Do what writes to the stream; once that fails, never again: a closed terminal must not end the work."""
        if self._silent:
            return
        try:
            action()
        except (OSError, ValueError):
            self._silent = True
            self._terminal = False
            if self._bar is not None:
                self._bar.disable = True  # else it writes once more when it is thrown away
                self._bar = None
