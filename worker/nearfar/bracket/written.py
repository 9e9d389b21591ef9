"""From what a person writes on the command line or in a form, all of it text, to what is asked of a plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from nearfar.bracket import units
from nearfar.bracket.shoot import Shoot
from nearfar.errors import UsageError
from nearfar.settings import parse_size

PLAIN = ("origin", "convention", "criterion", "ends", "file")
"""Options whose text is taken as it is."""


def shoot_of(written: Mapping[str, str | None]) -> Shoot:
    """What is asked.

    Parameters
    ----------
    written
        By the names of the command's options, with underscores; None: not given.

    Raises
    ------
    UsageError
        Naming the option that is not understood.
    """

    def given(name: str, read: Any, *more: Any, **named: Any) -> Any:
        text = written.get(name)
        return None if text is None else read(text, *more, **named)

    def length(name: str, **named: Any) -> Any:
        return given(name, units.length, f"--{name.replace('_', '-')}", **named)

    objective = given("objective", units.objective)
    if objective and (written.get("focal"), written.get("f_number")) != (None, None):
        raise UsageError("--objective goes without --focal and --f: its aperture is fixed by its NA")
    asked = {
        "sensor": given("sensor", units.sensor),
        "pixels": given("pixels", units.pixels),
        "pitch": length("pitch", unit="um"),
        "focal": length("focal", unit="mm"),
        "f_number": given("f_number", units.f_number),
        "near": length("near"),
        "far": length("far", endless=True),
        "depth": length("depth"),
        "magnification": given("magnification", units.magnification) or (objective and objective[0]),
        "numerical_aperture": objective and objective[1],
        "frame_bytes": given("bytes_per_frame", parse_size),
        **{name: written.get(name) for name in PLAIN},
        **_numbers(given, length("wavelength", unit="um")),
    }
    return Shoot(**{name: value for name, value in asked.items() if value is not None})


def _numbers(given: Callable[..., Any], wavelength: float | None) -> dict[str, float | None]:
    return {
        "overlap": given("overlap", units.share, "--overlap"),
        "pupil_ratio": given("pupil_ratio", units.number, "--pupil-ratio", "0.8"),
        "index": given("index", units.number, "--index", "1.515"),
        "wavelength_um": None if wavelength is None else 1000 * wavelength,
        **{name: given(name, units.seconds, f"--{name}") for name in ("exposure", "settle", "recycle")},
    }
