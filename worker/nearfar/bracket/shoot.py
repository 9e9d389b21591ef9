"""What is asked of a plan: the equipment, the subject, and what counts as sharp."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, fields
from typing import Any, Literal

from nearfar import optics
from nearfar.bracket import units
from nearfar.errors import UsageError

Moves = Literal["ring", "rail", "stage"]
"""What moves between frames: the focus ring, a rail that carries the camera, or a microscope's stage."""
Ends = Literal["auto", "covered", "focused"]
Origin = Literal["lens", "sensor"]

BITS_PER_PIXEL = {"raw12": 12.0, "raw14": 14.0, "jpeg": 4.0, "tiff8": 24.0, "tiff16": 48.0}
"""On the card. Raw without compression, which most cameras better by a third; JPEG at a high quality
(common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Criterion:
    """The blur that still passes for sharp: diameter on the sensor in mm, and which convention says so."""

    name: str
    size: float
    text: str


@dataclass(frozen=True, kw_only=True)
class Shoot:
    """Everything that a plan starts from. Lengths in mm, times in seconds; None is not given.

    ``sensor``: width, height. ``pixels``: width, height. ``near``, ``far``: distances from the lens's front principal
    plane, or from the sensor with ``origin``; ``far`` may be infinite. ``depth``: of the subject, for rail and stage.
    ``criterion``: ``traditional`` (diagonal / 1000), ``modern`` (diagonal / 1500), ``2px``, or a length like ``30um``.
    ``ends``: whether both ends of the subject lie within the outer frames' depth of field (``covered``), or in the
    middle of it (``focused``); ``auto`` is the first with a focus ring and the second otherwise.
    ``convention``: of the depth of field of a microscope objective, as in `optics.microscope_depth_um`.
    """

    sensor: tuple[float, float] | None = None
    pixels: tuple[int, int] | None = None
    pitch: float | None = None
    focal: float | None = None
    f_number: float | None = None
    near: float | None = None
    far: float | None = None
    origin: Origin = "lens"
    depth: float | None = None
    magnification: float | None = None
    pupil_ratio: float = 1.0
    numerical_aperture: float | None = None
    index: float = 1.0
    wavelength_um: float = optics.GREEN_UM
    convention: Literal["step", "wave"] = "step"
    overlap: float = 0.3
    criterion: str = "modern"
    ends: Ends = "auto"
    exposure: float = 0.0
    settle: float = 0.0
    recycle: float = 0.0
    file: str = "raw14"
    frame_bytes: int | None = None

    def __post_init__(self) -> None:
        for name in ("pitch", "focal", "f_number", "near", "far", "depth", "magnification", "frame_bytes"):
            self._above_zero(name, getattr(self, name), endless=name == "far")
        for name in ("pupil_ratio", "numerical_aperture", "index", "wavelength_um"):
            self._above_zero(name, getattr(self, name))
        for name in ("exposure", "settle", "recycle"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise UsageError(f"{name} is {value}; expected seconds, zero or more")
        for pair in (self.sensor, self.pixels):
            if pair is not None and not all(math.isfinite(v) and v > 0 for v in pair):
                raise UsageError(f"{pair[0]} x {pair[1]}: expected a width and a height above zero")
        if not 0 <= self.overlap < 1:
            raise UsageError(f"overlap is {self.overlap}; expected a share from 0 to below 1")
        for name, allowed in CHOICES.items():
            if getattr(self, name) not in allowed:
                raise UsageError(f"{name} is {getattr(self, name)!r}; expected one of {', '.join(allowed)}")

    @staticmethod
    def _above_zero(name: str, value: float | None, *, endless: bool = False) -> None:
        if value is not None and not (
            (math.isfinite(value) or (endless and value == math.inf)) and value > 0
        ):
            raise UsageError(f"{name} is {value}; expected a number above zero")

    @property
    def moves(self) -> Moves:
        """What moves, by what is given."""
        if self.numerical_aperture is not None:
            return "stage"
        return "rail" if self.magnification is not None else "ring"

    @property
    def pixel(self) -> float | None:
        """Distance of pixels on the sensor, mm, if it can be known."""
        if self.pitch is not None:
            return self.pitch
        if self.sensor is None or self.pixels is None:
            return None
        return self.sensor[0] / self.pixels[0]

    def subject_depth(self) -> float:
        """Depth of the subject in mm, for rail and stage."""
        if self.depth is not None:
            return self.depth
        if self.near is not None and self.far is not None and self.near < self.far < math.inf:
            return self.far - self.near
        raise UsageError("the depth of the subject is missing; give --depth, like --depth 12mm")

    def to_json(self) -> dict[str, Any]:
        """As JSON; infinity is the text ``'inf'``."""
        return {f.name: plain(getattr(self, f.name)) for f in fields(self)}

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> Shoot:
        """Inverse of `to_json`; what is not known is refused."""
        unknown = set(stored) - {f.name for f in fields(cls)}
        if unknown:
            raise UsageError(f"{', '.join(sorted(unknown))}: not known in a plan of this version of Nearfar")
        values = {name: back(value) for name, value in stored.items()}
        try:
            return cls(**values)
        except TypeError as error:
            raise UsageError(f"the plan's 'asked' holds a value of the wrong kind: {error}") from error


CHOICES: dict[str, tuple[str, ...]] = {
    "origin": ("lens", "sensor"),
    "ends": ("auto", "covered", "focused"),
    "convention": ("step", "wave"),
    "file": tuple(BITS_PER_PIXEL),
}


def plain(value: Any) -> Any:
    """A value as JSON has it: infinity as text, pairs as lists."""
    if isinstance(value, float) and math.isinf(value):
        return "inf"
    return list(value) if isinstance(value, tuple) else value


def back(value: Any) -> Any:
    """Inverse of `plain`."""
    if value == "inf":
        return math.inf
    return tuple(value) if isinstance(value, list) else value


def criterion_of(shoot: Shoot) -> Criterion:
    """The circle of confusion that ``shoot.criterion`` means.

    Raises
    ------
    UsageError
        If the sensor or the pixels that it needs are not given, or it is no convention and no length.
    """
    text = shoot.criterion.strip().casefold()
    if text in ("traditional", "modern"):
        if shoot.sensor is None:
            raise UsageError(
                f"the criterion {text!r} is a share of the sensor's diagonal; give --sensor, like --sensor 36x24, or a "
                "length as --criterion, like 30um"
            )
        kind: optics.Confusion = "modern" if text == "modern" else "traditional"
        size = optics.circle_of_confusion(*shoot.sensor, kind)
        divisor = optics.CONFUSION_DIVISORS[kind]
        return Criterion(
            name=text, size=size, text=f"{text}: diagonal / {divisor:.0f} = {units.show_length(size)}"
        )
    found = re.fullmatch(r"(\d+(?:\.\d*)?|\.\d+)?\s*(?:px|pixels?)", text)
    if found is None:
        size = units.length(shoot.criterion, "--criterion")
        return Criterion(
            name="length", size=size, text=f"circle of confusion {units.show_length(size)}, as given"
        )
    if shoot.pixel is None:
        raise UsageError(
            f"the criterion {text!r} needs the pixels' size; give --sensor and --pixels, or --pitch, like --pitch 4um"
        )
    count = float(found[1] or 1)
    if not count > 0:
        raise UsageError(f"the criterion {text!r} is nothing; expected pixels above zero, like 2px")
    size = count * shoot.pixel
    return Criterion(
        name="pixels",
        size=size,
        text=f"{count:g} pixels of {units.show_length(shoot.pixel)} = {units.show_length(size)}",
    )
