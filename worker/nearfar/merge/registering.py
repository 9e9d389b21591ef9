"""The register step on surveyed frames: what registration needs of a frame, and its result as JSON under a key."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import StackRefused
from nearfar.merge.kernel.bend import Bend
from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.keys import key
from nearfar.merge.noise import WHITE
from nearfar.merge.recipe import Recipe
from nearfar.merge.register import Bent, FramePose, Registration, Share, Tuning, register
from nearfar.merge.register.blocked import colour_places, covered_frames
from nearfar.merge.register.blocked import why as covered_why
from nearfar.merge.register.misfired import misfired_frames
from nearfar.merge.register.misfired import why as misfired_why
from nearfar.merge.scratch import Scratch
from nearfar.merge.survey import MappedFrame, Surveyed
from nearfar.merge.surveyed_stack import SurveyedStack

VERSION = 18
IF_NOT = 'if that was a shadow or a cloud, other_light = "keep" in the table [register] of the recipe uses it'


@dataclass(frozen=True, kw_only=True)
class SurveyedView:
    """A surveyed frame as registration sees it; grids are read from scratch at each access."""

    frame: Surveyed
    number: int
    scratch: Scratch
    mapped: Pixels
    noise: tuple[float, float, float]
    touch: Callable[[], None]

    @property
    def name(self) -> str:
        """File name."""
        return self.frame.header.path.name

    @property
    def small(self) -> NDArray[np.uint16]:
        """Linear-light luma, (h // 4, w // 4), means of 4 x 4 pixels, 65535 for 1."""
        return self.scratch.load(self.frame.key, "survey", "small")[0]

    @property
    def energy(self) -> NDArray[np.float32]:
        """Energy of each luma band per cell, (3, R, C), finest band first."""
        return self.scratch.load(self.frame.key, "survey", "energy")[0]

    @property
    def pixels(self) -> Pixels:
        """Full-size pixels. Asked for once per link, so mapped pages are given back then if memory is short."""
        self.touch()
        return self.mapped

    @property
    def light(self) -> NDArray[np.float32]:
        """Table from a sample to linear light, 256 or 65536 entries."""
        return self.mapped.table


def register_key(surveys: Sequence[str], recipe: Recipe, reference: int | None) -> str:
    """Key of a stack's registration."""
    params = {"register": recipe.register, "noise": recipe.render.noise, "reference": reference}
    return key("register", VERSION, params, surveys)


def register_stack(
    stack: SurveyedStack,
    mapped: Sequence[MappedFrame],
    *,
    reference: int | None,
    tick: Callable[[float], None],
    touch: Callable[[], None],
    share: Share | None = None,
) -> Registration:
    """Register a stack, and leave out those that turn out not to belong. See `nearfar.merge.register`.

    Parameters
    ----------
    mapped
        Pixels of all its frames.
    reference
        Place of the frame whose geometry the picture takes; None leaves the choice to registration.
    tick
        Given the share done, 0..1.
    touch
        Called before pixels of a frame are read.
    share
        If other processes register the same stack: how they divide the work.

    Raises
    ------
    StackRefused
        The frame that was to give the picture its geometry does not belong.
    """
    noise, recipe, threads = stack.noise, stack.recipe, stack.threads
    variance = noise.variance[len(noise.variance) // 2]
    per_band = [float(variance * WHITE[b] * noise.bands[b]) for b in range(3)]
    floor = (per_band[0], per_band[1], per_band[2])
    views = [
        SurveyedView(frame=f, number=k, scratch=stack.scratch, mapped=m.pixels, noise=floor, touch=touch)
        for k, (f, m) in enumerate(zip(stack.frames, mapped, strict=True))
    ]
    tuning = Tuning(belong_likeness=recipe.register.same_scene, bend=recipe.register.bend)
    found = register(
        views, size=stack.size, reference=reference, tuning=tuning, tick=tick, threads=threads, share=share
    )
    odd = _odd_ones(found, views, threads) if recipe.register.other_light == "leave-out" else {}
    if reference in odd:
        raise StackRefused(
            f"{views[reference].name} was to give the picture its geometry, but is left out: {odd[reference]}. "
            "Or choose another reference frame."
        )
    if odd:
        kept = [k for k in range(len(views)) if k not in odd]
        again = register(
            [views[k] for k in kept],
            size=stack.size,
            reference=None if reference is None else kept.index(reference),
            tuning=tuning,
            tick=tick,
            threads=threads,
        )
        found = _without(again, kept, found, odd)
    if recipe.register.repeats == "keep-one":
        found = _without_repeats(found, [v.name for v in views])
    if recipe.register.gains:
        return found
    return replace(found, frames=tuple(replace(f, gain_ev=0.0) for f in found.frames))


def _odd_ones(found: Registration, views: Sequence[SurveyedView], threads: int) -> dict[int, str]:
    """Places of frames that could be lined up but do not belong, with the reason and what to do if it is none."""
    misfired = misfired_frames(found.frames)
    lit_alike = [replace(f, used=f.used and k not in misfired) for k, f in enumerate(found.frames)]
    unit = np.float32(1 / 65535)
    covered = covered_frames(
        lit_alike,
        lambda place: views[place].small.astype(np.float32) * unit,
        lambda place: colour_places(views[place].pixels),
        threads,
    )
    reasons = {
        **{k: covered_why(share) for k, share in covered.items()},
        **{k: misfired_why(apart) for k, apart in misfired.items()},
    }
    return {k: f"{why}; {IF_NOT}" for k, why in reasons.items()}


def _without(
    again: Registration, kept: Sequence[int], first: Registration, odd: Mapping[int, str]
) -> Registration:
    """The registration ``again`` of the frames ``kept``, with the ``odd`` ones put back in their places as left out."""
    frames = list(first.frames)
    for place, frame in zip(kept, again.frames, strict=True):
        frames[place] = frame
    for place, why in odd.items():
        frames[place] = replace(frames[place].left_out(why), repeats=None)
    bent = None if again.bent is None else replace(again.bent, place=kept[again.bent.place])
    return replace(again, reference=kept[again.reference], frames=tuple(frames), bent=bent)


def _without_repeats(found: Registration, names: Sequence[str]) -> Registration:
    """Leave out frames that repeat another one's focus: the later one, unless that is the reference."""
    frames = list(found.frames)
    for place, frame in enumerate(found.frames):
        if not frame.used or frame.repeats is None:
            continue
        why, out = f"repeats {frame.repeats}; the recipe keeps one", place
        if place == found.reference:
            why, out = f"is repeated by {names[place]}; the recipe keeps one", names.index(frame.repeats)
        frames[out] = frames[out].left_out(why)
    return replace(found, frames=tuple(frames))


def to_json(registration: Registration) -> dict[str, Any]:
    """A registration as a JSON object; `from_json` gives the same numbers back, bit for bit."""
    frames = [{**asdict(f), "pose": None if f.pose is None else f.pose.tolist()} for f in registration.frames]
    return {
        "reference": registration.reference,
        "frames": frames,
        "warnings": list(registration.warnings),
        "banded": registration.banded,
        "bent": None if registration.bent is None else asdict(registration.bent),
    }


def from_json(stored: dict[str, Any]) -> Registration:
    """Inverse of `to_json`."""
    frames = tuple(
        FramePose(
            **{
                **f,
                "pose": None if f["pose"] is None else np.array(f["pose"]),
                "bend": None if f["bend"] is None else Bend(**{k: _tuple(v) for k, v in f["bend"].items()}),
            }
        )
        for f in stored["frames"]
    )
    return Registration(
        reference=stored["reference"],
        frames=frames,
        warnings=tuple(stored["warnings"]),
        banded=stored["banded"],
        bent=None if stored["bent"] is None else Bent(**stored["bent"]),
    )


def _tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def nothing_goes_together(frames: Sequence[Surveyed], registration: Registration) -> str:
    """The message about a stack of which fewer than two frames show the same scene."""
    reasons = [
        f"{f.header.path.name}: {p.why}"
        for f, p in zip(frames, registration.frames, strict=True)
        if not p.used
    ]
    return (
        f"found {len(frames)} frames of which no two show the same scene; expected frames of one scene, each focused "
        f"a little further. {'; '.join(reasons[:5])}. Give the frames of one stack only."
    )
