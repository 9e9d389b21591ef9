"""What camera makers write in their own part of Exif, as far as it helps to sort frames: bracket, shot, distance.

Places and meanings of these tags are those that the published tag lists for camera makers agree on (compared with
exiftool's tables); if they differ from model to model, or are enciphered, nothing is read. Values that stand for
'not known' (0/0, all bits set, negative ones) are refused as everywhere.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, replace

from nearfar.frames.camera import CameraData
from nearfar.frames.ifd import (
    IFD_POINTER,
    LONG,
    Form,
    Read,
    Tag,
    Tags,
    integers_of,
    read_directory,
    read_form,
)

_EXIF_IFD, _MAKER_NOTE, _MAKE = 0x8769, 0x927C, 0x010F
_FAR = 655.0  # m; 16-bit centimetres that are full stand for infinity or nothing


@dataclass(frozen=True, kw_only=True)
class Note:
    """An open maker note: its tags, and where offsets in it count from."""

    tags: Tags
    read: Read
    form: Form


def with_maker_note(camera: CameraData, read: Read) -> CameraData:
    """Camera data, completed from the maker note that ``read`` (from the TIFF header on) leads to. Never raises."""
    try:
        found = _open_note(read)
        return found[1](camera, found[0]) if found else camera
    except (ValueError, IndexError, struct.error, OverflowError, TypeError):
        return camera


def _open_note(read: Read) -> tuple[Note, Callable[[CameraData, Note], CameraData]] | None:
    form = read_form(read)
    if form is None or form.big:
        return None
    image = read_directory(read, form, form.first)[0]
    exif_at = image[_EXIF_IFD].integers()[0] if _EXIF_IFD in image else 0
    at, size = _place(read, form, exif_at, _MAKER_NOTE)
    if size < 16:
        return None
    head = read(at, 20)
    make = image[_MAKE].text().casefold() if _MAKE in image else ""
    for begins, opens, reads in _MAKERS:
        if begins(head, make):
            start, base, inner = opens(read, form, at, head)
            from_base = _shifted(read, base)
            return Note(
                tags=read_directory(from_base, inner, start - base)[0], read=from_base, form=inner
            ), reads
    return None


def _place(read: Read, form: Form, directory: int, number: int) -> tuple[int, int]:
    """Offset and size of a value in bytes, without reading it."""
    head = read(directory, 2) if directory > 0 else b""
    count = struct.unpack(form.order + "H", head)[0] if len(head) == 2 else 0
    body = read(directory + 2, min(count, 1000) * 12)
    for at in range(0, len(body) - 11, 12):
        tag, _, items, offset = struct.unpack_from(form.order + "HHII", body, at)
        if tag == number:
            return offset, items
    return 0, 0


def _shifted(read: Read, base: int) -> Read:
    return lambda offset, size: read(base + offset, size) if offset >= 0 else b""


Opened = tuple[int, int, Form]
"""Offset of the directory, offset that others count from, and how numbers are spelt."""


def _plain(skip: int) -> Callable[[Read, Form, int, bytes], Opened]:
    """A directory behind ``skip`` bytes whose offsets count from the TIFF header."""
    return lambda _read, form, at, _head: (at + skip, 0, form)


def _own_offsets(skip: int) -> Callable[[Read, Form, int, bytes], Opened]:
    """A directory behind ``skip`` bytes, the last four of them byte order and version, offsets from the note's start."""

    def opens(_read: Read, form: Form, at: int, head: bytes) -> Opened:
        order = {b"II": "<", b"MM": ">"}.get(head[skip - 4 : skip - 2], form.order)
        return at + skip, at, Form(order, False, skip)

    return opens


def _own_header(read: Read, form: Form, at: int, _head: bytes) -> Opened:
    """A whole TIFF header ten bytes into the note."""
    inner = read_form(_shifted(read, at + 10)) or form
    return at + 10 + inner.first, at + 10, inner


def _pointed_to(_read: Read, _form: Form, at: int, head: bytes) -> Opened:
    """Eight letters, then the directory's offset, all little endian and from the note's start."""
    (offset,) = struct.unpack_from("<I", head, 8)
    return at + offset, at, Form("<", False, offset)


def _first(
    tags: Tags, number: int, *, refuse: frozenset[int] = frozenset({0xFFFF, 0xFFFFFFFF})
) -> int | None:
    """The first integer of a tag; None for a placeholder."""
    values = integers_of(tags, number)
    return values[0] if values and values[0] >= 0 and values[0] not in refuse else None


def _positive(value: int | None) -> int | None:
    return value if value is not None and 0 < value < 0x7FFFFFFF else None


def _shorts(tag: Tag | None) -> list[int]:
    """The items as signed 16-bit numbers, whatever integer type they are stored as."""
    return [v - 0x10000 if v >= 0x8000 else v for v in tag.integers()] if tag else []


def _item(values: list[int], index: int) -> int | None:
    return values[index] if index < len(values) else None


