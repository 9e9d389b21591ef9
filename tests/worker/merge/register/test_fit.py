"""Blocks' equations and the robust fit: the kernel against its specification, and against a plain least squares."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.kernel import fit_calls, twin_fit

F64 = NDArray[np.float64]
UPPER = np.triu_indices(6)


def moments_of(random: np.random.Generator, count: int, shifts: F64, noise: float = 0.01) -> F64:
    """Moments of blocks of 256 pixels whose difference is that of a shift, a change of blur and of gain, and noise."""
    terms = random.normal(size=(count, 256, 6))
    terms[:, :, 4] = 1
    blur, gain, offset = random.normal(0, 0.1, (3, count, 1))
    change = -terms[:, :, 0] * shifts[:, :1] - terms[:, :, 1] * shifts[:, 1:]
    change += blur * terms[:, :, 2] + gain * terms[:, :, 3] + offset
    terms[:, :, 5] = change + random.normal(0, noise, (count, 256))
    full = np.einsum("kni,knj->kij", terms, terms)
    return np.ascontiguousarray(full[:, UPPER[0], UPPER[1]])


def measured(
    random: np.random.Generator, count: int, step: F64, *, wrong: float = 0.0
) -> tuple[F64, F64, F64]:
    """Equations of blocks at (x, y) that move by ``step``, a share of them by anything."""
    x, y = random.uniform(-500, 500, (2, count))
    shifts = np.stack([step[0] + x * step[2] - y * step[3], step[1] + y * step[2] + x * step[3]], axis=1)
    shifts[: int(wrong * count)] += random.uniform(-3, 3, (int(wrong * count), 2))
    return fit_calls.equations(moments_of(random, count, shifts)), x, y


STEP = np.array([0.3, -0.2, 4e-4, -2e-4])


@pytest.mark.parametrize("count", [2, 37, 400])
def test_the_kernel_equals_its_twin(count: int) -> None:
    random = np.random.default_rng(count)
    moments = moments_of(random, count, random.normal(size=(count, 2)))
    moments[random.random(count) < 0.1] = 0
    table = fit_calls.equations(moments)
    assert table.tobytes() == twin_fit.equations(moments).tobytes()
    x, y = random.uniform(-3000, 3000, (2, count))
    for weights, q in ((None, 1.0), (random.random(count), 1.0), (random.random(count), 8.0)):
        ours, theirs = fit_calls.fit(table, x, y, weights, q), twin_fit.fit(table, x, y, weights, q)
        assert (ours is None) == (theirs is None)
        if ours is not None and theirs is not None:
            for name in ("step", "information", "residual", "weight", "effective"):
                assert (
                    np.asarray(getattr(ours, name)).tobytes() == np.asarray(getattr(theirs, name)).tobytes()
                )


def test_a_similarity_is_found_though_a_third_of_the_blocks_say_something_else() -> None:
    table, x, y = measured(np.random.default_rng(1), 300, STEP, wrong=0.33)
    found = fit_calls.fit(table, x, y, None, 1.0)
    assert found is not None
    assert np.abs(found.step - STEP).max() < 0.01
    assert np.abs(found.step[2:] - STEP[2:]).max() < 2e-5
    assert np.median(found.weight[:99]) < 0.2 * np.median(found.weight[99:])
    assert np.hypot(*found.residual[99:].T).max() < 0.1


def test_blocks_agree_with_least_squares_by_numpy() -> None:
    """One block alone: numpy.linalg.lstsq over its pixels, with all five unknowns free."""
    random = np.random.default_rng(2)
    terms = random.normal(size=(256, 6))
    terms[:, 4] = 1
    solved = np.linalg.lstsq(terms[:, :5], terms[:, 5], rcond=None)
    full = terms.T @ terms
    table = fit_calls.equations(np.ascontiguousarray(full[UPPER])[None])[0]
    shift = np.linalg.solve([[table[0], table[1]], [table[1], table[2]]], table[3:5])
    assert np.allclose(-shift, solved[0][:2])
    assert table[5] == pytest.approx(float(solved[1][0]) / 250, rel=1e-3)


def test_blocks_that_were_not_measured_say_nothing() -> None:
    table = fit_calls.equations(np.zeros((5, 21)))
    assert (table[:, 5] == -1).all()
    assert fit_calls.fit(table, np.zeros(5), np.zeros(5), None, 1.0) is None
