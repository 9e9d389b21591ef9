"""Memory of this process: what it takes, and what the C library keeps of what was freed."""

from __future__ import annotations

import ctypes
import functools
import os

TRIM_THRESHOLD, MMAP_THRESHOLD, ARENA_MAX = -1, -3, -8
"""Of mallopt, malloc.h."""
OWN_MAPPING = 8 << 20
"""Bytes from which an array gets a mapping of its own, which goes back to the system when it is freed."""
MOST_KEPT = 16 << 20
"""Freed bytes that the C library may keep at the end of its heap."""


def resident() -> int:
    """Resident memory of this process now, bytes."""
    with open("/proc/self/statm", "rb") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def peak_resident() -> int:
    """The largest resident memory of this process so far, bytes; from /proc, since ``ru_maxrss`` survives fork and exec."""
    with open("/proc/self/status", encoding="ascii") as file:
        for line in file:
            if line.startswith("VmHWM"):
                return int(line.split()[1]) * 1024
    return resident()


def give_back_heap() -> None:
    """Return freed memory to the system, which the C library would otherwise keep."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)


@functools.cache
def keep_heap_small() -> None:
    """Let the C library keep little of what is freed.

    Left alone, glibc has a heap for each thread, of which `give_back_heap` gives back only what lies between other things,
    and raises both thresholds with the largest array that was freed, up to 32 and 64 MiB.
    """
    option = getattr(ctypes.CDLL(None), "mallopt", None)
    if option is not None:
        option(ARENA_MAX, 1)
        option(MMAP_THRESHOLD, OWN_MAPPING)
        option(TRIM_THRESHOLD, MOST_KEPT)
