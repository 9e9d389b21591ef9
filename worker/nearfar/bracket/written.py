"""From what a person writes on the command line or in a form, all of it text, to what is asked of a plan."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nearfar.bracket import units
from nearfar.bracket.shoot import Shoot
from nearfar.errors import UsageError
from nearfar.settings import parse_size


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

    objective, magnification = (
        given("objective", units.objective),
        given("magnification", units.magnification),
    )
    if objective and (written.get("focal"), written.get("f_number")) != (None, None):
        raise UsageError("--objective goes without --focal and --f: its aperture is fixed by its NA")
    wavelength = length("wavelength", unit="um")
    plain: dict[str, Any] = {
        name: written[name]
        for name in ("origin", "convention", "criterion", "ends", "file")
        if written.get(name) is not None
    }
    numbers = {
        "overlap": given("overlap", units.share, "--overlap"),
        "pupil_ratio": given("pupil_ratio", units.number, "--pupil-ratio", "0.8"),
        "index": given("index", units.number, "--index", "1.515"),
        "wavelength_um": None if wavelength is None else 1000 * wavelength,
        **{name: given(name, units.seconds, f"--{name}") for name in ("exposure", "settle", "recycle")},
    }
    return Shoot(
        sensor=given("sensor", units.sensor),
        pixels=given("pixels", units.pixels),
        pitch=length("pitch", unit="um"),
        focal=length("focal", unit="mm"),
        f_number=given("f_number", units.f_number),
        near=length("near"),
        far=length("far", endless=True),
        depth=length("depth"),
        magnification=magnification or (objective[0] if objective else None),
        numerical_aperture=objective[1] if objective else None,
        frame_bytes=given("bytes_per_frame", parse_size),
        **plain,
        **{name: value for name, value in numbers.items() if value is not None},
    )
