"""Linear equations of a chain of frames, grouped so that links join neighbouring groups at most: block tridiagonal.

Cost grows with the number of frames, not with its cube. The covariance of each frame comes from the same factors.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

UNKNOWNS = 4  # of a frame, unless said otherwise: x, y, log scale, roll
_GROUP = 6  # frames in a group at least: larger equations cost less than more groups


class ChainEquations:
    """Symmetric positive definite equations, u unknowns per frame, between frames at most ``reach`` places apart."""

    def __init__(self, frames: int, reach: int, unknowns: int = UNKNOWNS) -> None:
        self.unknowns = unknowns
        self.frames, self.reach = frames, max(reach, _GROUP * UNKNOWNS // unknowns)
        self.groups = -(-frames // self.reach)
        side = unknowns * self.reach
        self.own = np.zeros((self.groups, side, side))
        self.next = np.zeros((max(self.groups - 1, 0), side, side))
        self.right = np.zeros((self.groups, side))
        spare = np.arange(frames % self.reach * unknowns, side) if frames % self.reach else np.arange(0)
        self.own[-1, spare, spare] = 1.0

    def _place(self, frame: int) -> tuple[int, slice]:
        group, k = divmod(frame, self.reach)
        return group, slice(self.unknowns * k, self.unknowns * (k + 1))

    def add(self, first: NDArray[np.intp], second: NDArray[np.intp], blocks: NDArray[np.float64]) -> None:
        """Add (m, u, u) blocks at frames (first, second), first <= second, and their transposes if first < second."""
        (gi, ki), (gj, kj) = np.divmod(first, self.reach), np.divmod(second, self.reach)
        same = gi == gj
        apart = same & (ki != kj)
        self._add(self.own, gi[same], ki[same], kj[same], blocks[same])
        self._add(self.own, gi[apart], kj[apart], ki[apart], blocks[apart].swapaxes(1, 2))
        self._add(self.next, gi[~same], ki[~same], kj[~same], blocks[~same])

    def _add(
        self,
        to: NDArray[np.float64],
        group: NDArray[np.intp],
        row: NDArray[np.intp],
        column: NDArray[np.intp],
        blocks: NDArray[np.float64],
    ) -> None:
        """Add (m, u, u) blocks in the order given; several may have the same place."""
        parts = self._parts(to).transpose(0, 1, 3, 2, 4)
        np.add.at(parts, (group, row, column), blocks)

    def _parts(self, matrices: NDArray[np.float64]) -> NDArray[np.float64]:
        """View of the matrices as (groups, reach, u, reach, u): the block of each pair of frames."""
        return matrices.reshape(-1, self.reach, self.unknowns, self.reach, self.unknowns)

    def pull(self, frames: NDArray[np.intp], vectors: NDArray[np.float64]) -> None:
        """Add vectors (m, u) to the right-hand side at these frames."""
        np.add.at(self.right.reshape(-1, self.unknowns), frames, vectors)

    def hold(self, frame: int) -> None:
        """Fix a frame's unknowns at zero, so that their covariance is zero as well."""
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

    def _eliminated(self) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
        """Pivots and right-hand sides after forward elimination, group by group."""
        pivots, right = [self.own[0]], [self.right[0]]
        for g in range(1, self.groups):
            way = np.linalg.solve(pivots[-1], self.next[g - 1]).T
            pivots.append(self.own[g] - way @ self.next[g - 1])
            right.append(self.right[g] - way @ right[-1])
        return pivots, right

    def solve(self) -> NDArray[np.float64]:
        """Solve the equations, (frames, u)."""
        pivots, right = self._eliminated()
        solved = [np.linalg.solve(pivots[-1], right[-1])]
        for g in range(self.groups - 2, -1, -1):
            solved.append(np.linalg.solve(pivots[g], right[g] - self.next[g] @ solved[-1]))
        return np.concatenate(solved[::-1]).reshape(-1, self.unknowns)[: self.frames]

    def pulled(self) -> NDArray[np.float64]:
        """The right-hand side (frames, u)."""
        return self.right.reshape(-1, self.unknowns)[: self.frames]

    def log_determinant(self) -> float:
        """Logarithm of the determinant of all equations."""
        pivots, _ = self._eliminated()
        return float(sum(np.linalg.slogdet(p)[1] for p in pivots))

    def marginals(self) -> NDArray[np.float64]:
        """The diagonal blocks of the inverse, (frames, u, u): each frame's covariance."""
        pivots, _ = self._eliminated()
        inverse = np.linalg.inv(pivots[-1])
        spread = [inverse]
        for g in range(self.groups - 2, -1, -1):
            own = np.linalg.inv(pivots[g])
            way = own @ self.next[g]
            inverse = own + way @ inverse @ way.T
            spread.append(inverse)
        blocks = self._parts(np.stack(spread[::-1]))
        index = np.arange(self.reach)
        own_blocks = blocks[:, index, :, index, :]  # (reach, groups, u, u)
        return np.swapaxes(own_blocks, 0, 1).reshape(-1, self.unknowns, self.unknowns)[: self.frames]
