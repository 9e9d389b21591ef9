"""Running a job again with something changed, as a new job: what the change does not touch is not computed again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from nearfar.errors import StackRefused, UsageError
from nearfar.jobs import ACCEPTED, FrameEntry, FrameState, Store, Submission, Submitted
from nearfar.runner.planning import OTHER_LIGHT, SET_ASIDE, check_settings
from nearfar.runner.weights import first_units


def again(
    store: Store,
    job_id: int,
    *,
    recipe: str | None = None,
    settings: Mapping[str, Any] | None = None,
    leave_out: Sequence[str] = (),
    use: Sequence[str] = (),
    who: str,
) -> Submitted:
    """Run a job again with something changed.

    Parameters
    ----------
    recipe
        Name of another recipe; the text of an earlier one is then forgotten.
    settings
        What is to be changed in the old job's settings; None as a value takes a setting back.
    leave_out
        Names of further frames that are not to be used.
    use
        Names of frames that are to be used though they were left out, also if their light is another one.

    Raises
    ------
    NotFound, UsageError, RecipeRefused
    """
    old = store.job(job_id)
    entries = store.frames(job_id)
    chosen = {name: value for name, value in old.settings.items() if name != ACCEPTED}
    if recipe is not None:
        chosen.pop("recipe_toml", None)
    chosen |= dict(settings or {})
    names = [Path(e.path).name for e in entries]
    _leave_out(chosen, names, leave_out)
    _use(chosen, names, use)
    chosen = {name: value for name, value in chosen.items() if value is not None}
    name = recipe or old.recipe
    check_settings(name, chosen)
    frames = tuple(_anew(entry, job_id) for entry in entries)
    units, weights = first_units([(e.path, e.size) for e in frames])
    made = Submission(
        stack=old.stack,
        owner=old.owner,
        frames=frames,
        units=units,
        sources=old.sources,
        recipe=name,
        settings=chosen,
        priority=old.priority,
        weights=weights,
        digest=old.digest,
    )
    return store.submit_again(job_id, made, who=who)


def _leave_out(chosen: dict[str, Any], names: Sequence[str], more: Sequence[str]) -> None:
    left = list(dict.fromkeys([*(chosen.get("leave_out") or ()), *more]))
    unknown = [name for name in left if name not in names]
    if unknown:
        raise UsageError(f"leave_out: no frame is called {unknown[0]!r}; there are {_some(names)}")
    if left and len(names) - len(left) < 2:
        raise StackRefused(
            f"of {len(names)} frames {len(left)} are to be left out; expected that at least two stay"
        )
    if left:
        chosen["leave_out"] = left


def _use(chosen: dict[str, Any], names: Sequence[str], use: Sequence[str]) -> None:
    unknown = [name for name in use if name not in names]
    if unknown:
        raise UsageError(f"use: no frame is called {unknown[0]!r}; there are {_some(names)}")
    if use:
        chosen[OTHER_LIGHT] = "keep"
        chosen["leave_out"] = [name for name in chosen.get("leave_out") or () if name not in use] or None
    aside = chosen.get(SET_ASIDE) or {}
    left = set(chosen.get("leave_out") or ())
    chosen[SET_ASIDE] = {name: why for name, why in aside.items() if name in left} or None


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:6]) + (" ..." if len(names) > 6 else "")


def _anew(entry: FrameEntry, job: int) -> FrameEntry:
    """A frame of an older job, as nothing were known of it but its bytes."""
    if entry.state is FrameState.EXPECTED:
        raise UsageError(f"frame {entry.path} of job {job} never arrived; wait until all frames are here")
    inside = not Path(entry.path).is_absolute() and "/" not in entry.path
    path = f"{job}/{entry.path}" if inside else entry.path
    return replace(entry, path=path, state=FrameState.PRESENT, reason=None)
