"""The search for spots of the sensor on surveyed, registered frames, and its result as JSON under a key."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.focusing import bend_of, pose_of
from nearfar.merge.keys import key
from nearfar.merge.recipe import Recipe
from nearfar.merge.register import Registration, Share
from nearfar.merge.scratch import Scratch
from nearfar.merge.sensor import SensorFrame, Spots, find_spots
from nearfar.merge.survey import MappedFrame, Surveyed
from nearfar.merge.surveyed_stack import SurveyedStack

VERSION = 3
KIND = "spots"


def spots_key(register_key: str, recipe: Recipe) -> str:
    """Key of the spots found on a stack's sensor."""
    return key("spots", VERSION, {"look": recipe.sensor.spots, "noise": recipe.render.noise}, [register_key])


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
    def small() -> NDArray[np.float32]:
        (found,) = scratch.load(frame.key, "survey", "small")
        return found.astype(np.float32) * np.float32(1 / 65535)

    def energy() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        found, mean = scratch.load(frame.key, "survey", "energy", "mean")
        return found, mean

    return SensorFrame(
        pixels=mapped.pixels,
        pose=pose_of(registration, place),
        read_small=small,
        read_energy=energy,
        bend=bend_of(registration, place),
    )
