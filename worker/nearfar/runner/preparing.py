"""Headers of a job's frames as its recipe wants them read: one development, and the dark and flat frames of their camera.

Every unit finds the same by itself, from the files.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from nearfar.frames.headers import FrameHeader, check_alike
from nearfar.merge.correcting import Masters, corrected, find_masters
from nearfar.merge.development import develop, needs_every
from nearfar.merge.scratch import Scratch
from nearfar.runner.loading import Frames, Task


def prepare_all(task: Task, scratch: Scratch, frames: Frames, order: Sequence[int]) -> tuple[Frames, Masters]:
    """All frames of the stack, whose places in the order in which they were taken are ``order``.

    Raises
    ------
    StackRefused, FrameRefused, RecipeRefused
        They differ, or the dark and flat frames do not go with them.
    """
    headers = develop([frames.headers[k] for k in order], task.recipe)
    check_alike(headers)
    return _with_masters(task, scratch, frames, order, headers)


def prepare_some(
    task: Task, scratch: Scratch, frames: Frames, check: Callable[[], None]
) -> tuple[Frames, Masters]:
    """Some frames of the stack; the others are asked if they decide. Raises as `prepare_all`, and `Refused`."""
    some = list(frames.headers.values())
    every = some
    if needs_every(some, task.recipe):
        whole = Frames.read(task, task.wanted(), check)
        every = [whole.headers[k] for k in whole.in_order()]
    headers = develop(some, task.recipe, every)
    return _with_masters(task, scratch, frames, list(frames.headers), headers)


def _with_masters(
    task: Task, scratch: Scratch, frames: Frames, places: Sequence[int], headers: Sequence[FrameHeader]
) -> tuple[Frames, Masters]:
    masters = find_masters(headers, task.recipe)
    made = corrected(headers, masters, scratch)
    return replace(frames, headers=dict(zip(places, made, strict=True))), masters
