"""The plan: threads, tiles and scratch for one stack, made before the first pixel is read, and kept to.

The figures are upper bounds of what each step was measured to take (tests/bench). A stack that cannot fit is refused here,
with the limit that would be enough.
"""

from __future__ import annotations

import resource
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from nearfar.errors import DoesNotFit
from nearfar.frames.headers import FrameHeader
from nearfar.merge.kernel.picture_calls import grid_shape, render_bytes
from nearfar.merge.memory import resident
from nearfar.merge.survey import rows_bytes, survey_memory
from nearfar.settings import format_size

MIB = 1 << 20
LIBRARIES = 30 * MIB
"""Bytes by which the libraries still grow once they are used."""
SLACK = 24 * MIB
"""Bytes kept free below the limit, for pages that are mapped between two checks of the memory in use."""
MAPPED = 48 * MIB
"""Bytes of mapped frames that a step should be able to hold without giving them back all the time."""
BLOCK_BUFFERS = 10 * MIB
"""Bytes of a rendering thread's block: its pixels, its encoded tile and its half-size copy, twice."""
HELD = 160 * MIB
"""Bytes that may be held while frames are mapped, beyond what the process takes anyway, even if the limit allows more: a
page that was given back is only mapped again."""
MOST_WORK = 64 * MIB
"""Working memory of a rendering thread, with which 30 frames meet in a tile of 256; more than that is made in pieces."""
FEWEST_FRAMES = 8
"""Frames that the memory of a tile is planned for; tiles with more frames are made in smaller pieces."""
OTHER_FILES = 128
"""Files that a run may have open besides its frames; many more than it needs."""
SPARE_DISK = 256 * MIB
"""Bytes that are left free on a disk that is written to, at most: a small picture asks for less (`_spare`)."""
LEAST_SPARE = 8 * MIB
"""The same for next to nothing; files that cannot be compressed at all were a tenth larger than planned."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a run may take. All sizes are in bytes."""

    limit: int
    """Memory that was allowed."""
    peak: int
    """The most memory that is expected to be in use."""
    survey_threads: int
    """Threads that decode frames."""
    threads: int
    """Threads of all other steps."""
    tile: int
    """Edge of a tile of the kernel, pixels."""
    work_limit: int
    """Working memory of one rendering thread."""
    ceiling: int
    """Resident size at which mapped pages are given back."""
    held: int = 0
    """What may be held in memory from coverage to focus, besides what the focus step needs."""
    scratch: int
    """Space that intermediate files take."""
    result: int
    """Space that the picture and its side files take."""
    least: int
    """The smallest limit that would be enough, with one thread."""


def allow_open_files(frames: int) -> None:
    """Raise this process's limit of open files, usually 1024, if it is too low: each mapped frame needs one.

    Raises
    ------
    DoesNotFit
        The system does not allow as many.
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
    """Make the plan of one stack.

    Parameters
    ----------
    headers
        Of all frames.
    limit
        Bytes of memory allowed.
    threads
        Threads allowed; fewer are planned if they would not fit.
    learned
        Whether the learned chooser takes part; it needs more memory.
    base
        Bytes that the process takes already; measured if not given.

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
    work = max(least, min(MOST_WORK, (limit - base - SLACK - pyramid - MAPPED) // render - BLOCK_BUFFERS))
    takes["tiles"] = takes["render"] + render * (work - least)
    pixels = first.width * first.height
    tables = (1 << 16) * 4 if first.bits == 16 else 0
    return Plan(
        limit=limit,
        peak=min(limit, max(ceiling + SLACK, *takes.values())),
        survey_threads=fit["survey"],
        threads=min(fit["render"], fit["focus"], fit["register"]),
        tile=tile,
        work_limit=work,
        ceiling=ceiling,
        held=max(0, ceiling - takes["focus"]),
        scratch=sum(rows_bytes(h) for h in headers)
        + len(headers) * (rows * cols * (20 + 3) + pixels // 8 + tables)
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
    """Refuse the stack if a disk is too full, before anything is written.

    Parameters
    ----------
    scratch, out
        Folders of the scratch files and of the result.
    there
        Bytes of this run's scratch that are there already.

    Raises
    ------
    DoesNotFit
        The message says what is free, what is needed and where.
    """
    on_the_way = max(0, plan.scratch - there)
    elsewhere = "name a scratch folder on another disk with --scratch"
    if scratch.stat().st_dev == out.stat().st_dev:
        needs = [(scratch, on_the_way + plan.result, elsewhere)]
    else:
        needs = [(scratch, on_the_way, elsewhere), (out, plan.result, "give --out a place on another disk")]
    for folder, need, remedy in needs:
        free = shutil.disk_usage(folder).free
        wanted = need + _spare(need)
        if wanted > free:
            raise DoesNotFit(
                f"{folder}: {format_size(free)} of disk are free, {format_size(wanted)} are needed. "
                f"Make room there, or {remedy}."
            )


def _spare(need: int) -> int:
    """Bytes to leave free on a disk beside so many that are planned for."""
    return min(SPARE_DISK, LEAST_SPARE + need // 8)
