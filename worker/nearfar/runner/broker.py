"""The broker that needs no server: a transport for kombu in which a hint is a file in a folder.

kombu's own transport of this kind writes under the final name, so that others read half a message; ends whoever reads
a spoilt one; takes messages through the system's temporary folder; and orders by a clock that begins again with every
boot. Here a message appears by rename and is taken by rename, so that exactly one taker has it; what cannot be read
is put aside; the order is that of the wall clock. Losing a message does no harm: a hint only saves waiting.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import stat
import time
import uuid
from pathlib import Path
from queue import Empty
from typing import Any

from kombu.transport import TRANSPORT_ALIASES, filesystem, virtual

from nearfar.places import Places
from nearfar.server_settings import ServerSettings

log = logging.getLogger(__name__)

QUEUE = "hints"
SCHEME = "nearfar"
POLL = 0.25
"""Seconds between two looks into the folder."""
PATIENCE = 5.0
"""Seconds to wait for an answer of a broker that is a server."""
SPOILT, COUNTED = ".spoilt-", ".counted-"
"""How names begin of messages that were put aside, before and after they were counted."""
STALE = 3600.0
"""Seconds after which what a killed process left half written or half taken is removed."""

TRANSPORT_ALIASES[SCHEME] = "nearfar.runner.broker:Transport"


class Channel(filesystem.Channel):
    """Messages of a queue are files ``TIME_ID.QUEUE.msg``; those that begin with a dot are not there."""

    supports_fanout = False
    get_table = virtual.Channel.get_table

    def _queue_bind(self, *_: Any) -> None:
        """Which queue a message goes to is known in the process: nothing about it has to lie in files."""

    def _delete(self, queue: str, *_: Any, **__: Any) -> None:
        self._purge(queue)

    @property
    def folder(self) -> Path:
        """Where the messages lie."""
        return Path(self.transport_options["data_folder_in"])

    def _names(self, queue: str) -> list[str]:
        end = f".{queue}.msg"
        try:
            found = [path.name for path in self.folder.iterdir()]
        except FileNotFoundError:
            return []
        return sorted(n for n in found if n.endswith(end) and n.partition(".")[2] == end[1:] and n[0] != ".")

    def _put(  # type: ignore[override]  # the two classes above do not agree on the name
        self, queue: str, payload: Any, **_: Any
    ) -> None:
        name = f"{time.time_ns():020d}_{uuid.uuid4().hex}.{queue}.msg"
        part = self.folder / f".{name}.part"
        try:
            part.write_text(json.dumps(payload), encoding="utf-8")
        except FileNotFoundError:
            self.folder.mkdir(parents=True, exist_ok=True)
            part.write_text(json.dumps(payload), encoding="utf-8")
        part.rename(self.folder / name)

    def _get(self, queue: str, timeout: float | None = None) -> Any:
        for name in self._names(queue):
            mine = self.folder / f".taken-{os.getpid()}-{name}"
            try:
                (self.folder / name).rename(mine)
            except FileNotFoundError:  # another taker was quicker
                continue
            message = _read(mine)
            if message is not None:
                mine.unlink(missing_ok=True)
                return message
            mine.rename(self.folder / f"{SPOILT}{name}")
            log.warning("hint %s cannot be read; it is put aside", name, extra={"action": "hint.spoilt"})
        raise Empty

    def _size(self, queue: str) -> int:
        return len(self._names(queue))

    def _purge(self, queue: str) -> int:
        names = self._names(queue)
        for name in names:
            (self.folder / name).unlink(missing_ok=True)
        return len(names)


class Transport(filesystem.Transport):
    """What kombu asks for by ``nearfar://``."""

    Channel = Channel

    def driver_version(self) -> str:
        """What this is, for reports about errors."""
        return "1"


def _read(file: Path) -> Any:
    """The message in a file; None if it is none."""
    try:
        message = json.loads(file.read_bytes())
        _ = message["body"], message["properties"]["delivery_tag"], message["headers"]["id"]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    return message


def put_aside(folder: Path) -> None:
    """Note that a message was passed over whose content is lost."""
    with contextlib.suppress(OSError):
        (folder / f"{SPOILT}{uuid.uuid4().hex}").touch()


def count_spoilt(folder: Path) -> int:
    """How many messages were put aside since this was last asked, by whichever process."""
    count = 0
    for path in folder.glob(f"{SPOILT}*"):
        with contextlib.suppress(FileNotFoundError):  # another process counted it
            path.rename(path.with_name(path.name.replace(SPOILT, COUNTED, 1)))
            count += 1
    return count


def sweep(folder: Path, *, now: float) -> None:
    """Remove what killed processes left between two names, and what was put aside long ago."""
    for path in list(folder.iterdir()) if folder.is_dir() else []:
        with contextlib.suppress(FileNotFoundError):
            status = path.lstat()
            if path.name.startswith(".") and stat.S_ISREG(status.st_mode) and now - status.st_mtime > STALE:
                path.unlink()


def address(settings: ServerSettings) -> str:
    """The broker's address as kombu wants it."""
    return settings.broker.url or f"{SCHEME}://localhost"


def transport_options(
    settings: ServerSettings, places: Places, *, patience: float = PATIENCE
) -> dict[str, Any]:
    """Options of the transport: nobody waits for a broker that is frozen longer than ``patience`` seconds an answer."""
    if settings.broker.url is None:
        hints = str(places.hints)
        return {"data_folder_in": hints, "data_folder_out": hints, "polling_interval": POLL}
    return {
        "socket_connect_timeout": 1,
        "socket_timeout": patience,
        "max_retries": 0,
        "visibility_timeout": 60,
        "unacked_restore_interval": 5,
        "unacked_restore_throttle": 1,
        "health_check_interval": 10,
    }