def _centimetres(*values: int | None) -> float | None:
    """Mean distance in metres of 16-bit centimetres (stored signed here), full and zero ones refused."""
    metres = [(v & 0xFFFF) / 100 for v in values if v is not None]
    sound = [m for m in metres if 0 < m < _FAR]
    return sum(sound) / len(sound) if sound and len(sound) == len(metres) else None


def _canon(camera: CameraData, note: Note) -> CameraData:
    shot, file = (_shorts(note.tags.get(n)) for n in (0x0004, 0x0093))
    kinds = {1: "exposure", 2: "focus", 3: "other", 4: "other"}
    bracket = kinds.get(_item(file, 3) or 0)
    if bracket is None and (_item(shot, 16) or 0) != 0:
        bracket = "exposure"
    serial = _positive(_first(note.tags, 0x000C))
    return replace(
        camera,
        bracket=camera.bracket or bracket,
        shot=_positive(_item(file, 5)) if bracket else None,
        focus_distance=_centimetres(_item(file, 20), _item(file, 21))
        or _centimetres(_item(shot, 19), _item(shot, 20)),
        body_serial=camera.body_serial or (str(serial) if serial else None),
    )


def _nikon(camera: CameraData, note: Note) -> CameraData:
    """Bits of the shooting mode: 4 bracketing, 6 and 8 say that it was not of exposure."""
    mode = _first(note.tags, 0x0089)
    bracket = None
    if mode is not None and mode & 0x10:
        bracket = "other" if mode & 0x140 else "exposure"
    serial = note.tags[0x001D].text() if 0x001D in note.tags else ""
    return replace(
        camera,
        bracket=camera.bracket or bracket,
        body_serial=camera.body_serial or (serial if any(c.isalnum() and c != "0" for c in serial) else None),
    )


def _sony(camera: CameraData, note: Note) -> CameraData:
    mode = _first(note.tags, 0xB049)
    bracket = {5: "exposure", 6: "other", 8: "other"}.get(mode) if mode is not None else None
    return replace(
        camera,
        bracket=camera.bracket or bracket,
        shot=_positive(_first(note.tags, 0xB04A)),
    )


def _olympus(camera: CameraData, note: Note) -> CameraData:
    equipment, settings, focus = (_inner(note, n) for n in (0x2010, 0x2020, 0x2050))
    drive = integers_of(settings, 0x0600)
    mode, bits = (drive[0] if drive else None), (drive[2] if len(drive) > 2 else 0)
    bracket = {2: "exposure", 3: "other", 4: "exposure"}.get(mode) if mode is not None else None
    if mode == 5:
        bracket = "focus" if bits & 0x40 else ("exposure" if bits & 0x21 else "other")
    serial = equipment[0x0101].text() if 0x0101 in equipment else ""
    distance = focus[0x0305].fractions() if 0x0305 in focus else []
    millimetres = distance[0][0] if distance else 0
    return replace(
        camera,
        bracket=camera.bracket or bracket,
        shot=_positive(drive[1]) if len(drive) > 1 and mode else None,
        focus_distance=millimetres / 1000 if 0 < millimetres < 0x7FFFFFFF else None,
        body_serial=camera.body_serial or serial or None,
    )


def _inner(note: Note, number: int) -> Tags:
    tag = note.tags.get(number)
    if tag is None or tag.kind not in (LONG, IFD_POINTER) or tag.count != 1:
        return {}
    return read_directory(note.read, note.form, tag.integers()[0])[0]


def _panasonic(camera: CameraData, note: Note) -> CameraData:
    mode = _first(note.tags, 0x002A)
    bracket = {2: "exposure", 3: "focus", 8: "other", 18: "other"}.get(mode) if mode is not None else None
    return replace(
        camera,
        bracket=camera.bracket or bracket,
        shot=_positive(_first(note.tags, 0x002B)),
    )


def _fujifilm(camera: CameraData, note: Note) -> CameraData:
    """Only the shot's number: which kind of bracket the maker means differs between models."""
    return replace(camera, shot=_positive(_first(note.tags, 0x1101)))


_MAKERS = (
    (lambda head, _: head[:8] == b"Nikon\0\x02\x10" or head[:7] == b"Nikon\0\x02", _own_header, _nikon),
    (lambda head, _: head[:8] == b"OLYMPUS\0", _own_offsets(12), _olympus),
    (lambda head, _: head[:10] == b"OM SYSTEM\0", _own_offsets(16), _olympus),
    (lambda head, _: head[:8] == b"FUJIFILM", _pointed_to, _fujifilm),
    (lambda head, _: head[:9] == b"Panasonic", _plain(12), _panasonic),
    (lambda head, _: head[:8] in (b"SONY DSC", b"SONY CAM"), _plain(12), _sony),
    (lambda _, make: make.startswith("sony"), _plain(0), _sony),
    (lambda _, make: make.startswith("canon"), _plain(0), _canon),
)
