"""The net: a linear step on the features, looks at the places and frames beside, and logits for three bands.

    x = relu(A f + a), then for each stage  y = x + (3 x 3 around each place) + (three taps along the frames),
    x = relu(B y + b + C max_frames x);  logit = D x + d + slope octaves(score + .001),  gain = 2^(E max_frames x + g).

x is 0 where a frame is not admitted. Sums run in the order of the loops here, as in the kernel. There are two such nets:
a larger one, of two stages, makes the hard cells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearfar.merge.chooser.features import Seen, Window
from nearfar.merge.chooser.numbers import BANDS, NEAR_ZERO
from nearfar.merge.chooser.numeric import exp2, octaves
from nearfar.merge.chooser.weights import STAGES, USUAL, Weights

F32 = NDArray[np.float32]
NOWHERE = np.float32(-1e4)


@dataclass(frozen=True, kw_only=True)
class Chosen:
    """How frames are weighed in a window: weights (n, h, w), 0..1, 1 for the best frame; gains (h, w), 1/2..2.

    Where the rule weighs them in place of a net, ``second_gain`` is 0: the second band is not chosen apart there.
    """

    colour: F32
    """Weights of all colours."""
    detail: F32
    """Weights of luma's finest band, and ``second`` those of the next one."""
    second: F32
    gain: F32
    """What luma's finest band is multiplied by, and ``second_gain`` what the next one is."""
    second_gain: F32


def _linear(matrix: F32, bias: F32 | None, planes: F32) -> list[F32]:
    """Rows of ``matrix`` (r, c) times ``planes`` (c, ...), plus ``bias`` (r,): r planes."""
    out = []
    for row in range(len(matrix)):
        total = matrix[row, 0] * planes[0]
        for k in range(1, len(planes)):
            total = total + matrix[row, k] * planes[k]
        out.append(total if bias is None else total + bias[row])
    return out


def _beside(x: F32, around: F32, along: F32) -> F32:
    """One channel (n, h, w) with the places and the frames beside it: ``around`` (3, 3) rows and columns, ``along`` (3,)."""
    n, h, w = x.shape
    p = np.pad(x, ((0, 0), (1, 1), (1, 1)), mode="edge")
    out = x
    for dy in range(3):
        for dx in range(3):
            out = out + around[dy, dx] * p[:, dy : dy + h, dx : dx + w]
    p = np.pad(x, ((1, 1), (0, 0), (0, 0)))
    for k in range(3):
        out = out + along[k] * p[k : k + n]
    return np.asarray(out)


def logits(weights: Weights, seen: Seen, mask: F32, net: str = USUAL) -> tuple[F32, F32]:
    """Logits to the base 2 (3, n, h, w), of colours and luma's two finest bands, and gains (2, h, w), 1/2..2.

    Parameters
    ----------
    seen
        What `features` found.
    mask
        (n, h, w), above 0 where a frame is admitted, as in `Window`.
    net
        Which of the two, see `weights.STAGES`.

    Notes
    -----
    Each stage reads one place and one frame further on each side.
    """
    part = {name[len(net) :]: p for name, p in weights.parts().items() if name.startswith(net)}
    there, nothing = (mask > 0).astype(np.float32), np.float32(0)
    x = np.stack(
        [np.maximum(p, nothing) * there for p in _linear(part["inward"], part["inward_bias"], seen.values)]
    )
    for k in range(STAGES[net]):
        around, along = part[f"around{k}"], part[f"along{k}"]
        y = np.stack([_beside(c, around[i], along[i]) for i, c in enumerate(x)])
        most = _linear(part[f"most{k}"], None, x.max(axis=1))
        y = np.stack(_linear(part[f"middle{k}"], part[f"middle_bias{k}"], y))
        x = np.stack([np.maximum(c + m, nothing) * there for c, m in zip(y, most, strict=True)])
    out = _linear(part["outward"], part["outward_bias"], x)
    near = octaves(seen.score + np.float32(NEAR_ZERO))
    gains = np.stack(_linear(part["gain"], part["gain_bias"], x.max(axis=1)))
    return np.stack([out[b] + part["slope"][b] * near for b in range(BANDS)]), exp2(np.clip(gains, -1, 1))


def choose(weights: Weights, window: Window, seen: Seen, net: str = USUAL) -> Chosen:
    """How the frames of a window are weighed; 0 where one is not admitted. ``seen``, ``net``: as for `logits`."""
    found, gains = logits(weights, seen, window.mask, net)
    colour, detail, second = (_weights(band, window.admission) for band in found)
    return Chosen(colour=colour, detail=detail, second=second, gain=gains[0], second_gain=gains[1])


def _weights(logit: F32, admission: F32) -> F32:
    held = np.where(admission > 0, logit, NOWHERE)
    return np.asarray(exp2(held - held.max(axis=0)) * admission, np.float32)
