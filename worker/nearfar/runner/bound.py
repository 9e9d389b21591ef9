"""A hard limit on the memory of a unit: one that runs away fails alone, and harms neither the machine nor other units.

The plan of a merge keeps to the memory that a worker gives to a unit. Whatever exceeds it by far is a bug, or a frame that
makes a decoder ask for more than its header said. The limit counts the private writable memory of a process (RLIMIT_DATA,
getrlimit(2)), not mapped frames, which the system takes back when it needs memory. It counts what is asked for, not what
is used, hence the margin above the plan.
"""

from __future__ import annotations

import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import cv2

from nearfar.errors import DoesNotFit
from nearfar.settings import format_size

SHARE = 1.25
"""The limit as a multiple of the planned memory..."""
SPARE = 256 << 20
"""...with these bytes added: libraries, and heaps that threads do not give back at once..."""
A_THREAD = 32 << 20
"""...and these for each thread, whose stack and buffers count in full."""
STATUS, MEMINFO = Path("/proc/self/status"), Path("/proc/meminfo")


def limit_of(memory: int, threads: int) -> int:
    """Bytes that a unit may ask for if ``memory`` bytes and this many threads were planned."""
    return int(SHARE * memory) + SPARE + threads * A_THREAD


@contextmanager
def bounded(memory: int, threads: int) -> Iterator[None]:
    """Limit the memory that is asked for within the block to `limit_of`, above what this process has already.

    Raises
    ------
    DoesNotFit
        The limit was reached. If the machine itself had too little left, the original error is raised.
    """
    before = resource.getrlimit(resource.RLIMIT_DATA)
    limit = _kilobytes(STATUS, "VmData") + limit_of(memory, threads)
    if limit < min(_finite(before[0]), _finite(before[1])):
        resource.setrlimit(resource.RLIMIT_DATA, (limit, before[1]))
    try:
        yield
    except Exception as error:
        if not _wanted_too_much(error) or _kilobytes(MEMINFO, "MemAvailable") < memory:
            raise
        raise DoesNotFit(
            f"more memory was asked for than {format_size(limit_of(memory, threads))}, the limit for work that is planned "
            f"to take {format_size(memory)}.",
            need=2 * memory,
        ) from error
    finally:
        resource.setrlimit(resource.RLIMIT_DATA, before)


def _wanted_too_much(error: BaseException | None) -> bool:
    """Whether an error says that there was no memory to be had, or comes from one that does."""
    while error is not None:
        if isinstance(error, MemoryError):
            return True
        if isinstance(error, cv2.error) and getattr(error, "code", 0) == cv2.Error.StsNoMem:
            return True
        error = error.__cause__ or error.__context__
    return False


def _finite(limit: int) -> float:
    return float("inf") if limit == resource.RLIM_INFINITY else limit


def _kilobytes(file: Path, name: str) -> int:
    """The entry of that name, in bytes; 0 if there is none."""
    try:
        lines = file.read_text(encoding="ascii").splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) << 10 for line in lines if line.startswith(f"{name}:")), 0)
