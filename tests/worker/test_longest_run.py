from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest

from nearfar.longest_run import longest_run


def longest_of_all(values: list[float], alike: float) -> int:
    """Length of the longest run, by trying every subsequence."""
    for length in range(len(values), 0, -1):
        for some in combinations(values, length):
            if all(b >= a - alike for a, b in pairwise(some)):
                return length
    return 0


@pytest.mark.parametrize("seed", range(30))
def test_no_subsequence_that_rises_is_longer(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.integers(0, 8, int(rng.integers(0, 11))).astype(float).tolist()
    found = longest_run(values)
    assert found == sorted(set(found))
    assert all(values[a] <= values[b] for a, b in pairwise(found))
    assert len(found) == longest_of_all(values, 0.0)


def test_what_falls_by_no_more_than_that_is_alike() -> None:
    assert longest_run([1.0, 1.0 - 1e-12, 2.0], alike=1e-9) == [0, 1, 2]
    assert len(longest_run([1.0, 1.0 - 1e-12, 2.0])) == 2
