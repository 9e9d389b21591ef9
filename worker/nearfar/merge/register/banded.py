"""Linear equations of a chain: frames grouped so that links join a group to the next at most.

Cost grows with the number of frames, not with its cube; the covariance of each frame comes from the same factors.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

UNKNOWNS = 4


class ChainEquations:
    """Symmetric positive equations with 4 unknowns a frame, between frames at most ``reach`` places apart."""

    def __init__(self, frames: int, reach: int) -> None:
        self.frames, self.reach = frames, max(reach, 1)
        self.groups = -(-frames // self.reach)
        side = UNKNOWNS * self.reach
        self.own = np.zeros((self.groups, side, side))
        self.next = np.zeros((max(self.groups - 1, 0), side, side))
        self.right = np.zeros((self.groups, side))
        spare = np.arange(frames % self.reach * UNKNOWNS, side) if frames % self.reach else np.arange(0)
        self.own[-1, spare, spare] = 1.0

    def _place(self, frame: int) -> tuple[int, slice]:
        group, k = divmod(frame, self.reach)
        return group, slice(UNKNOWNS * k, UNKNOWNS * (k + 1))

    def add(self, i: int, j: int, block: NDArray[np.float64]) -> None:
        """Add a (4, 4) block at frames (i, j), i <= j; its mirror image is added too where i < j."""
        (gi, si), (gj, sj) = self._place(i), self._place(j)
        if gi == gj:
            self.own[gi, si, sj] += block
            if i != j:
                self.own[gi, sj, si] += block.T
        else:
            self.next[gi, si, sj] += block

    def pull(self, frame: int, vector: NDArray[np.float64]) -> None:
        """Add (4,) to the right-hand side of a frame."""
        group, part = self._place(frame)
        self.right[group, part] += vector

    def hold(self, frame: int) -> None:
        """Take a frame's unknowns out: their solution is zero and so is their covariance."""
        group, part = self._place(frame)
        self.own[group, part, :] = 0
        self.own[group, :, part] = 0
        self.right[group, part] = 0
        if group < self.groups - 1:
            self.next[group, part, :] = 0
        if group > 0:
            self.next[group - 1, :, part] = 0
        index = np.arange(part.start, part.stop)
        self.own[group, index, index] = 1.0

    def solve(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Solution (frames, 4), and each frame's own block of the inverse (frames, 4, 4)."""
        pivots, right = [self.own[0]], [self.right[0]]
        for g in range(1, self.groups):
            way = np.linalg.solve(pivots[-1], self.next[g - 1]).T
            pivots.append(self.own[g] - way @ self.next[g - 1])
            right.append(self.right[g] - way @ right[-1])
        inverse = np.linalg.inv(pivots[-1])
        solved, spread = [inverse @ right[-1]], [inverse]
        for g in range(self.groups - 2, -1, -1):
            own = np.linalg.inv(pivots[g])
            way = own @ self.next[g]
            solved.append(own @ right[g] - way @ solved[-1])
            inverse = own + way @ inverse @ way.T
            spread.append(inverse)
        solution = np.concatenate(solved[::-1]).reshape(-1, UNKNOWNS)[: self.frames]
        blocks = np.stack(spread[::-1]).reshape(self.groups, self.reach, UNKNOWNS, self.reach, UNKNOWNS)
        index = np.arange(self.reach)
        own_blocks = blocks[:, index, :, index, :]  # (reach, groups, 4, 4)
        return solution, np.swapaxes(own_blocks, 0, 1).reshape(-1, UNKNOWNS, UNKNOWNS)[: self.frames]
