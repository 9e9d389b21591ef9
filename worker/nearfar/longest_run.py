"""The longest part of a sequence that only rises: what stands in order, where the rest is out of it.

By piles, as in patience sorting (Schensted, Longest Increasing and Decreasing Subsequences, 1961; Fredman, On Computing the
Length of Longest Increasing Subsequences, 1975; both from memory). Takes n log n steps.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence


def longest_run(values: Sequence[float], *, alike: float = 0.0) -> list[int]:
    """Indices, ascending, of the longest subsequence that never falls by more than ``alike``; of several, any one."""
    tops: list[float] = []
    at: list[int] = []
    before: list[int] = []
    for k, value in enumerate(values):
        pile = bisect.bisect_right(tops, value + alike)
        before.append(at[pile - 1] if pile else -1)
        if pile == len(tops):
            tops.append(value)
            at.append(k)
        else:
            tops[pile], at[pile] = value, k
    found = []
    k = at[-1] if at else -1
    while k >= 0:
        found.append(k)
        k = before[k]
    return found[::-1]
