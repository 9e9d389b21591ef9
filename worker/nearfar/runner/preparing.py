"""Headers of a job's frames with what the recipe asks for: one development, and the camera's dark and flat frames.

Every unit decides alike from the same files, so nothing has to be passed between units.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from nearfar.frames.headers import FrameHeader, check_alike
from nearfar.merge.development import develop
from nearfar.merge.scratch import Scratch
from nearfar.merge.sensor.correcting import Masters, corrected, find_masters
from nearfar.merge.turning import turned_alike
from nearfar.runner.loading import Frames, Task


def prepare_all(task: Task, scratch: Scratch, frames: Frames, order: Sequence[int]) -> tuple[Frames, Masters]:
    """Prepare all frames of the stack; ``order`` holds their places in the order in which they were taken.

    Raises
    ------
    StackRefused, FrameRefused, RecipeRefused
        The frames differ from each other, or the dark and flat frames do not fit them.
    """
    every = turned_alike([frames.headers[k] for k in order], task.reference)
    headers = develop(every, task.recipe)
    check_alike(headers)
    return _with_masters(task, scratch, frames, order, headers)


def prepare_some(
    task: Task, scratch: Scratch, frames: Frames, check: Callable[[], None]
) -> tuple[Frames, Masters]:
    """Prepare some frames of the stack; the headers of all of them decide. Raises as `prepare_all`, and `Refused`."""
    some = list(frames.headers.values())
    whole = Frames.read(task, task.wanted(), check)
    every = [whole.headers[k] for k in whole.in_order()]
    headers = develop(turned_alike(some, task.reference, every), task.recipe, every)
    return _with_masters(task, scratch, frames, list(frames.headers), headers)


def _with_masters(
    task: Task, scratch: Scratch, frames: Frames, places: Sequence[int], headers: Sequence[FrameHeader]
) -> tuple[Frames, Masters]:
    masters = find_masters(headers, task.recipe)
    made = corrected(headers, masters, scratch)
    return replace(frames, headers=dict(zip(places, made, strict=True))), masters
