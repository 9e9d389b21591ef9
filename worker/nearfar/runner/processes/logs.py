"""Logs of the server's processes: one line per message on standard error, a JSON object with ``NEARFAR_LOG=json``.

What a line is about (job, unit, token, worker) is given with ``extra`` and shown at its end.
"""

from __future__ import annotations

import json
import logging
import os
import sys
from datetime import UTC, datetime

from nearfar.progress import printable

SHOWN = ("job", "unit", "step", "token", "worker", "action")


class Plain(logging.Formatter):
    """Time, level, process, message; then what it is about."""

    def __init__(self, process: str) -> None:
        super().__init__()
        self.process = process

    def format(self, record: logging.LogRecord) -> str:
        """One line, and the traceback if there is one."""
        about = printable(" ".join(f"{name}={value}" for name, value in _about(record).items()))
        level = "" if record.levelno <= logging.INFO else f"{record.levelname.lower()}: "
        line = f"{_when(record):%Y-%m-%d %H:%M:%S} {self.process}: {level}{_lines(record.getMessage())}"
        return _with_trace(self, f"{line} [{about}]" if about else line, record)


class Json(logging.Formatter):
    """The same as an object on one line."""

    def __init__(self, process: str) -> None:
        super().__init__()
        self.process = process

    def format(self, record: logging.LogRecord) -> str:
        """One line."""
        told: dict[str, object] = {
            "time": _when(record).isoformat(),
            "level": record.levelname.lower(),
            "process": self.process,
            "pid": record.process,
            "message": record.getMessage(),
            **_about(record),
        }
        if record.exc_info:
            told["trace"] = self.formatException(record.exc_info)
        return json.dumps(told, ensure_ascii=False, default=str)


def _when(record: logging.LogRecord) -> datetime:
    return datetime.fromtimestamp(record.created, UTC).astimezone()


def _lines(message: str) -> str:
    """Each line of a message after the first one indented, without control characters: no file name forges a line."""
    return "\n    ".join(printable(line) for line in message.split("\n"))


def _about(record: logging.LogRecord) -> dict[str, object]:
    return {name: getattr(record, name) for name in SHOWN if getattr(record, name, None) is not None}


def _with_trace(formatter: logging.Formatter, line: str, record: logging.LogRecord) -> str:
    return f"{line}\n{formatter.formatException(record.exc_info)}" if record.exc_info else line


def set_up(process: str) -> None:
    """Send all logs of this process to standard error."""
    as_json = os.environ.get("NEARFAR_LOG", "").lower() == "json"
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(Json(process) if as_json else Plain(process))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.INFO)
    logging.getLogger("multiprocessing").handlers[:] = [handler]  # the pool's, which passes nothing on
    for noisy in ("celery", "kombu", "amqp", "uvicorn.access", "httpx", "alembic"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
