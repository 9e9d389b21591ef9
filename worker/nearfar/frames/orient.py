"""Bringing decoded samples upright, into the one form that everything else works on."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearfar.errors import WorkFailed

Samples = NDArray[Any]  # uint8 or uint16


def upright(samples: Samples, orientation: int) -> Samples:
    """A view of (rows, columns, ...) samples as they are to be looked at (Exif 3.0, tag 0x0112: 1..8)."""
    turned = samples.swapaxes(0, 1) if orientation >= 5 else samples
    down = orientation in (3, 4, 7, 8)
    right = orientation in (2, 3, 6, 7)
    return turned[:: -1 if down else 1, :: -1 if right else 1]


def deciding(stored: int | None, asked: int | None) -> tuple[int, int | None]:
    """The orientation by which a file is brought upright, and its own if that is another one.

    Parameters
    ----------
    stored
        What the file says: 1..8, None if it says nothing, 0 if it makes no sense.
    asked
        What is asked for in its place, 1..8; None to obey the file.
    """
    own = stored or 1
    return (own, None) if asked in (None, own) else (asked or own, own)


def swaps_sides(orientation: int) -> bool:
    """Whether width and height change places."""
    return orientation >= 5


def shown_size(stored: tuple[int, int], orientation: int) -> tuple[int, int]:
    """Width and height as a picture is looked at."""
    return (stored[1], stored[0]) if swaps_sides(orientation) else stored


def of_most(frames: Iterable[tuple[tuple[int, int], int]]) -> dict[tuple[int, int], int]:
    """The orientation of most frames of a stack, by stored size, where frames of that size carry several.

    ``frames``: stored width and height, and orientation, in the order taken; of two as frequent the first one counts.
    Empty if only the orientations give all frames one size: somebody turned the pixels of some.
    """
    tags: dict[tuple[int, int], list[int]] = defaultdict(list)
    for stored, orientation in frames:
        tags[stored].append(orientation)
    shown = {shown_size(stored, tag) for stored, found in tags.items() for tag in found}
    if len(shown) == 1 and len(tags) > 1:
        return {}
    return {
        stored: Counter(found).most_common(1)[0][0] for stored, found in tags.items() if len(set(found)) > 1
    }


def finish(samples: Samples, orientation: int, out: Samples | None) -> Samples:
    """Upright samples as C-contiguous (h, w, 3); greyscale is repeated to three equal planes.

    ``samples`` is (h, w), (h, w, 1) or (h, w, 3 or more), of which the first three channels are taken.
    """
    if samples.ndim == 2:
        samples = samples[:, :, None]
    samples = upright(samples[:, :, :3], orientation)
    shape = (*samples.shape[:2], 3)
    if out is None:
        if samples.shape == shape and samples.flags.c_contiguous:
            return samples
        out = np.empty(shape, samples.dtype)
    check_out(out, shape, samples.dtype)
    if not np.shares_memory(out, samples):
        out[...] = samples
    return out


def check_out(out: Samples | None, shape: tuple[int, ...], dtype: np.dtype[Any]) -> None:
    """The array handed in must fit the picture exactly."""
    if out is not None and (out.shape != shape or out.dtype != dtype or not out.flags.c_contiguous):
        raise WorkFailed(f"the array for the pixels is {out.shape} of {out.dtype}, not {shape} of {dtype}")
