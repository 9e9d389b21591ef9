"""The command ``nearfar``.

What does the work is imported when a command runs. That takes half a second, which neither ``--help`` nor a typing error
should cost, and during which Ctrl-C has to work too.
"""

from __future__ import annotations

import argparse
import errno
import importlib
import io
import os
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING, Any, Self

from nearfar import __version__
from nearfar.errors import DoesNotFit, Interrupted, NearfarError, UsageError
from nearfar.progress import printable

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]  # noqa: SLF001 - what add_subparsers gives

GROUPS = (
    "merge_options",
    "sort",
    "plan",
    "serve",
    "client.options",
    "why",
    "doctor",
    "backup",
    "notify",
    "people",
)
"""Modules that add commands, in the order of the help. Each has ``add_parsers(commands)`` and loads next to nothing; a
parser's default ``run`` is called with the options and the `Signals`, and gives the exit code."""


class _Parser(argparse.ArgumentParser):
    """An argument parser that raises our own errors."""

    def error(self, message: str) -> None:  # type: ignore[override]
        raise UsageError(f"{message}. Try '{self.prog} --help'.")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As argparse does it, but a command answers itself for options that it does not know."""
        found, unknown = super().parse_known_args(args, namespace)
        if unknown:
            self.error(f"not understood: {' '.join(unknown)}")
        return found, unknown


def parser() -> argparse.ArgumentParser:
    """The command line of ``nearfar``."""
    top = _Parser(prog="nearfar", description="From frames focused from near to far to one sharp picture.")
    top.add_argument("--version", action="version", version=f"Nearfar {__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name in GROUPS:
        importlib.import_module(f"nearfar.cli.{name}").add_parsers(commands)
    return top


class Signals:
    """While the block runs, SIGINT and SIGTERM ask the work to stop, or end what has not begun; a second one ends it
    at once.

    Work says by `ask` what is called with the reason; until it does, `Interrupted` is raised, which a module that is
    being loaded may turn into an error of its own, or drop.
    """

    NAMES = {signal.SIGINT: "Ctrl-C", signal.SIGTERM: "SIGTERM"}  # noqa: RUF012 - never changed

    def __init__(self) -> None:
        self._ask: Callable[[str], None] | None = None
        self._reason: str | None = None
        self._before: dict[int, Callable[[int, FrameType | None], object] | int | None] = {}

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            for number in self.NAMES:
                self._before[number] = signal.signal(number, self._came)
        return self

    def _came(self, number: int, _frame: FrameType | None) -> None:
        signal.signal(number, signal.SIG_DFL)
        self._reason = self.NAMES[signal.Signals(number)]
        if self._ask is None:
            raise self._early(self._reason)
        self._ask(self._reason)

    @staticmethod
    def _early(reason: str) -> Interrupted:
        return Interrupted(f"stopped by {reason} before any work was done")

    def ask(self, ask: Callable[[str], None]) -> None:
        """From now on ``ask(reason)`` is called; at once if a signal came before."""
        self._ask = ask
        if self._reason is not None:
            ask(self._reason)

    def cause_of(self, error: Exception) -> Exception:
        """What ended a command: the signal that came before any work began, if one did, else its ``error``."""
        if self._ask is None and self._reason is not None:
            return self._early(self._reason)
        return error

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)


def _in_words(error: Exception) -> NearfarError:
    """An error of the system or a bug of ours as an error with an exit code and a message."""
    if isinstance(error, NearfarError):
        return error
    if isinstance(error, MemoryError):
        return DoesNotFit(
            "the memory of this machine ran out. Close other programs, or give a smaller --memory."
        )
    if isinstance(error, OSError):
        name = f"{os.fsdecode(error.filename)}: " if isinstance(error.filename, str | bytes) else ""
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            return DoesNotFit(
                f"{name}the disk is full. Make room there, or name a scratch folder on another disk with --scratch; "
                "the same command then continues from here."
            )
        return NearfarError(
            f"{name}{error.strerror or error}. Check the disk and who may write there, then run the same command again."
        )
    traceback.print_exception(error)
    found = f"{type(error).__name__}: {error}"[:300]
    return NearfarError(
        f"a mistake in Nearfar, not in the frames ({found}). Please report it with the lines above."
    )


@contextmanager
def _writable_outputs() -> Iterator[None]:
    """While the block runs, closed outputs are replaced by the null device, and unusual characters are no error."""
    closed = [name for name in ("stdout", "stderr") if getattr(sys, name) is None]
    with open(os.devnull, "w", encoding="utf-8") as nowhere:
        for name in closed:
            setattr(sys, name, nowhere)
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="backslashreplace")
        yield
        for name in closed:
            setattr(sys, name, None)


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point; returns the exit code of nearfar.errors."""
    with _writable_outputs(), Signals() as signals:
        try:
            options = parser().parse_args(arguments)
            return int(options.run(options, signals))
        except Exception as error:  # noqa: BLE001 - ends in one line and an exit code
            told = _in_words(signals.cause_of(error))
            print(f"nearfar: {printable(str(told))}", file=sys.stderr)
            return told.exit_code
