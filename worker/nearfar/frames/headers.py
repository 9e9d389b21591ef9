"""What is known of a frame before its pixels are read, and whether frames go together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from pathlib import Path

from nearfar.errors import StackRefused
from nearfar.frames.camera import CameraData
from nearfar.frames.colour import profile_key, profile_name
from nearfar.frames.correction import Correction
from nearfar.frames.orient import swaps_sides

NAMES_SHOWN = 5


@dataclass(frozen=True, kw_only=True)
class PlainRows:
    """Where a file's own bytes can be mapped as they are: uncompressed, in this machine's byte order, upright.

    Sample (row y, column x, channel c) lies at ``offset + y*row_stride + x*pixel_stride + c*plane_stride``, in bytes;
    greyscale has a plane stride of 0.
    """

    offset: int
    row_stride: int
    pixel_stride: int
    plane_stride: int


Factors = tuple[float, float, float, float]
"""What red, green, blue and the second green of a sensor are multiplied by; only their ratios matter."""


@dataclass(frozen=True, kw_only=True)
class Development:
    """How a raw frame is developed; without anything, with the white balance in the file and the curve of sRGB."""

    balance: Factors | None = None
    linear: bool = False


AS_SHOT = Development()


@dataclass(frozen=True, kw_only=True)
class FrameHeader:
    """A frame before its pixels are read. Sizes are those after the orientation was applied."""

    path: Path
    kind: str  # 'jpeg', 'png', 'tiff', 'raw', 'heif'
    width: int
    height: int
    channels: int  # 3, or 1 for greyscale
    bits: int  # 8 or 16, of the decoded samples; floating-point files are read as 16
    stored_bits: int  # of the samples in the file
    orientation: int  # 1..8 (Exif tag 0x0112), as stored unless `tagged` is given; decode() applies it
    icc: bytes | None
    camera: CameraData
    in_parts: bool  # rows can be read without decoding the whole file
    plain: PlainRows | None
    notes: tuple[str, ...]  # what was left alone
    decode_bytes: int  # peak bytes that decoding takes beyond its output
    as_shot: Factors | None = None  # white balance that a raw file carries, if it does
    development: Development = AS_SHOT  # of a raw frame
    halved: int = 0
    """Chroma of an upright JPEG of 8 bits: 1 at half width, 2 at half width and height, 0 otherwise."""
    correction: Correction | None = None  # dark and flat frames that are put to it as it is decoded
    tagged: int | None = None
    """The orientation that the file itself carries, where that of other frames is obeyed in its place."""

    @property
    def stored_size(self) -> tuple[int, int]:
        """Width and height of the samples as they lie in the file, before the orientation is applied."""
        return (self.height, self.width) if swaps_sides(self.orientation) else (self.width, self.height)


def check_alike(headers: Sequence[FrameHeader]) -> None:
    """Refuse frames that differ in size, depth, channels or colour profile, naming the odd ones.

    Raises
    ------
    StackRefused
        With the frames that differ from the majority, what they have and what the majority has.
    """
    _check(
        headers,
        "size",
        lambda h: (h.width, h.height),
        lambda h: f"{h.width} x {h.height} pixels",
    )
    _check(
        headers,
        "number of channels",
        lambda h: h.channels,
        lambda h: "RGB" if h.channels == 3 else "greyscale",
    )
    _check(headers, "depth", lambda h: h.bits, lambda h: f"{h.bits} bits")
    _check(headers, "colour profile", lambda h: profile_key(h.icc), lambda h: profile_name(h.icc))


def _named(headers: Sequence[FrameHeader], say: Callable[[FrameHeader], str] | None = None) -> str:
    names = [header.path.name + (f" ({say(header)})" if say else "") for header in headers[:NAMES_SHOWN]]
    more = f" and {len(headers) - NAMES_SHOWN} more" if len(headers) > NAMES_SHOWN else ""
    return f"{', '.join(names)}{more}"


def _mixed(headers: Sequence[FrameHeader]) -> str | None:
    """What to say of frames that differ since only some of them are raw files; None if that is not so."""
    developed = [header for header in headers if header.kind != "raw"]
    raw = len(headers) - len(developed)
    if not raw or not developed:
        return None
    return (
        f"{raw} of {len(headers)} frames are raw files, the others are developed pictures: {_named(developed)}; expected "
        "frames of one kind. Add the raw files that are missing, or give developed pictures of all frames, without the raw "
        "files."
    )


def _check(
    headers: Sequence[FrameHeader],
    what: str,
    key: Callable[[FrameHeader], Hashable],
    say: Callable[[FrameHeader], str],
) -> None:
    counts = Counter(key(header) for header in headers)
    if len(counts) < 2:
        return
    most = counts.most_common(1)[0][0]
    usual = next(header for header in headers if key(header) == most)
    odd = [header for header in headers if key(header) != most]
    raise StackRefused(
        _mixed(headers)
        or f"the frames differ in {what}: found {_named(odd, say)}; expected {say(usual)} as in the other "
        f"{counts[most]} of {len(headers)} frames. Leave the odd frames out, or export all frames with the same settings.",
        odd={
            header.path: f"another {what} than most frames: found {say(header)}; expected {say(usual)}"
            for header in odd
        },
    )
