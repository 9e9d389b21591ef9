"""Which frames are sharp at a place of the picture: from what the focus step left in the work folder.

It is read piece by piece and never mapped, since the folder may be swept at any moment.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.kernel.picture_calls import CELL, PRIOR_UNIT, grid_shape

Box = tuple[int, int, int, int]


def sharpness_of_frames(
    work: Path, focus_key: str, frames: int, *, size: tuple[int, int], box: Box
) -> NDArray[np.float64] | None:
    """Sharpness of each used frame in a box of the picture, (n,), 1 for a frame as sharp as any in every band.

    Parameters
    ----------
    work
        The work folder of the job's family.
    focus_key
        Under which the focus step left its volume (`nearfar.merge.focusing`).
    frames
        Frames that are used.
    size
        Width and height of the picture.
    box
        Left, top, width, height in pixels, within the picture.

    Returns
    -------
    None if the volume was swept, or is not what it should be.
    """
    rows, cols = grid_shape(*size)
    x, y, width, height = box
    left, right = x // CELL, (x + width - 1) // CELL + 1
    top, bottom = y // CELL, (y + height - 1) // CELL + 1
    line = 2 * frames * cols
    try:
        with open(work / f"{focus_key}.volume", "rb") as file:
            if os.fstat(file.fileno()).st_size != 3 * rows * cols * frames:
                return None
            data = os.pread(file.fileno(), line * (bottom - top), line * top)
    except OSError:
        return None
    if len(data) != line * (bottom - top):
        return None
    prior = np.frombuffer(data, np.uint16).reshape(bottom - top, frames, cols)[:, :, left:right]
    if not prior.any():  # nothing was kept of it in a power cut
        return None
    return np.asarray(prior.mean(axis=(0, 2), dtype=np.float64) / PRIOR_UNIT)
