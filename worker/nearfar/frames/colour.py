"""ICC profiles as far as a merge needs them: the tone curve, a name for messages, and whether two are the same.

Layout after ICC.1:2022 (the v2 types besides). Pixels are never converted: the frames' profile goes into the result
byte for byte. Only weights that must be formed in linear light use the curve.
"""

from __future__ import annotations

import functools
import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
UNTAGGED = "no colour profile"
LINEAR_CURVE = b"curv" + bytes(8)
"""A tone curve that changes nothing (ICC.1 section 10.6: 'curv' without entries)."""


def srgb_to_linear(encoded: Floats) -> Floats:
    """The sRGB curve, IEC 61966-2-1: encoded 0..1 to linear light 0..1."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


@functools.lru_cache(maxsize=8)
def light_table(icc: bytes | None, bits: int) -> NDArray[np.float32]:
    """Linear light of every sample value, after the profile's green (or grey) tone curve.

    Parameters
    ----------
    icc
        Profile bytes; None, unreadable, or one that has tables instead of a curve counts as sRGB.
    bits
        8 or 16.

    Returns
    -------
    (256,) or (65536,) float32, 0..1, read-only.
    """
    encoded = np.linspace(0.0, 1.0, 1 << bits)
    light = _profile_curve(icc, encoded) if icc else None
    if light is None:
        light = srgb_to_linear(encoded)
    table = light.astype(np.float32)
    table.flags.writeable = False
    return table


@dataclass(frozen=True, kw_only=True, eq=False)
class Shaper:
    """What a matrix profile says: a tone curve for each channel, and the primaries."""

    curves: NDArray[np.float32]
    """(3, 65536): linear light 0..1 of every 16-bit sample value."""
    primaries: Floats
    """(3, 3): its columns are red, green and blue in XYZ of the connection space (D50)."""


def shaper(icc: bytes | None) -> Shaper | None:
    """Curves and primaries of an RGB profile; None if it has tables instead, is damaged, or is no such profile."""
    tags = _tags(icc) if icc and icc[16:24] == b"RGB XYZ " else {}
    if not tags or any(name in tags for name in (b"A2B0", b"A2B1", b"A2B2", b"D2B0", b"D2B1")):
        return None
    encoded = np.linspace(0.0, 1.0, 1 << 16)
    curves = [_curve(tags.get(name, b""), encoded) for name in (b"rTRC", b"gTRC", b"bTRC")]
    columns = [tags.get(name, b"") for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
    sound = [np.clip(light, 0.0, 1.0) for light in curves if light is not None and _usable(light)]
    if len(sound) < 3 or any(tag[:4] != b"XYZ " or len(tag) < 20 for tag in columns):
        return None
    primaries = np.array([struct.unpack_from(">3i", tag, 8) for tag in columns]).T / 65536
    return Shaper(curves=np.array(sound, np.float32), primaries=primaries)


def sound_profile(raw: bytes | None) -> tuple[bytes | None, tuple[str, ...]]:
    """A file's profile bytes, or None with a note if they are no profile or not the whole of one."""
    if not raw:
        return None, ()
    if len(raw) < 132 or raw[36:40] != b"acsp" or int.from_bytes(raw[:4], "big") > len(raw):
        return None, ("the colour profile is damaged and left out",)
    return raw, ()


def _profile_curve(icc: bytes, encoded: Floats) -> Floats | None:
    tags = _tags(icc)
    for name in (b"gTRC", b"kTRC"):
        if name in tags:
            light = _curve(tags[name], encoded)
            if light is not None and _usable(light):
                return np.clip(light, 0.0, 1.0)
    return None


def _usable(light: Floats) -> bool:
    """A curve that rises from dark to light; anything else is damage."""
    return bool(np.isfinite(light).all() and (np.diff(light) >= -1e-6).all() and light[-1] - light[0] > 0.5)


def _tags(icc: bytes) -> dict[bytes, bytes]:
    """The profile's tags by signature; those that reach outside the profile are left out."""
    if len(icc) < 132 or icc[36:40] != b"acsp":
        return {}
    (count,) = struct.unpack_from(">I", icc, 128)
    tags: dict[bytes, bytes] = {}
    for at in range(132, min(132 + 12 * count, len(icc) - 11), 12):
        name, offset, size = struct.unpack_from(">4sII", icc, at)
        if offset + size <= len(icc):
            tags[name] = icc[offset : offset + size]
    return tags


def _curve(tag: bytes, encoded: Floats) -> Floats | None:
    if tag[:4] == b"curv" and len(tag) >= 12:
        return _sampled_curve(tag, encoded)
    if tag[:4] == b"para" and len(tag) >= 16:
        return _formula_curve(tag, encoded)
    return None


def _sampled_curve(tag: bytes, encoded: Floats) -> Floats | None:
    """'curv': nothing (linear), one u8Fixed8 exponent, or a table to interpolate in (ICC.1 section 10.6)."""
    (count,) = struct.unpack_from(">I", tag, 8)
    if len(tag) < 12 + 2 * count:
        return None
    if count == 0:
        return encoded
    samples = np.frombuffer(tag, ">u2", count, 12).astype(np.float64)
    if count == 1:
        return np.asarray(encoded ** (samples[0] / 256), dtype=np.float64)
    return np.interp(encoded, np.linspace(0.0, 1.0, count), samples / 65535)


