"""What commands say on standard output: whole lines without control characters, whoever reads them."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from nearfar.progress import printable

NAMED = 4
"""How many names a line tells that stands for several."""


def say(*lines: str) -> None:
    """Write lines to standard output; a reader who left does no harm."""
    _write("".join(f"{printable(line)}\n" for line in lines))


def say_json(value: Any) -> None:
    """Write a value as JSON, for programs and for people."""
    _write(json.dumps(value, indent=2, ensure_ascii=False) + "\n")


def warn(*lines: str) -> None:
    """Write lines to standard error."""
    sys.stderr.write("".join(f"{printable(line)}\n" for line in lines))
    sys.stderr.flush()


def _write(text: str) -> None:
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def together(reasons: Iterable[tuple[str, str]]) -> Iterator[str]:
    """Names with their reasons, a line for each reason; of many names the first are told."""
    names: dict[str, list[str]] = {}
    for name, why in reasons:
        names.setdefault(why, []).append(name)
    for why, those in names.items():
        more = f" and {len(those) - NAMED} more" if len(those) > NAMED else ""
        yield f"{', '.join(those[:NAMED])}{more}: {why}"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Lines of a table, columns two spaces apart; the last one is not filled up."""
    lines = [[printable(cell) for cell in row] for row in (head, *rows)]
    widths = [max(len(row[k]) for row in lines) for k in range(len(head))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in lines
    ]
