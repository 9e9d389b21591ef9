"""The form of a plan: its fields, what stands in them, and which of them a refusal is about."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from nearfar.bracket import Bracket, plan_bracket
from nearfar.bracket.shoot import BITS_PER_PIXEL
from nearfar.bracket.written import shoot_of
from nearfar.errors import UsageError

WAYS = {"ring": "the focus ring", "rail": "a rail", "stage": "a microscope's stage"}
"""What moves between frames."""
LONGEST = 60
"""Characters of a field."""


@dataclass(frozen=True, kw_only=True)
class Field:
    """``ways``: that it belongs to; empty: all. ``choices``: value and words, if it is no free text."""

    name: str
    label: str
    usual: str = ""
    hint: str = ""
    ways: tuple[str, ...] = ()
    choices: Mapping[str, str] | None = None


FIELDS = (
    Field(name="focal", label="Focal length", usual="24mm", ways=("ring",)),
    Field(name="magnification", label="Magnification", usual="1:1", hint="1, 2.5x or 1:2", ways=("rail",)),
    Field(name="objective", label="Objective", usual="10/0.28", hint="as engraved", ways=("stage",)),
    Field(name="f_number", label="Aperture", usual="f/8", ways=("ring", "rail")),
    Field(name="near", label="Nearest point", usual="40cm", hint="mm, cm, m, ft or in", ways=("ring",)),
    Field(name="far", label="Farthest point", usual="inf", hint="or inf", ways=("ring",)),
    Field(name="depth", label="Depth of the subject", usual="5mm", ways=("rail", "stage")),
    Field(name="sensor", label="Sensor", usual="full-frame", hint="a name, or 36x24 in mm"),
    Field(name="pixels", label="Pixels", usual="6000x4000"),
)
"""What is always asked."""
MORE = (
    Field(
        name="criterion",
        label="Sharp means",
        usual="modern",
        hint="or 2px, or 30um",
    ),
    Field(name="overlap", label="Overlap", usual="30%"),
    Field(
        name="ends",
        label="Outer frames",
        usual="auto",
        choices={
            "auto": "as usual for what moves",
            "covered": "hold the ends in their depth of field",
            "focused": "are focused on the ends",
        },
    ),
    Field(
        name="origin",
        label="Distances run from",
        usual="lens",
        ways=("ring",),
        choices={"lens": "the front of the lens", "sensor": "the sensor, as on focus scales"},
    ),
    Field(
        name="pupil_ratio", label="Pupil ratio", usual="1", hint="exit over entrance", ways=("ring", "rail")
    ),
    Field(name="index", label="Refractive index", usual="1", hint="1.515 for oil", ways=("stage",)),
    Field(
        name="convention",
        label="Depth of field",
        usual="step",
        ways=("stage",),
        choices={"step": "n λ / NA²", "wave": "n λ / (2 NA²)"},
    ),
    Field(name="wavelength", label="Light", usual="0.55um"),
    Field(name="exposure", label="Exposure", usual="1/60"),
    Field(name="settle", label="Rest before each frame", usual="1s"),
    Field(name="recycle", label="Flash needs", usual="0"),
    Field(
        name="file",
        label="File",
        usual="raw14",
        choices=dict(
            zip(
                BITS_PER_PIXEL,
                ("raw, 12 bit", "raw, 14 bit", "JPEG", "TIFF, 8 bit", "TIFF, 16 bit"),
                strict=True,
            )
        ),
    ),
)
"""What most leave as it is."""
ALL = (*FIELDS, *MORE)
LABELS = {"--f": "Aperture"} | {f"--{field.name.replace('_', '-')}": field.label for field in ALL}
OPTION = re.compile(r"--[a-z]+(?:-[a-z]+)*")


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What stands in the form."""

    way: str
    values: Mapping[str, str]

    def value(self, field: Field) -> str:
        """Value of a field; the default if nothing was sent."""
        return self.values.get(field.name, field.usual)

    def plan(self) -> Bracket:
        """The plan. Raises `UsageError`, in the words of the form."""
        written: dict[str, str | None] = {
            field.name: self.value(field) or None for field in ALL if not field.ways or self.way in field.ways
        }
        try:
            return plan_bracket(shoot_of(written))
        except UsageError as error:
            raise UsageError(OPTION.sub(_label, str(error))) from error
        except (ArithmeticError, ValueError) as error:
            raise UsageError(
                f"these figures lead nowhere ({error}); give ones that equipment can have"
            ) from error

    def wrong(self, why: str) -> str:
        """The name of the field that a refusal names first; empty if it names none."""
        found = [(why.find(f"“{field.label}”"), field.name) for field in ALL]
        return min((pair for pair in found if pair[0] >= 0), default=(0, ""))[1]


def asked_by(query: Mapping[str, str]) -> Asked:
    """What was sent; too long a text is cut, which no sensible one is."""
    way = query.get("way", "")
    known = {field.name for field in ALL}
    return Asked(
        way=way if way in WAYS else "ring",
        values={name: text.strip()[:LONGEST] for name, text in query.items() if name in known},
    )


def _label(found: re.Match[str]) -> str:
    return f"“{LABELS[found[0]]}”" if found[0] in LABELS else found[0]
