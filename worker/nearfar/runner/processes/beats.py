"""Signs of progress that the server's processes give to the one that started them.

Each process has an open file of its own in memory, into which it writes the time whenever its main loop comes round.
The time is the machine's monotonic clock, which all processes share and which stands while the machine sleeps.
"""

from __future__ import annotations

import os
import struct
import time

VARIABLE = "NEARFAR_BEAT_FD"
_TIME = struct.Struct("d")


def beat() -> None:
    """Report that this process makes progress. Cheap; does nothing in a process that nobody watches."""
    fd = os.environ.get(VARIABLE, "")
    if fd.isdigit():
        os.pwrite(int(fd), _TIME.pack(time.monotonic()), 0)


def open_beat(name: str) -> int:
    """A file in memory for a process to write into; its descriptor."""
    return os.memfd_create(f"nearfar-{name}")


def last(fd: int) -> float | None:
    """When, by the monotonic clock, the process last said so; None: it never did."""
    written = os.pread(fd, _TIME.size, 0)
    return _TIME.unpack(written)[0] if len(written) == _TIME.size else None


def reset(fd: int) -> None:
    """Forget what an earlier process wrote."""
    os.ftruncate(fd, 0)
