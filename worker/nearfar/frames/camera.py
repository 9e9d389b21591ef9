"""What the camera wrote about an exposure, read with caution.

Cameras and adapters write placeholders: 0/0, all bits set, dates of zeros. Each of them reads as None here, since a
wrong aperture or distance is worse than none.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

from nearfar.frames.exif import ExifBlock
from nearfar.frames.ifd import Tag, Tags

_PLACEHOLDERS = {0xFFFF, 0xFFFFFFFF, 0x7FFFFFFF, -0x80000000}
_DATE = re.compile(r"(\d{4})[:\-/](\d\d)[:\-/](\d\d)[ T](\d\d):(\d\d):(\d\d)")
_OFFSET = re.compile(r"([+-])(\d\d):?(\d\d)$")
_EMPTY_WORDS = {"", "unknown", "none", "n/a", "-", "--", "----"}


@dataclass(frozen=True, kw_only=True)
class CameraData:
    """Camera data of one frame; None if the file says nothing, or nothing that can be true."""

    date_time: datetime | None = None  # as on the camera's clock, without a zone
    subsec: float | None = None  # fraction of a second, 0 <= subsec < 1
    offset: timedelta | None = None  # of the camera's clock from UTC
    make: str | None = None
    model: str | None = None
    body_serial: str | None = None
    lens: str | None = None
    focal_length: float | None = None  # mm
    f_number: float | None = None
    exposure_time: float | None = None  # s
    exposure_bias: float | None = None  # EV
    iso: float | None = None
    subject_distance: float | None = None  # m
    software: str | None = None  # what wrote the file, camera or program
    bracket: str | None = None  # 'exposure', 'focus' or 'other' if the camera says that it varied something
    shot: int | None = None  # number of the shot within a sequence, from 1
    focus_distance: float | None = None  # m, from the maker note

    def taken(self) -> datetime | None:
        """The moment of exposure with its fraction, and with its zone if the camera knew it."""
        if self.date_time is None:
            return None
        moment = self.date_time + timedelta(seconds=self.subsec or 0.0)
        return moment if self.offset is None else moment.replace(tzinfo=timezone(self.offset))


def camera_data(block: ExifBlock) -> CameraData:
    """Camera data from Exif tags, junk left out. Never raises."""
    image, exif = block.image, block.exif
    date_time, subsec, offset = _moment(image, exif)
    return CameraData(
        date_time=date_time,
        subsec=subsec,
        offset=offset,
        make=_text(image, 0x010F),
        model=_text(image, 0x0110),
        body_serial=_text(exif, 0xA431) or _text(image, 0xC62F),
        lens=_text(exif, 0xA434),
        focal_length=_number(exif, 0x920A, 0.1, 100_000),
        f_number=_number(exif, 0x829D, 0.3, 1000) or _apex_aperture(exif),
        exposure_time=_number(exif, 0x829A, 1e-7, 1e6) or _apex_time(exif),
        exposure_bias=_number(exif, 0x9204, -20, 20),
        iso=_iso(exif),
        subject_distance=_number(exif, 0x9206, 1e-4, 1e6),
        software=_text(image, 0x0131),
        bracket="exposure" if _count(exif, 0xA402) == 2 else None,  # ExposureMode 2: auto bracket
    )


def _moment(image: Tags, exif: Tags) -> tuple[datetime | None, float | None, timedelta | None]:
    """Original time, else time of digitising, else time of the last change, each with its own fraction and offset."""
    for tags, number, fraction, zone in (
        (exif, 0x9003, 0x9291, 0x9011),
        (exif, 0x9004, 0x9292, 0x9012),
        (image, 0x0132, 0x9290, 0x9010),
    ):
        moment = _date(tags.get(number))
        if moment is not None:
            return moment, _fraction(exif.get(fraction)), _zone(exif.get(zone))
    return None, None, None


def _date(tag: Tag | None) -> datetime | None:
    found = _DATE.match(tag.text()) if tag else None
    if found is None:
        return None
    try:
        return datetime(*(int(part) for part in found.groups()))  # type: ignore[arg-type]
    except ValueError:
        return None


def _fraction(tag: Tag | None) -> float | None:
    digits = tag.text() if tag else ""
    return float(f"0.{digits}") if digits.isascii() and digits.isdigit() and len(digits) < 16 else None


def _zone(tag: Tag | None) -> timedelta | None:
    text = tag.text() if tag else ""
    if text in ("Z", "z"):
        return timedelta(0)
    found = _OFFSET.match(text)
    if found is None:
        return None
    offset = timedelta(hours=int(found[2]), minutes=int(found[3]))
    return (offset if found[1] == "+" else -offset) if offset <= timedelta(hours=14) else None


def _text(tags: Tags, number: int) -> str | None:
    tag = tags.get(number)
    text = "".join(c for c in tag.text() if c.isprintable()).strip() if tag else ""
    return None if text.casefold() in _EMPTY_WORDS or set(text) <= set("0 ") else text


def _value(tag: Tag | None) -> float | None:
    """The single number of a tag, placeholders left out."""
    if tag is None or tag.count < 1:
        return None
    fractions = tag.fractions()
    if fractions:
        above, below = fractions[0]
        junk = below == 0 or above in _PLACEHOLDERS - {0xFFFF} or below in _PLACEHOLDERS - {0xFFFF}
        return None if junk or (above == 0xFFFF and below in (1, 0xFFFF)) else above / below
    numbers = tag.numbers()
    if not numbers or numbers[0] in _PLACEHOLDERS:
        return None
    return float(numbers[0])


def _number(tags: Tags, number: int, low: float, high: float) -> float | None:
    value = _value(tags.get(number))
    return value if value is not None and math.isfinite(value) and low <= value <= high else None


def _count(tags: Tags, number: int) -> int | None:
    value = _number(tags, number, 1, 0xFFFFFFFE)
    return None if value is None else int(value)


def _apex_aperture(exif: Tags) -> float | None:
    """f-number from the APEX aperture value: N = 2^(Av/2) (Exif, annex on APEX units)."""
    value = _number(exif, 0x9202, -2, 20)
    return None if value is None else 2.0 ** (value / 2)


def _apex_time(exif: Tags) -> float | None:
    """Exposure time from the APEX shutter value: t = 2^-Tv."""
    value = _number(exif, 0x9201, -20, 25)
    return None if value is None else 2.0**-value


def _iso(exif: Tags) -> float | None:
    """ISO speed: the 16-bit tag, or if that is full (65535) the 32-bit ones in Exif's order of preference."""
    for number in (0x8827, 0x8832, 0x8833, 0x8831):
        value = _number(exif, number, 1, 1e8)
        if value is not None:
            return value
    return None
