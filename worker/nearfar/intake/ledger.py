"""A small file of records, one per line, that is only appended to; a torn last line is ignored.

The last record under a key counts. Opening the file rewrites it if most of its lines are outdated.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from nearfar.frames.whole import whole_file

SLACK = 1000
"""How many outdated lines are tolerated before the file is rewritten."""


class Ledger:
    """Records by key; each is a small value that JSON can hold, or None for one that was removed.

    Parameters
    ----------
    durable
        Whether every change is synced to the disk.
    reading
        Only read: another process writes the file.
    """

    def __init__(self, file: Path, *, durable: bool = True, reading: bool = False) -> None:
        self.file = file
        self.durable = durable
        self.reading = reading
        self.records: dict[str, Any] = {}
        lines = self._read()
        if not reading and lines > 2 * len(self.records) + SLACK:
            self._write_anew()

    def _read(self) -> int:
        try:
            raw = self.file.read_bytes()
        except FileNotFoundError:
            return 0
        lines = raw.split(b"\n")
        for line in lines:
            try:
                key, record = json.loads(line)
            except (ValueError, TypeError):
                continue
            if not isinstance(key, str):
                continue
            self.records.pop(key, None)
            if record is not None:
                self.records[key] = record
        if raw and not raw.endswith(b"\n"):
            self._append("\n")  # so that the torn line spoils no other
        return len(lines)

    def put(self, records: Mapping[str, Any]) -> None:
        """Append records; if the ledger is durable they are on the disk when this returns.

        Raises
        ------
        OSError
        """
        self._append("".join(_line(key, record) for key, record in records.items()))
        for key, record in records.items():
            self.records.pop(key, None)
            if record is not None:
                self.records[key] = record

    def _append(self, text: str) -> None:
        if self.reading:
            return
        with open(self.file, "a", encoding="ascii") as file:
            file.write(text)
            file.flush()
            if self.durable:
                os.fsync(file.fileno())

    def _write_anew(self) -> None:
        with whole_file(self.file) as temporary, open(temporary, "w", encoding="ascii") as file:
            file.writelines(_line(key, record) for key, record in self.records.items())


def _line(key: str, record: object) -> str:
    return json.dumps([key, record], separators=(",", ":")) + "\n"
