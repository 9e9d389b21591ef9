"""Side-car files (XMP, ISO 16684-1): what they say about a frame's making is read; they are never written.

Only simple properties of the first description are taken, as attributes or elements; a file that declares entities,
is large, or is no XML says nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

MOST_BYTES = 4 << 20
_EXIF, _TIFF = "{http://ns.adobe.com/exif/1.0/}", "{http://ns.adobe.com/tiff/1.0/}"
_EXIF_EX, _AUX = "{http://cipa.jp/exif/1.0/}", "{http://ns.adobe.com/exif/1.0/aux/}"


def read_side_car(path: Path) -> dict[str, Any]:
    """Camera data by the names of `CameraData`, as far as the side-car knows. Never raises."""
    try:
        data = path.read_bytes() if path.stat().st_size <= MOST_BYTES else b""
        if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
            return {}
        told = _properties(ElementTree.fromstring(data))  # noqa: S314 - declares no entities, as just seen
    except (OSError, ElementTree.ParseError, ValueError, LookupError):
        return {}
    found: dict[str, Any] = {}
    for name, places, read in _WANTED:
        for place in places:
            value = _tried(read, told.get(place))
            if value is not None:
                found.setdefault(name, value)
    found |= _moment(told)
    return found


def _properties(root: ElementTree.Element) -> dict[str, str]:
    told: dict[str, str] = {}
    for element in root.iter():
        for name, value in element.attrib.items():
            told.setdefault(name, value)
        if element.text and element.text.strip() and not len(element):
            told.setdefault(element.tag, element.text.strip())
    return told


def _tried(read: Callable[[str], Any], text: str | None) -> Any:
    try:
        return read(text) if text else None
    except (ValueError, ArithmeticError):
        return None


def _positive(text: str) -> float | None:
    value = float(Fraction(text))
    return value if 0 < value < 1e6 else None


def _words(text: str) -> str | None:
    text = "".join(c for c in text if c.isprintable()).strip()
    return text if text.strip("0- ") else None


def _moment(told: dict[str, str]) -> dict[str, Any]:
    """Date, fraction and offset of an ISO 8601 time."""
    for place in (f"{_EXIF}DateTimeOriginal", "{http://ns.adobe.com/photoshop/1.0/}DateCreated"):
        moment = _tried(datetime.fromisoformat, told.get(place))
        if moment is not None:
            found: dict[str, Any] = {"date_time": moment.replace(tzinfo=None, microsecond=0)}
            if moment.microsecond:
                found["subsec"] = moment.microsecond / 1e6
            offset = moment.utcoffset()
            if offset is not None and abs(offset) <= timedelta(hours=14):
                found["offset"] = offset
            return found
    return {}


_WANTED: tuple[tuple[str, tuple[str, ...], Callable[[str], Any]], ...] = (
    ("make", (f"{_TIFF}Make",), _words),
    ("model", (f"{_TIFF}Model",), _words),
    ("body_serial", (f"{_EXIF_EX}BodySerialNumber", f"{_AUX}SerialNumber"), _words),
    ("lens", (f"{_EXIF_EX}LensModel", f"{_AUX}Lens"), _words),
    ("focal_length", (f"{_EXIF}FocalLength",), _positive),
    ("f_number", (f"{_EXIF}FNumber",), _positive),
    ("exposure_time", (f"{_EXIF}ExposureTime",), _positive),
    ("subject_distance", (f"{_EXIF}SubjectDistance",), _positive),
)
