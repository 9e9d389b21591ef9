"""What a photographer writes, as numbers: ``100mm``, ``24x36``, ``10/0.28``, ``30%``, ``f/8``, ``1/60``."""

from __future__ import annotations

import math
import re

from nearfar.errors import UsageError

LENGTHS = {"m": 1000.0, "cm": 10.0, "mm": 1.0, "um": 0.001, "ft": 304.8, "in": 25.4, "nm": 1e-6}
"""Millimetres in each unit; foot and inch by the agreement of 1959."""
_OTHER_NAMES = {"µm": "um", "μm": "um", "micron": "um", "'": "ft", '"': "in"}
_NUMBER = r"(\d+(?:\.\d*)?|\.\d+)"
ENDLESS = {"inf", "infinity", "∞"}

SENSORS: dict[str, tuple[float, float]] = {
    "full-frame": (36.0, 24.0),
    "aps-c": (23.5, 15.6),
    "aps-c-small": (22.3, 14.9),
    "four-thirds": (17.3, 13.0),
    "medium": (43.8, 32.9),
    "1-inch": (13.2, 8.8),
    "2/3-inch": (8.8, 6.6),
    "1/2.3-inch": (6.17, 4.55),
}
"""Usual sizes in mm (from memory; makers differ by a few tenths)."""


def length(text: str, what: str, *, endless: bool = False, unit: str | None = None) -> float:
    """Millimetres in ``'100mm'``, ``'0.4 m'``, ``'2ft'``; infinite for ``'inf'`` if ``endless``.

    ``unit`` is taken for a bare number; without it a bare number is refused, since 0.4 could mean anything.
    """
    if endless and text.strip().casefold() in ENDLESS:
        return math.inf
    found = re.fullmatch(rf"\s*{_NUMBER}\s*(\D*?)\s*", text)
    if found is None:
        raise UsageError(
            f"{what} {text!r} is not a length; write a number and a unit, like 100mm, 0.4m or 2ft"
        )
    name = found[2].casefold() or unit or ""
    name = _OTHER_NAMES.get(name, name)
    if name not in LENGTHS:
        told = f"there is no unit {found[2]!r}" if found[2] else "the unit is missing"
        raise UsageError(f"{what} {text!r}: {told}; use mm, cm, m, um, ft or in, like 100mm or 0.4m")
    value = float(found[1]) * LENGTHS[name]
    if not (math.isfinite(value) and value > 0):
        raise UsageError(f"{what} {text!r}: expected a length above zero")
    return value


def number(text: str, what: str, example: str) -> float:
    """A number above zero."""
    found = re.fullmatch(rf"\s*{_NUMBER}\s*", text)
    value = float(found[1]) if found else 0.0
    if not (math.isfinite(value) and value > 0):
        raise UsageError(f"{what} {text!r}: expected a number above zero, like {example}")
    return value


def f_number(text: str) -> float:
    """``'8'``, ``'f/8'`` or ``'f8'``."""
    return number(re.sub(r"^\s*[fF]/?", "", text), "--f", "8 or f/8")


def magnification(text: str) -> float:
    """``'1'``, ``'2.5x'``, ``'1:2'`` or ``'5:1'``."""
    ratio = re.fullmatch(rf"\s*{_NUMBER}\s*:\s*{_NUMBER}\s*", text)
    if ratio and float(ratio[2]) > 0 and float(ratio[1]) > 0:
        return float(ratio[1]) / float(ratio[2])
    return number(re.sub(r"[xX×]\s*$", "", text), "--magnification", "1, 2.5x or 1:2")


def share(text: str, what: str) -> float:
    """A share from 0 to below 1: ``'30%'`` or ``'0.3'``."""
    found = re.fullmatch(rf"\s*{_NUMBER}\s*(%?)\s*", text)
    value = float(found[1]) / (100 if found[2] else 1) if found else 1.0
    if not value < 1:
        raise UsageError(f"{what} {text!r}: expected a share below all of it, like 30% or 0.3")
    return value