def _formula_curve(tag: bytes, encoded: Floats) -> Floats | None:
    """'para': one of five formulae with s15Fixed16 parameters (ICC.1 section 10.18, table 68)."""
    (form,) = struct.unpack_from(">H", tag, 8)
    count = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}.get(form)
    if count is None or len(tag) < 12 + 4 * count:
        return None
    g, a, b, c, d, e, f = _padded([v / 65536 for v in struct.unpack_from(f">{count}i", tag, 12)])
    if form == 0:
        return np.asarray(encoded**g, dtype=np.float64)
    if a == 0:
        return None
    power = np.maximum(a * encoded + b, 0.0) ** g
    if form == 1:
        return np.where(encoded >= -b / a, power, 0.0)
    if form == 2:
        return np.where(encoded >= -b / a, power + c, c)
    if form == 3:
        return np.where(encoded >= d, power, c * encoded)
    return np.where(encoded >= d, power + e, c * encoded + f)


def _padded(values: list[float]) -> list[float]:
    return values + [0.0] * (7 - len(values))


def profile_name(icc: bytes | None) -> str:
    """The profile's own description for messages, or 'no colour profile'."""
    if icc is None:
        return UNTAGGED
    tag = _tags(icc).get(b"desc", b"")
    name = ""
    if tag[:4] == b"desc" and len(tag) >= 12:
        (count,) = struct.unpack_from(">I", tag, 8)
        name = tag[12 : 12 + count].split(b"\0", 1)[0].decode("latin-1")
    elif tag[:4] == b"mluc" and len(tag) >= 28:
        size, offset = struct.unpack_from(">II", tag, 20)
        name = tag[offset : offset + size].decode("utf-16-be", errors="replace")
    name = "".join(c for c in name if c.isprintable()).strip()
    return name or f"an unnamed colour profile of {len(icc)} bytes"


def profile_key(icc: bytes | None) -> bytes | None:
    """What two profiles must have in common to be one and the same: everything but creation date and digest."""
    if icc is None or len(icc) < 128:
        return icc
    return icc[:24] + bytes(12) + icc[36:84] + bytes(16) + icc[100:]


def profiles_equal(one: bytes | None, other: bytes | None) -> bool:
    """Whether pixels under both profiles mean the same colours."""
    return profile_key(one) == profile_key(other)


@functools.cache
def srgb_profile(*, linear: bool = False) -> bytes:
    """A small sRGB profile (ICC v4, matrix and formula curve) for pictures that are developed to sRGB here; with
    ``linear`` one of the same primaries for samples in linear light.

    Primaries are those of IEC 61966-2-1 adapted to D50 as the ICC publishes them for sRGB; the numbers are from memory
    and compared in the tests with what a reference library makes of the profile.
    """
    columns = {b"rXYZ": (0.43607, 0.22249, 0.01392), b"gXYZ": (0.38515, 0.71687, 0.09708)}
    columns[b"bXYZ"] = (0.14307, 0.06061, 0.71410)
    columns[b"wtpt"] = (0.96420, 1.0, 0.82491)
    tags = {name: b"XYZ \0\0\0\0" + _fixed(*values) for name, values in columns.items()}
    curve = b"para\0\0\0\0\0\3\0\0" + _fixed(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    tags |= dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), LINEAR_CURVE if linear else curve)
    name = "sRGB primaries, linear" if linear else "sRGB"
    tags |= {b"desc": _unicode(name), b"cprt": _unicode("No copyright, use freely")}
    return _profile(tags)


@functools.cache
def linear_grey_profile() -> bytes:
    """A small profile (ICC v4) of greyscale in linear light."""
    tags = {b"wtpt": b"XYZ \0\0\0\0" + _fixed(0.96420, 1.0, 0.82491), b"kTRC": LINEAR_CURVE}
    tags |= {b"desc": _unicode("Grey, linear"), b"cprt": _unicode("No copyright, use freely")}
    return _profile(tags, b"GRAY")


def _fixed(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(value * 65536) for value in values))


def _unicode(text: str) -> bytes:
    raw = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(raw), 28) + raw


def _profile(tags: dict[bytes, bytes], space: bytes = b"RGB ") -> bytes:
    table, body, placed = b"", b"", dict[bytes, int]()
    start = 128 + 4 + 12 * len(tags)
    for name, value in tags.items():
        if value not in placed:
            placed[value] = start + len(body)
            body += value + b"\0" * (-len(value) % 4)
        table += struct.pack(">4sII", name, placed[value], len(value))
    header = struct.pack(">I4xI4s4s4s", start + len(body), 0x04300000, b"mntr", space, b"XYZ ")
    header += struct.pack(">6H4s", 2026, 1, 1, 0, 0, 0, b"acsp") + bytes(28) + _fixed(0.96420, 1.0, 0.82491)
    return header.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body
