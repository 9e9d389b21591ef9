"""Registration: where each frame lies against the others, how bright it is, and whether it belongs at all.

Links between near neighbours, first on reduced pictures, then on the full-size blocks that are sharp in both; one
adjustment of all poses; a confidence for each frame.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from nearfar.errors import StackRefused
from nearfar.merge.register.model import Bent, FramePose, FrameView, Registration
from nearfar.merge.register.sliding import Crew, Share
from nearfar.merge.register.stack import StackRegistration
from nearfar.merge.register.tuning import Tuning

__all__ = ["Bent", "FramePose", "FrameView", "Registration", "Share", "Tuning", "register"]


def register(
    frames: Sequence[FrameView],
    *,
    size: tuple[int, int],
    reference: int | None = None,
    tuning: Tuning | None = None,
    tick: Callable[[float], None] | None = None,
    threads: int = 1,
    share: Share | None = None,
) -> Registration:
    """Register the frames of one stack.

    Parameters
    ----------
    frames
        In the order of the sequence.
    size
        (width, height) of every frame.
    reference
        Place in ``frames`` whose geometry the picture takes; None for the middle one of those that are used.
    tuning
        Settings; None for the defaults.
    tick
        Called with the share done, 0..1.
    threads
        How many threads work at links; results do not depend on it.
    share
        Where other processes register the same frames at this moment: how they share the work.

    Raises
    ------
    StackRefused
        If no two frames show the same scene, or the reference goes with no other frame.
    """
    if not frames:
        raise StackRefused("there is no frame to register")
    crew = Crew(threads, share)
    try:
        return StackRegistration(
            frames, size=size, tuning=tuning or Tuning(), crew=crew, tick=tick or (lambda share: None)
        ).run(reference)
    finally:
        crew.close()
