"""What a person should know of a plan: what will be soft, what will be hard to do, and what habit says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from nearfar.bracket import units
from nearfar.bracket.model import Bracket

HABIT = "(common practice, no source)"
FINE_STEP = 0.002
"""Steps in mm below which a screw turned by hand does not go (common practice, no source)."""


def remarked(plan: Bracket) -> Bracket:
    """The plan with its warnings and remarks."""
    return replace(plan, warnings=tuple(_warnings(plan)), remarks=tuple(_remarks(plan)))


def _warnings(plan: Bracket) -> Iterator[str]:
    c = plan.criterion
    if c is not None and plan.airy_um > 1000 * c.size:
        yield (
            f"diffraction alone blurs to {plan.airy_um:.1f} µm, more than the {1000 * c.size:.1f} µm that pass for sharp: "
            "open the aperture"
        )
    if plan.moves != "ring" and plan.step < FINE_STEP:
        yield f"steps of {units.show_length(plan.step)} need a motor or a fine drive {HABIT}"
    if plan.moves == "rail" and plan.asked.focal is not None:
        distance = plan.asked.focal * (1 + 1 / (plan.asked.magnification or 1.0))
        if plan.asked.subject_depth() > 0.1 * distance:
            yield (
                "the subject is deep against its distance: magnification changes along it, and a rail moves the viewpoint; "
                "a bracket with the focus ring (--near, --far) may line up better"
            )


def _remarks(plan: Bracket) -> Iterator[str]:
    if plan.moves == "ring":
        yield "distances are those of a thin lens from its front; marks count from the sensor, as focus scales do"
        yield (
            "turn the ring the same way through the whole bracket, so that its play does not matter " + HABIT
        )
    else:
        yield (
            "come to the first frame from the side that the travel comes from, so that play does not matter "
            + HABIT
        )
    yield "one or two spare frames at either end cost little and save a shoot " + HABIT
    if plan.asked.pixels is None and plan.asked.frame_bytes is None:
        yield "card space is not known; give --pixels or --bytes-per-frame"
    n = plan.asked.f_number
    if n is not None and n > 16:
        yield f"beyond f/16 diffraction softens the whole picture {HABIT}"
    elif n is not None and n < 5.6 and plan.moves == "ring":
        yield f"most lenses are sharpest from f/8 to f/11 {HABIT}"