def sensor(text: str) -> tuple[float, float]:
    """Width and height in mm: ``'36x24'`` (mm) or a name of `SENSORS`; the longer edge first."""
    name = text.strip().casefold()
    if name in SENSORS:
        return SENSORS[name]
    found = re.fullmatch(rf"\s*{_NUMBER}\s*(?:mm)?\s*[x×*]\s*{_NUMBER}\s*(?:mm)?\s*", name)
    if found is None or not (float(found[1]) > 0 and float(found[2]) > 0):
        raise UsageError(
            f"--sensor {text!r} is not known; write width x height in mm, like 36x24, or one of {', '.join(SENSORS)}"
        )
    a, b = float(found[1]), float(found[2])
    return max(a, b), min(a, b)


def pixels(text: str) -> tuple[int, int]:
    """Width and height in pixels: ``'6000x4000'``; the longer edge first."""
    found = re.fullmatch(r"\s*(\d{1,6})\s*[x×*]\s*(\d{1,6})\s*", text)
    if found is None or not (int(found[1]) and int(found[2])):
        raise UsageError(f"--pixels {text!r}: expected width x height, like 6000x4000")
    a, b = int(found[1]), int(found[2])
    return max(a, b), min(a, b)


def objective(text: str) -> tuple[float, float]:
    """Magnification and numerical aperture as engraved: ``'10/0.28'`` or ``'10x/0.28'``."""
    found = re.fullmatch(rf"\s*{_NUMBER}\s*[xX×]?\s*/\s*{_NUMBER}\s*", text)
    if found is None or not (float(found[1]) > 0 and float(found[2]) > 0):
        raise UsageError(
            f"--objective {text!r}: expected magnification/numerical aperture as engraved, like 10/0.28"
        )
    return float(found[1]), float(found[2])


def seconds(text: str, what: str) -> float:
    """``'1/60'``, ``'0.5'``, ``'2s'`` or ``'150ms'``; zero is allowed."""
    fraction = re.fullmatch(rf"\s*{_NUMBER}\s*/\s*{_NUMBER}\s*s?\s*", text)
    if fraction and float(fraction[2]) > 0:
        return float(fraction[1]) / float(fraction[2])
    found = re.fullmatch(rf"\s*{_NUMBER}\s*(s|ms|min)?\s*", text)
    if found is None or not math.isfinite(float(found[1])):
        raise UsageError(f"{what} {text!r}: expected seconds, like 1/60, 0.5, 2s or 150ms")
    return float(found[1]) * {"ms": 0.001, "min": 60.0}.get(found[2] or "s", 1.0)


def show_length(millimetres: float, *, digits: int = 3) -> str:
    """A length for people in the unit that suits it: ``'4.91 µm'``, ``'0.314 mm'``, ``'42 cm'``, ``'1.25 m'``."""
    if millimetres == math.inf:
        return "infinity"
    size = abs(millimetres)
    factor, unit = (0.001, "m") if size >= 1000 else (0.1, "cm") if size >= 100 else (1.0, "mm")
    if 0 < size < 0.1:
        factor, unit = 1000.0, "µm"
    value = millimetres * factor
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value)))) if value else 0
    return f"{value:.{min(decimals, 6)}f} {unit}"


_ENGRAVED = {5: "5.6", 7: "11", 9: "22", 11: "45", 13: "90"}
"""Whole stops whose engraving is not the rounded number (ISO 517, from memory)."""


def show_f_number(value: float) -> str:
    """``'f/5.6'``: a whole stop as lenses show it, anything else rounded to two figures."""
    stops = 2 * math.log2(value)
    if abs(stops - round(stops)) < 1e-6 and round(stops) in _ENGRAVED:
        return f"f/{_ENGRAVED[round(stops)]}"
    return f"f/{value:.0f}" if value >= 10 else f"f/{value:.1f}".removesuffix(".0")
