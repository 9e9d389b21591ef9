"""What a request asks to see: region, size, rotation, quality and format of the IIIF Image API 3.0, section 4.

What is not written as the standard writes it, or asks for nothing, is refused as such (400); what it knows and this
server does not offer is told apart (501).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import NoReturn

from nearfar_api.problems import Problem

FORMATS = {"jpg": "image/jpeg", "png": "image/png"}
FOREIGN_FORMATS = frozenset({"tif", "gif", "jp2", "pdf", "webp"})
"""Formats that the standard names besides (section 4.5)."""
QUALITIES = ("default", "color", "gray", "bitonal")
LARGEST_EDGE = 16384
LARGEST_AREA = 25_000_000
"""Pixels; more than a screen shows many times over, and what coding it takes of memory stays within bounds."""

NUMBER = r"[0-9]{1,9}(?:\.[0-9]{1,9})?"
WHOLE = r"[0-9]{1,9}"
FOUR_WHOLE = re.compile(rf"({WHOLE}),({WHOLE}),({WHOLE}),({WHOLE})")
FOUR_SHARES = re.compile(rf"pct:({NUMBER}),({NUMBER}),({NUMBER}),({NUMBER})")
SIZE = re.compile(rf"(\^?)(?:(max)|pct:({NUMBER})|(!?)({WHOLE}),({WHOLE})|({WHOLE}),|,({WHOLE}))")
ROTATION = re.compile(rf"(!?)({NUMBER})")

Box = tuple[int, int, int, int]
Size = tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class View:
    """One way to see a picture.

    ``box`` is left, top, width and height in pixels of the picture; ``size`` width and height that it is scaled to,
    before it is mirrored and then turned clockwise by ``turns`` quarters.
    """

    box: Box
    size: Size
    mirrored: bool
    turns: int
    quality: str
    format: str

    def canonical(self, width: int, height: int, channels: int) -> str:
        """The one way to write it (section 4.7), for a picture of that size and number of channels."""
        region = "full" if self.box == (0, 0, width, height) else ",".join(map(str, self.box))
        rotation = f"{'!' if self.mirrored else ''}{90 * self.turns}"
        own = "color" if channels == 3 else "gray"
        quality = "default" if self.quality == own else self.quality
        return f"{region}/{self._canonical_size()}/{rotation}/{quality}.{self.format}"

    def _canonical_size(self) -> str:
        whole = self.box[2:]
        if self.size == _largest(whole, enlarged=False):
            return "max"
        enlarged = self.size[0] > whole[0] or self.size[1] > whole[1]
        if enlarged and self.size == _largest(whole, enlarged=True):
            return "^max"
        return f"{'^' if enlarged else ''}{self.size[0]},{self.size[1]}"


def read_view(*, width: int, height: int, region: str, size: str, rotation: str, name: str) -> View:
    """The view of a picture of that size.

    Parameters
    ----------
    width, height
        Of the picture, pixels.
    region, size, rotation, name
        As they stand in the address; ``name`` is quality and format with a dot between.

    Raises
    ------
    Problem
        ``no-such-view`` (400) or ``not-offered`` (501); the detail says what was found and what would do.
    """
    box = _box(region, width, height)
    mirrored, turns = _rotation(rotation)
    quality, form = _name(name)
    scaled = _size(size, box[2:])
    return View(box=box, size=scaled, mirrored=mirrored, turns=turns, quality=quality, format=form)


def _box(text: str, width: int, height: int) -> Box:
    if text == "full":
        return 0, 0, width, height
    if text == "square":
        edge = min(width, height)
        return (width - edge) // 2, (height - edge) // 2, edge, edge
    if match := FOUR_WHOLE.fullmatch(text):
        x, y, w, h = map(int, match.groups())
    elif match := FOUR_SHARES.fullmatch(text):
        x, w = _stretch(match[1], match[3], width)
        y, h = _stretch(match[2], match[4], height)
    else:
        _refuse(f"The region is {text!r}; expected full, square, x,y,w,h or pct:x,y,w,h.")
    if w == 0 or h == 0 or x >= width or y >= height:
        _refuse(f"The region {text} holds no pixel of the picture, which has {width} x {height}.")
    return x, y, min(w, width - x), min(h, height - y)


def _stretch(start: str, length: str, whole: int) -> tuple[int, int]:
    """Percent as pixels: both ends rounded, and at least one pixel if there is any length."""
    first = round(float(start) * whole / 100)
    last = round((float(start) + float(length)) * whole / 100)
    return first, max(last - first, 1 if float(length) > 0 else 0)


def _size(text: str, whole: Size) -> Size:
    match = SIZE.fullmatch(text)
    if match is None:
        _refuse(
            f"The size is {text!r}; expected max, pct:n, w, or ,h or w,h or !w,h, each with or without ^."
        )
    enlarged, largest, percent, within = bool(match[1]), match[2], match[3], bool(match[4])
    if largest:
        return _largest(whole, enlarged=enlarged)
    if within:
        found = _fitting(whole, (int(match[5]), int(match[6])), enlarged=enlarged, text=text)
    elif percent:
        found = round(whole[0] * float(percent) / 100), round(whole[1] * float(percent) / 100)
    elif match[7]:
        found = int(match[7]), max(1, round(whole[1] * int(match[7]) / whole[0]))
    elif match[8]:
        found = max(1, round(whole[0] * int(match[8]) / whole[1])), int(match[8])
    else:
        found = int(match[5]), int(match[6])
    return _allowed(found, whole, enlarged=enlarged, text=text)


def _fitting(whole: Size, frame: Size, *, enlarged: bool, text: str) -> Size:
    """The largest size that fits into a frame and into the limits.

    A frame that both edges of the region fit into with room to spare is refused without ``^``: section 4.2 can be read
    as giving the region as it is, but the consortium's own validator expects 400 there as for all other forms.
    """
    scale = min(frame[0] / whole[0], frame[1] / whole[1])
    if scale > 1 and not enlarged:
        _too_large_without_mark(text, whole)
    if 0 in frame:
        _refuse(f"The size {text} is empty.")
    return _scaled(whole, min(scale, _most(whole)))


def _allowed(size: Size, whole: Size, *, enlarged: bool, text: str) -> Size:
    if 0 in size:
        _refuse(f"The size {text} is empty: the region has {whole[0]} x {whole[1]} pixels.")
    if not enlarged and (size[0] > whole[0] or size[1] > whole[1]):
        _too_large_without_mark(text, whole)
    if max(size) > LARGEST_EDGE or size[0] * size[1] > LARGEST_AREA:
        _refuse(
            f"The size {text} would give {size[0]} x {size[1]} pixels; at most {LARGEST_EDGE} each way and "
            f"{LARGEST_AREA} together are made. Ask for max, or for parts."
        )
    return size


def _too_large_without_mark(text: str, whole: Size) -> NoReturn:
    _refuse(f"The size {text} is larger than the region of {whole[0]} x {whole[1]} pixels; write ^{text}.")


def _most(whole: Size) -> float:
    """The largest scale that the limits allow."""
    return min(LARGEST_EDGE / max(whole), math.sqrt(LARGEST_AREA / (whole[0] * whole[1])))


def _largest(whole: Size, *, enlarged: bool) -> Size:
    scale = _most(whole)
    if scale >= 1 and not enlarged:
        return whole
    return max(1, int(whole[0] * scale)), max(1, int(whole[1] * scale))


def _scaled(whole: Size, scale: float) -> Size:
    width, height = max(1, round(whole[0] * scale)), max(1, round(whole[1] * scale))
    if width * height > LARGEST_AREA:  # rounded up on both sides
        return max(1, int(whole[0] * scale)), max(1, int(whole[1] * scale))
    return width, height


def _rotation(text: str) -> tuple[bool, int]:
    match = ROTATION.fullmatch(text)
    if match is None or float(match[2]) > 360:
        _refuse(f"The rotation is {text!r}; expected degrees from 0 to 360, with ! before them to mirror.")
    if float(match[2]) % 90:
        raise Problem(
            "not-offered",
            f"The rotation is {text}; only 0, 90, 180 and 270 degrees are offered, also mirrored.",
        )
    return bool(match[1]), int(float(match[2])) // 90 % 4


def _name(text: str) -> tuple[str, str]:
    quality, _, form = text.rpartition(".")
    if form in FOREIGN_FORMATS:
        raise Problem("not-offered", f"The format {form} is not offered; {' and '.join(FORMATS)} are.")
    if form not in FORMATS:
        _refuse(f"The format is {form!r}; expected {' or '.join(FORMATS)}.")
    if quality not in QUALITIES:
        _refuse(f"The quality is {quality!r}; expected one of {', '.join(QUALITIES)}.")
    return quality, form


def _refuse(detail: str) -> NoReturn:
    raise Problem("no-such-view", detail)
