"""What a stack's page shows, from the store's rows and the result's report: frames, series over them, versions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from statistics import median
from typing import Any

from nearfar.jobs import FrameEntry, Job, JobQuery
from nearfar.runner import planning
from nearfar.runner.planning import SET_ASIDE
from nearfar_api.context import Context
from nearfar_api.models.shaping import words
from nearfar_api.transfer import results

VERSIONS = 60
NEAR = 6
"""Frames that a frame is compared with, the nearest ones."""
LEAST_NEAR = 4
"""Fewer of them say nothing."""
KEEPS = 'other_light = "keep"'
"""Part of the reason of a frame that was left out for its light alone."""
UNREADABLE = "cannot be used"
"""How the reason of a file begins that no picture can be read from."""
FAR_OFF = 5.0
"""Usual deviations from its neighbours that make a frame an outlier (our own threshold)."""

Report = results.Report


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A figure that each frame has."""

    key: str
    title: str
    unit: str
    digits: int
    least: float
    """Differences below this do not count (our own thresholds: what no eye sees in the picture)."""


KINDS = (
    Kind(key="sharpness", title="Sharpness", unit="", digits=3, least=0.05),
    Kind(key="gain", title="Exposure", unit="EV", digits=3, least=0.05),
    Kind(key="shift", title="Shift", unit="px", digits=1, least=1.0),
    Kind(key="scale", title="Scale", unit="%", digits=3, least=0.05),
    Kind(key="confidence", title="Confidence", unit="", digits=2, least=0.1),
)


@dataclass(frozen=True, kw_only=True)
class Row:
    """A frame as its stack's page shows it."""

    number: int
    name: str
    state: str
    why: str | None
    small: bool
    share: float | None
    after: float | None
    """Seconds after the first frame."""
    distance: float | None
    """Focus distance, m."""
    figures: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Series:
    """One kind of figure over all frames; None if a frame has none."""

    kind: Kind
    values: tuple[float | None, ...]
    outliers: tuple[bool, ...]


def report_of(ctx: Context, job: Job) -> Report | None:
    """The report of a result; None if there is none to be read."""
    return results.report_of(job, ctx.places)


def frame_rows(entries: Sequence[FrameEntry], report: Report | None, small: set[int]) -> list[Row]:
    """The frames in the order in which they came, with what the report says of each."""
    told = {frame["name"]: frame for frame in report["frames"]} if report else {}
    begin = min((t for frame in told.values() if (t := _time(frame)) is not None), default=None)
    return [
        _row(number, entry, told.get(Path(entry.path).name, {}), begin, number in small)
        for number, entry in enumerate(entries, 1)
    ]


def _row(number: int, entry: FrameEntry, told: Mapping[str, Any], begin: float | None, small: bool) -> Row:
    time = _time(told)
    why = told.get("why") or entry.reason
    return Row(
        number=number,
        name=words(Path(entry.path).name),
        state=str(entry.state),
        why=words(why) if why else None,
        small=small,
        share=told.get("share") if told.get("used") else None,
        after=None if time is None or begin is None else round(time - begin, 3),
        distance=told.get("distance"),
        figures=_figures(told),
    )


def _time(told: Mapping[str, Any]) -> float | None:
    try:
        return datetime.fromisoformat(told["taken"]).timestamp()
    except (KeyError, TypeError, ValueError, OverflowError):
        return None


def _figures(told: Mapping[str, Any]) -> dict[str, float]:
    if not told.get("used"):
        return {"sharpness": told["sharpness"]} if "sharpness" in told else {}
    found = {name: told[key] for name, key in FROM_REPORT.items() if isinstance(told.get(key), int | float)}
    if isinstance(told.get("shift"), list):
        x, y = told["shift"]
        found["shift"] = (x * x + y * y) ** 0.5
    if "scale" in found:
        found["scale"] = 100 * (found["scale"] - 1)
    return found


FROM_REPORT = {"sharpness": "sharpness", "gain": "gain_ev", "scale": "scale", "confidence": "confidence"}


def series(rows: Sequence[Row]) -> list[Series]:
    """The figures that frames have, with outliers marked; none before there is a report."""
    found = []
    for kind in KINDS:
        values = tuple(row.figures.get(kind.key) for row in rows)
        if sum(value is not None for value in values) >= 2:
            found.append(Series(kind=kind, values=values, outliers=outliers(values, kind.least)))
    return found


def outliers(values: Sequence[float | None], least: float) -> tuple[bool, ...]:
    """Which values lie far off the line through their neighbours.

    The line is the one of medians through the `NEAR` nearest values (Theil 1950, Sen 1968); usual is the median
    of all deviations, of which 1.4826 estimate a standard deviation if they are Gaussian (any textbook).
    """
    off = [_off(values, place) for place in range(len(values))]
    known = [abs(value) for value in off if value is not None]
    usual = 1.4826 * median(known) if known else 0.0
    return tuple(value is not None and abs(value) > max(least, FAR_OFF * usual) for value in off)


def _off(values: Sequence[float | None], place: int) -> float | None:
    """How far a value is from where its neighbours let one expect it; None if there are too few."""
    known = [(k, v) for k, v in enumerate(values) if k != place and v is not None]
    near = sorted(known, key=lambda each: abs(each[0] - place))[:NEAR]
    value = values[place]
    if value is None or len(near) < LEAST_NEAR:
        return None
    slope = median((w - v) / (m - k) for k, v in near for m, w in near if m > k)
    return value - median(v + slope * (place - k) for k, v in near)


@dataclass(frozen=True, kw_only=True)
class Spared:
    """A frame that was left out and may be what somebody wants: it lines up, or was never tried."""

    number: int
    name: str
    why: str
    small: bool
    """Whether there is a small picture of it."""


def spared(job: Job, rows: Sequence[Row]) -> list[Spared]:
    """Frames that were left out for their light, or that were set aside before the job was made."""
    aside = job.settings.get(SET_ASIDE) or {}
    found = []
    for row in rows:
        known = row.name in aside and not aside[row.name].startswith(UNREADABLE)
        if row.why is not None and (known or KEEPS in row.why):
            why = row.why.partition("; if that was")[0]
            found.append(Spared(number=row.number, name=row.name, why=why, small=row.small))
    return found


def family(ctx: Context, job: Job) -> list[Job]:
    """All jobs of the same stack, each made of an earlier one by running it again; oldest first."""
    found = [ctx.store.job(planning.root_of(ctx.store, job))]
    for each in found:  # grows on the way
        found += ctx.store.jobs(JobQuery(again_of=each.id, descending=False, limit=VERSIONS)).jobs
        if len(found) > VERSIONS:
            break
    return sorted(found[:VERSIONS], key=lambda each: each.id)
