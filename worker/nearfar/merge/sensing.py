"""The search for spots of the sensor on surveyed, registered frames, and its result as JSON under a key."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial

from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.keys import key
from nearfar.merge.recipe import Recipe
from nearfar.merge.register import Registration, Share
from nearfar.merge.scratch import Scratch
from nearfar.merge.sensor import SensorFrame, Spots, find_spots, look_at
from nearfar.merge.survey import MappedFrame, Surveyed
from nearfar.merge.surveyed_stack import SurveyedStack

VERSION = 3
KIND = "spots"


def spots_key(register_key: str, recipe: Recipe) -> str:
    """Key of the spots found on a stack's sensor."""
    return key("spots", VERSION, {"look": recipe.sensor.spots, "noise": recipe.render.noise}, [register_key])


class Ahead:
    """What was found in frames while they were registered, as a `Share` with a thread of the same process."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, int], list[object]] = {}

    def order(self, count: int) -> Sequence[int]:
        """From the first piece to the last."""
        return range(count)

    def take(self, step: str, piece: int, kinds: Sequence[type]) -> list[object] | None:
        """What was found for a piece, or None."""
        del kinds
        return self._found.get((step, piece))

    def give(self, step: str, piece: int, found: object) -> None:
        """Keep what was found for a piece."""
        self._found[step, piece] = list(found) if isinstance(found, list) else [found]

    def all_linked(self) -> None:
        """Nothing: no other process waits for it."""


@contextmanager
def looking_ahead(stack: SurveyedStack, check: Callable[[], None]) -> Iterator[Ahead]:
    """Within the block a thread looks at frames that are laid out: where registration leaves a processor idle, that is free.

    It takes for granted that all frames will be used; if not, what it found is of no use.
    """
    ahead, over = Ahead(), threading.Event()

    def look() -> None:
        if not stack.recipe.sensor.spots or len({f.header.orientation for f in stack.frames}) > 1:
            return
        mapped: list[MappedFrame] = []

        def pixels(k: int) -> Pixels:
            mapped[:] = [MappedFrame(stack.frames[k])]
            return mapped[0].pixels

        def tick() -> None:
            mapped[0].forget()
            check()
            if over.is_set():
                raise _Over

        look_at(len(stack.frames), pixels, stack.noise, tick, 1, ahead)

    with ThreadPoolExecutor(1) as pool:
        pool.submit(look)  # should it fail, so will whoever looks for what is missing then
        try:
            yield ahead
        except BaseException:
            over.set()
            raise


class _Over(Exception):
    """Raised where nobody waits for more."""


def look_for_spots(
    stack: SurveyedStack,
    mapped: Sequence[MappedFrame],
    registration: Registration,
    *,
    relax: Callable[[], None],
    share: Share | None = None,
) -> Spots:
    """Search the used frames for hot and dead pixels and dust.

    Parameters
    ----------
    mapped
        Pixels of all frames of the stack.
    relax
        Called often; gives mapped pages back, and raises to stop.
    share
        If other processes search the same stack: how they divide the work.
    """
    used = registration.used
    if not stack.recipe.sensor.spots:
        return Spots(why_not="the recipe leaves them alone")
    if len({stack.frames[k].header.orientation for k in used}) > 1:
        return Spots(why_not="the camera was turned between the frames")
    views = [_view(stack.scratch, stack.frames[k], mapped[k], registration, k) for k in used]
    return find_spots(views, stack.noise, relax, stack.threads, share)


def _view(
    scratch: Scratch, frame: Surveyed, mapped: MappedFrame, registration: Registration, place: int
) -> SensorFrame:
    return SensorFrame(
        pixels=mapped.pixels,
        pose=registration.pose_at(place),
        read_small=partial(frame.light, scratch),
        read_energy=partial(frame.energies, scratch),
        bend=registration.frames[place].bend,
    )
