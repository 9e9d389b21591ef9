"""The plan: threads, tiles and scratch for one stack, made before the first pixel is read and held to.

The figures are upper bounds of what each step was measured to take (tests/bench). What cannot fit is refused here,
with the limit that would do.
"""

from __future__ import annotations

import ctypes
import os
import resource
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from nearfar.errors import DoesNotFit
from nearfar.frames.headers import FrameHeader
from nearfar.merge.kernel.picture_calls import grid_shape, render_bytes
from nearfar.merge.survey import rows_bytes, survey_memory
from nearfar.settings import format_size

MIB = 1 << 20
LIBRARIES = 30 * MIB
"""What the libraries still grow by once they are used."""
SLACK = 24 * MIB
"""Kept free below the limit for mapped pages between two looks at the memory in use."""
MAPPED = 48 * MIB
"""Mapped pages of frames that a step should be able to hold without giving them back all the time."""
BLOCK_BUFFERS = 10 * MIB
"""A rendering thread's block: its pixels, its encoded tile and its half-size copy, twice."""
HELD = 160 * MIB
"""Beyond what the process takes anyway, up to so much is held while frames are mapped, if more is allowed: a page that
was given back is only mapped again."""
FEWEST_FRAMES = 8
"""Frames that a tile is planned for; tiles with more are made in smaller pieces."""
OTHER_FILES = 128
"""Files that a run has open besides its frames; many more than it needs."""
SPARE_DISK = 256 * MIB
"""Left free on every disk that is written to."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What the run may take. Bytes; ``ceiling`` is the resident size at which mapped pages are given back."""

    limit: int
    peak: int
    survey_threads: int
    threads: int
    tile: int
    work_limit: int
    ceiling: int
    scratch: int
    result: int
    least: int
    """Limit that would just do, with one thread."""


def resident() -> int:
    """Bytes of this process in memory now."""
    with open("/proc/self/statm", "rb") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def peak_resident() -> int:
    """The most that this process had in memory, from /proc (`ru_maxrss` would survive fork and exec)."""
    with open("/proc/self/status", encoding="ascii") as file:
        for line in file:
            if line.startswith("VmHWM"):
                return int(line.split()[1]) * 1024
    return resident()


def give_back_heap() -> None:
    """Return what the last step freed to the system (the C library keeps it otherwise)."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)


def allow_open_files(frames: int) -> None:
    """Raise this process's limit of open files (1024 is usual) where it would not do: a mapped frame holds one open.

    Raises
    ------
    DoesNotFit
        Where the system does not allow as many.
    """
    wanted = frames + OTHER_FILES
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY or soft >= wanted:
        return
    if hard != resource.RLIM_INFINITY and hard < wanted:
        raise DoesNotFit(
            f"{frames} frames: the system allows {hard} open files, {wanted} are needed. "
            f"Raise the limit (ulimit -n {wanted}), or leave out frames."
        )
    resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def make_plan(
    headers: Sequence[FrameHeader],
    *,
    limit: int,
    threads: int,
    tile: int,
    learned: bool = False,
    base: int | None = None,
) -> Plan:
    """Plan one stack.

    Parameters
    ----------
    headers
        Of all frames.
    limit
        Bytes of memory allowed.
    threads
        Threads allowed; fewer are planned where they would not fit.
    learned
        Whether the learned chooser takes part; it needs more memory.
    base
        Bytes that the process takes already; measured where not given.

    Raises
    ------
    DoesNotFit
        If not even one thread fits.
    """
    base = (resident() if base is None else base) + LIBRARIES
    first = headers[0]
    rows, cols = grid_shape(first.width, first.height)
    survey = max(survey_memory(h) for h in headers)
    focus = rows * cols * 4 * 24
    register = first.width * first.height // 16 * 4 * 12 + 24 * MIB
    least = render_bytes(tile, FEWEST_FRAMES, learned=learned)
    pyramid = 512 * first.width * 3 * 2 * 2
    steps: dict[str, Callable[[int], int]] = {
        "survey": lambda n: n * survey,
        "register": lambda n: register + n * 64 * MIB,
        "focus": lambda n: focus + n * rows * cols * 4 * 8,
        "render": lambda n: pyramid + MAPPED + n * (BLOCK_BUFFERS + least),
    }
    fit = {name: _threads_that_fit(each, limit - base - SLACK, threads) for name, each in steps.items()}
    enough = base + SLACK + max(each(1) for each in steps.values())
    if min(fit.values()) < 1:
        raise DoesNotFit(
            f"{len(headers)} frames of {first.width} x {first.height} pixels: {format_size(limit)} of memory is not "
            f"enough; the least that would do is {format_size(_rounded_up(enough))}. "
            f"Give --memory {_rounded_up(enough) // MIB}MiB or more.",
            need=_rounded_up(enough),
        )
    takes = {name: base + SLACK + each(fit[name]) for name, each in steps.items()}
    ceiling = min(limit - SLACK, max(takes["render"], takes["focus"], base + HELD))
    render = fit["render"]
    work = (limit - base - SLACK - pyramid - MAPPED) // render - BLOCK_BUFFERS
    pixels = first.width * first.height
    return Plan(
        limit=limit,
        peak=min(limit, max(ceiling + SLACK, *takes.values())),
        survey_threads=fit["survey"],
        threads=min(fit["render"], fit["focus"], fit["register"]),
        tile=tile,
        work_limit=max(work, least),
        ceiling=ceiling,
        scratch=sum(rows_bytes(h) for h in headers)
        + len(headers) * (rows * cols * (20 + 3) + pixels // 8)
        + pixels * 12,
        result=pixels * first.channels * 2 * 3 // 2,
        least=_rounded_up(enough),
    )


def _threads_that_fit(need: Callable[[int], int], room: int, threads: int) -> int:
    for count in range(threads, 0, -1):
        if need(count) <= room:
            return count
    return 0


def _rounded_up(size: int) -> int:
    return -(-size // (16 * MIB)) * 16 * MIB


def check_disk(plan: Plan, *, scratch: Path, there: int, out: Path) -> None:
    """Refuse before anything is written where the disks are too full.

    Parameters
    ----------
    scratch, out
        Folders of the scratch files and of the result.
    there
        Bytes of this run's scratch that are there already.

    Raises
    ------
    DoesNotFit
        With what is free, what is needed and where.
    """
    on_the_way = max(0, plan.scratch - there)
    elsewhere = "name a scratch folder on another disk with --scratch"
    if scratch.stat().st_dev == out.stat().st_dev:
        needs = [(scratch, on_the_way + plan.result, elsewhere)]
    else:
        needs = [(scratch, on_the_way, elsewhere), (out, plan.result, "give --out a place on another disk")]
    for folder, need, remedy in needs:
        free = shutil.disk_usage(folder).free
        if need + SPARE_DISK > free:
            raise DoesNotFit(
                f"{folder}: {format_size(free)} of disk are free, {format_size(need + SPARE_DISK)} are needed. "
                f"Make room there, or {remedy}."
            )
