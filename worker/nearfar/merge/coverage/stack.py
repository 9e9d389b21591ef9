"""The search for missing slices on surveyed, registered frames, and its result as JSON under a key."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from nearfar.errors import NotCovered
from nearfar.merge.coverage.find import CoverageFrame, find_coverage
from nearfar.merge.coverage.result import Coverage
from nearfar.merge.focusing import view_of
from nearfar.merge.keys import key
from nearfar.merge.recipe import Recipe
from nearfar.merge.register import Registration
from nearfar.merge.surveyed_stack import SurveyedStack

VERSION = 6


def coverage_key(register_key: str, names: Sequence[str], recipe: Recipe) -> str:
    """Key of a stack's coverage."""
    settings = recipe.coverage
    params = {"detail": settings.detail, "stage_step_um": settings.stage_step_um}
    return key("coverage", VERSION, {**params, "names": names, "noise": recipe.render.noise}, [register_key])


def cover_stack(
    stack: SurveyedStack, name: str, registration: Registration, *, tick: Callable[[float], None]
) -> Coverage:
    """Coverage of the used frames, from scratch if it is there under ``name``; ``tick`` is given the share done, 0..1.

    Raises
    ------
    NotCovered
        Something is missing and the recipe asks for such a stack to be held.
    """
    scratch = stack.scratch
    stored = scratch.load_text(name, "coverage")
    if stored is None:
        views = [_view(stack, registration, k) for k in registration.used]
        found = find_coverage(
            views,
            size=stack.size,
            noise=stack.noise,
            recipe=stack.recipe.coverage,
            threads=stack.threads,
            tick=tick,
        )
        scratch.save_text(name, "coverage", found.as_json())
    else:
        found = Coverage.from_json(stored)
    reasons = found.to_hold()
    if stack.recipe.coverage.when == "hold" and reasons:
        raise NotCovered(
            f"{'; '.join(reasons)}. The recipe holds such stacks: add what is missing, or merge what there is with "
            'coverage.when = "warn"'
        )
    return found


def _view(stack: SurveyedStack, registration: Registration, place: int) -> CoverageFrame:
    header = stack.frames[place].header
    return CoverageFrame(
        name=header.path.name,
        view=view_of(stack, registration, place),
        sigma=registration.frames[place].sigma,
        camera=header.camera,
    )
