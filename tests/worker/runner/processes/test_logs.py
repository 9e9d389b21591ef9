"""Lines of the log: whatever a file is called, it forges none."""

from __future__ import annotations

import json
import logging

import pytest

from nearfar.runner.processes.logs import Json, Plain

FORGED = "a.tif\n2026-01-01 00:00:00 api: all is well\r\x1b[2K\x00\u2028"


def record(message: str, **about: object) -> logging.LogRecord:
    made = logging.LogRecord("nearfar", logging.WARNING, "x.py", 1, "%s", (message,), None)
    made.__dict__.update(about)
    return made


def test_what_follows_a_line_break_is_indented_and_control_characters_are_escaped() -> None:
    first, *rest = Plain("work").format(record(FORGED, worker="w\n1")).split("\n")
    assert first.endswith("work: warning: a.tif")
    assert len(rest) == 1
    assert rest[0].startswith("    2026-01-01")
    assert rest[0].endswith(r"all is well\r\x1b[2K\x00\u2028 [worker=w\n1]")


@pytest.mark.parametrize("message", [FORGED, '"}\n{"level": "info"}'])
def test_json_is_one_object_on_one_line(message: str) -> None:
    line = Json("work").format(record(message))
    assert "\n" not in line
    assert json.loads(line)["message"] == message
