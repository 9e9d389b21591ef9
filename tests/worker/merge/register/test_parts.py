"""The parts of registration, each against truth or another library."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage
from skimage.registration import phase_cross_correlation

from nearfar.merge.kernel import register_calls as kernel
from nearfar.merge.kernel.grid_calls import halve
from nearfar.merge.register import register
from nearfar.merge.register.adjust import adjust, spread
from nearfar.merge.register.banded import ChainEquations
from nearfar.merge.register.breathing import find_law
from nearfar.merge.register.coarse import block_grid, coarse_link, shift_candidates
from nearfar.merge.register.fine import astray
from nearfar.merge.register.gains import gain_between, solve_gains
from nearfar.merge.register.link import Link
from nearfar.merge.register.linking import components
from nearfar.merge.register.pictures import coarse_levels, fast_length, reduce_frame
from nearfar.merge.register.similarity import IDENTITY, Similarity, rounded, to_matrix
from nearfar.merge.register.tuning import Tuning
from nearfar.merge.register.verdict import bumps, gaps_told, repeats
from tests.worker.merge.register.bracket import make_bracket, texture
from tests.worker.merge.register.views import view_of

CENTRE = complex(239.5, 179.5)
NEAR = Similarity(1.004 + 0.003j, 3.2 - 1.7j)


def band_limited(size: tuple[int, int], seed: int = 0) -> NDArray[np.float64]:
    """A periodic texture, so that it can be moved exactly by a phase ramp."""
    random = np.random.default_rng(seed)
    return np.asarray(ndimage.gaussian_filter(random.normal(size=(size[1], size[0])), 1.5, mode="wrap"))


# --- similarities


@given(st.floats(-0.05, 0.05), st.floats(-0.05, 0.05), st.floats(-99, 99), st.floats(-99, 99))
@settings(max_examples=50, deadline=None)
def test_a_matrix_takes_pixels_where_the_similarity_takes_them(
    scale: float, roll: float, x: float, y: float
) -> None:
    p = Similarity(complex(1 + scale, roll), complex(x, y))
    for place in (0j, CENTRE, 40 - 7j):
        moved = to_matrix(p, CENTRE) @ [place.real, place.imag, 1]
        assert abs(complex(*moved) - (p.a * (place - CENTRE) + p.t + CENTRE)) < 1e-9


def test_composing_is_multiplying_matrices() -> None:
    other = Similarity(0.99 - 0.01j, -7 + 2j)
    a, b = (np.vstack([to_matrix(p, CENTRE), [0, 0, 1]]) for p in (NEAR, other))
    assert np.allclose(to_matrix(NEAR.after(other), CENTRE), (a @ b)[:2], atol=1e-12)
    assert np.allclose(to_matrix(NEAR.after(NEAR.inverse()), CENTRE), np.eye(3)[:2], atol=1e-12)


@pytest.mark.parametrize("q", [2, 4, 16])
def test_a_reduced_pixel_moves_as_the_pixels_that_it_is_made_of(q: int) -> None:
    full, reduced = to_matrix(NEAR, CENTRE), to_matrix(NEAR, CENTRE, q)
    place = np.array([7.0, 4.0])
    middle = q * place + (q - 1) / 2
    moved = full[:, :2] @ middle + full[:, 2]
    assert np.allclose(q * (reduced[:, :2] @ place + reduced[:, 2]) + (q - 1) / 2, moved, atol=1e-9)


def test_rounding_a_pose_moves_no_pixel_by_a_millionth() -> None:
    pose = to_matrix(NEAR, CENTRE)
    corner = np.array([9000, 6000, 1])
    assert np.abs((rounded(pose) - pose) @ corner).max() < 2e-6
    assert np.array_equal(rounded(rounded(pose)), rounded(pose))


# --- pictures


@pytest.mark.parametrize(
    ("size", "levels"),
    [
        ((6000, 4000), (16, 8)),
        ((1200, 900), (8, 4)),
        ((500, 400), (4,)),
        ((300, 200), (2,)),
        ((64, 48), (1,)),
    ],
)
def test_levels_suit_the_size(size: tuple[int, int], levels: tuple[int, ...]) -> None:
    assert coarse_levels(size) == levels


def test_halving_is_the_mean_of_four() -> None:
    a = np.arange(35, dtype=np.float32).reshape(5, 7)
    assert np.array_equal(halve(a), a[:4, :6].reshape(2, 2, 3, 2).mean((1, 3)))


@pytest.mark.parametrize("n", [1, 7, 97, 375, 1013])
def test_fast_lengths_have_small_factors(n: int) -> None:
    found = fast_length(n)
    assert n * 0.8 <= found <= n or n < 10
    for factor in (2, 3, 5):
        while found % factor == 0:
            found //= factor
    assert found == 1


def test_block_grids_stay_inside() -> None:
    for w, h in ((18, 18), (60, 40), (160, 120), (17, 90), (400, 300)):
        grid = block_grid(w, h)
        if len(grid):
            assert grid.min() >= 1
            assert (grid.max(axis=0) <= (w - 17, h - 17)).all()
        assert (len(grid) == 0) == (min(w, h) < 18)


# --- shifts against scikit-image


@pytest.mark.parametrize("shift", [(0.0, 0.0), (3.0, -2.0), (12.0, 7.0), (-20.0, 15.0)])
def test_whole_shifts_are_the_first_candidate(shift: tuple[float, float]) -> None:
    """skimage.registration.phase_cross_correlation names the way from the second picture back to the first."""
    first = band_limited((96, 80))
    second = np.roll(first, (int(shift[1]), int(shift[0])), (0, 1))
    found, _ = next(
        shift_candidates(
            np.fft.rfft2(first).astype(np.complex64), np.fft.rfft2(second).astype(np.complex64), first.shape
        )
    )
    theirs = phase_cross_correlation(first, second)[0]  # type: ignore[no-untyped-call]
    assert (found.real, found.imag) == shift
    assert np.allclose((-theirs[1], -theirs[0]), shift)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.31, -0.77), (5.4, 2.6)])
def test_pure_shifts_agree_with_scikit_image(shift: tuple[float, float]) -> None:
    """skimage.registration.phase_cross_correlation, upsampled 100 times, on the same luma.

    We must find the truth to .01 px, and agree with it to .05.
    """
    random = np.random.default_rng(3)
    base = texture(random, (360, 480))
    spectrum = np.fft.fft2(base, axes=(0, 1))
    fy, fx = np.fft.fftfreq(360)[:, None, None], np.fft.fftfreq(480)[None, :, None]
    moved = np.fft.ifft2(spectrum * np.exp(-2j * np.pi * (fx * shift[0] + fy * shift[1])), axes=(0, 1)).real
    views = []
    for k, light in enumerate((base, moved)):
        code = np.clip(light, 0.001, 1) ** (1 / 2.4) * 1.055 - 0.055
        views.append(view_of(np.rint(np.clip(code, 0, 1) * 65535).astype(np.uint16), name=str(k), number=k))
    pose = register(views, size=(480, 360), reference=0).frames[1].pose
    assert pose is not None
    luma = [kernel.luma(v.pixels, 1) for v in views]
    theirs = phase_cross_correlation(*luma, upsample_factor=100)[0]  # type: ignore[no-untyped-call]
    middle = pose @ (CENTRE.real, CENTRE.imag, 1) - (CENTRE.real, CENTRE.imag)
    assert np.abs(middle - shift).max() < 0.01
    assert np.abs(middle - (-theirs[1], -theirs[0])).max() < 0.05
    assert np.abs(pose[:, :2] - np.eye(2)).max() < 5e-5


# --- adjustment


def random_links(
    count: int, seed: int, *, noise: float, spans: tuple[int, ...] = (1, 2)
) -> tuple[list[Similarity], list[Link]]:
    random = np.random.default_rng(seed)
    true = [
        Similarity(complex(1 + 0.001 * k, 0.0005 * random.normal()), complex(*random.normal(size=2) * 4))
        for k in range(count)
    ]
    links = []
    for span in spans:
        for k in range(count - span):
            pose = true[k + span].after(true[k].inverse())
            off = random.normal(size=4) * noise * np.array([1, 1, 1 / 200, 1 / 200])
            pose = pose.after(Similarity(complex(1 + off[2], off[3]), complex(off[0], off[1])))
            known = np.diag([1, 1, 200.0**2, 200.0**2]) / max(noise, 1e-3) ** 2
            links.append(Link(first=k, second=k + span, pose=pose, information=known))
    return true, links


def worst(poses: list[Similarity], true: list[Similarity], reference: int) -> float:
    back = true[reference].inverse()
    expected = [t.after(back) for t in true]
    return max(abs(p.t - e.t) + 200 * abs(p.a - e.a) for p, e in zip(poses, expected, strict=True))


@pytest.mark.parametrize("reference", [0, 4, 8])
def test_exact_links_give_exact_poses(reference: int) -> None:
    true, links = random_links(9, 1, noise=0.0)
    result = adjust(9, reference, links, radius=200.0)
    assert worst(result.poses, true, reference) < 1e-6
    assert not result.covariance[reference].any()


def test_a_wrong_link_is_outvoted() -> None:
    true, links = random_links(12, 2, noise=0.01, spans=(1, 2, 3))
    bad = links[4]
    links[4] = Link(
        first=bad.first,
        second=bad.second,
        pose=Similarity(bad.pose.a, bad.pose.t + 3),
        information=bad.information,
    )
    result = adjust(12, 6, links, radius=200.0)
    assert worst(result.poses, true, 6) < 0.15
    assert result.trust[4] < 0.05
    assert np.delete(result.trust, 4).min() > 0.5


def test_the_stated_drift_is_the_scatter() -> None:
    """Monte Carlo: over 60 runs the variance of the far end matches the adjustment's covariance within 40 %."""
    found, stated = [], []
    for seed in range(60):
        true, links = random_links(8, seed, noise=0.2)
        result = adjust(8, 0, links, radius=200.0, robust=False)
        expected = true[7].after(true[0].inverse())
        found.append((result.poses[7].t - expected.t).real)
        stated.append(result.covariance[7, 0, 0])
    assert 0.6 < np.var(found) / np.mean(stated) < 1.6


def test_links_hardly_above_their_noise_yield_to_those_of_reduced_pictures() -> None:
    """All full-size links of a blurred stack .4 px off the same way, as a sensor's grid holds them, and .1 px of noise."""
    true, links = random_links(8, 2, noise=0.0, spans=(1, 2))
    faint, sure = (np.diag([1, 1, 200.0**2, 200.0**2]) / sigma**2 for sigma in (0.1, 0.03))
    held = [
        replace(k, pose=Similarity(k.pose.a, k.pose.t - 0.4), information=faint, doubt=3.0) for k in links
    ]
    reduced = [replace(k, information=sure, coarse=True) for k in links if k.second == k.first + 1]
    assert worst(adjust(8, 4, held, radius=200.0).poses, true, 4) > 0.6
    assert worst(adjust(8, 4, held + reduced, radius=200.0).poses, true, 4) < 0.15


def test_far_links_widen_the_reach_without_changing_the_answer() -> None:
    true, links = random_links(11, 3, noise=0.0, spans=(1, 2))
    ends = Link(first=0, second=10, pose=true[10].after(true[0].inverse()), information=links[0].information)
    result = adjust(11, 5, [*links, ends], radius=200.0)
    assert worst(result.poses, true, 5) < 1e-6


def test_spread_goes_by_the_shortest_links() -> None:
    _, links = random_links(6, 4, noise=0.0)
    wrong = Link(first=0, second=5, pose=IDENTITY, information=np.eye(4))
    poses = spread(6, 0, [wrong, *links])
    assert poses[5] != IDENTITY


@pytest.mark.parametrize(("frames", "reach"), [(1, 1), (7, 2), (8, 3), (5, 9)])
def test_chain_equations_equal_the_dense_ones(frames: int, reach: int) -> None:
    """numpy.linalg on the assembled matrix."""
    random = np.random.default_rng(frames)
    equations = ChainEquations(frames, reach)
    dense, right = np.zeros((4 * frames, 4 * frames)), np.zeros(4 * frames)
    for i in range(frames):
        for j in range(i, min(i + reach + 1, frames)):
            block = random.normal(size=(4, 4)) * 0.3
            if i == j:
                block = block @ block.T + 8 * np.eye(4)
            equations.add(np.array([i]), np.array([j]), block[None])
            dense[4 * i : 4 * i + 4, 4 * j : 4 * j + 4] += block
            if i != j:
                dense[4 * j : 4 * j + 4, 4 * i : 4 * i + 4] += block.T
        vector = random.normal(size=4)
        equations.pull(np.array([i]), vector[None])
        right[4 * i : 4 * i + 4] = vector
    solution, spread_of = equations.solve(), equations.marginals()
    inverse = np.linalg.inv(dense)
    assert np.allclose(solution.ravel(), np.linalg.solve(dense, right))
    for k in range(frames):
        assert np.allclose(spread_of[k], inverse[4 * k : 4 * k + 4, 4 * k : 4 * k + 4])


# --- breathing


def law_steps(count: int) -> list[tuple[float, float]]:
    return [(k, k + s) for s in (1, 2) for k in range(count - s)]


@pytest.mark.parametrize("slope", [0.0, 6e-6])
def test_the_law_of_breathing_is_found_among_bad_links(slope: float) -> None:
    steps = [(float(a), float(b)) for a, b in law_steps(20)]
    random = np.random.default_rng(5)
    log_scale = np.array([(b - a) * (1e-3 + slope * ((a + b) / 2 - 10)) for a, b in steps])
    log_scale += random.normal(size=len(steps)) * 1e-6
    log_scale[::4] += random.normal(size=len(log_scale[::4])) * 2e-3
    law = find_law(steps, log_scale, np.full(len(steps), 1e-10), radius=430.0)
    assert law is not None
    expected = 1e-3 + slope * (np.array([4.0, 12.0]) - 10)
    assert np.abs(law.at(np.array([4.0, 12.0])) - expected).max() < 2e-5
    assert law.share > 0.6


def test_lawless_scales_give_no_law() -> None:
    steps = [(float(a), float(b)) for a, b in law_steps(20)]
    log_scale = np.random.default_rng(6).normal(size=len(steps)) * 3e-3
    assert find_law(steps, log_scale, np.full(len(steps), 1e-10), radius=430.0) is None
    assert find_law(steps[:2], log_scale[:2], np.full(2, 1e-10), radius=430.0) is None


# --- brightness, parts, remarks


def test_gain_survives_a_change_of_blur() -> None:
    light = texture(np.random.default_rng(7), (300, 400))[..., 0].astype(np.float32)
    soft = ndimage.gaussian_filter(light, 2.5, mode="mirror") * np.float32(2**0.25)
    found = gain_between(light, soft.astype(np.float32), np.eye(3)[:2], 4)
    assert found is not None
    assert abs(found - 0.25) < 0.005


def test_gain_of_nothing_is_unknown() -> None:
    dark = np.zeros((50, 60), np.float32)
    assert gain_between(dark, dark, np.eye(3)[:2], 8) is None


def test_gains_add_up_to_nothing() -> None:
    true = np.array([0.1, -0.2, 0.05, 0.3])
    true -= true.mean()
    links = [(i, j, float(true[j] - true[i])) for i, j in ((0, 1), (1, 2), (2, 3), (0, 2))]
    assert np.allclose(solve_gains(4, links), true, atol=1e-6)
    assert solve_gains(1, []).tolist() == [0.0]


def test_components_are_listed_largest_first() -> None:
    assert components(range(6), [(4, 5), (0, 2), (2, 3)]) == [[0, 2, 3], [4, 5], [1]]


def test_steps_that_stand_out() -> None:
    assert bumps(np.array([2.0, 3, 2, 90, 1]), 1000) == [3]
    assert bumps(np.array([2.0, 3, 2, 9, 1]), 1000) == []
    tuning = Tuning()
    assert repeats([0.3, 0.31, 0.02, 0.28, 0.33], tuning) == [2]
    assert repeats([0.3, 0.2, 0.1, 0.2], tuning) == []
    assert repeats([0.001, 0.0, 0.002], tuning) == [0, 1, 2]


def test_frames_far_apart_in_focus_still_resemble_each_other() -> None:
    made = make_bracket(frames=5, seed=12)
    levels = coarse_levels(made.size)
    one, two = (reduce_frame(made.views()[k], levels) for k in (1, 3))
    assert coarse_link(one, two, size=made.size, tuning=Tuning()).likeness > 0.6


def test_neighbours_with_nothing_sharp_in_both_are_told_in_one_line() -> None:
    frames = [view_of(np.full((32, 32, 3), 9, np.uint16), name=f"F{k}", number=k) for k in range(7)]
    one = gaps_told(range(7), frames, [(2, 3)])
    assert one == [
        "F2 and F3 show the same scene, but no detail is sharp in both: frames focused between them are missing"
    ]
    (line,) = gaps_told([0, 1, 2, 3, 5, 6], frames, [(5, 6), (1, 2), (0, 1), (3, 4)])
    assert line.startswith("F0, F1 and F2; F5 and F6 show the same scene")
    assert gaps_told([0], frames, [(0, 1)]) == []


def test_blocks_that_contradict_each_other_make_a_link_doubtful_and_noise_or_a_bend_does_not() -> None:
    """Rims of disks out of focus move by as much as blur grows, to all sides; an error of a pose of their kind stays."""
    random = np.random.default_rng(4)
    place = (random.uniform(-400, 400, 400) + 1j * random.uniform(-300, 300, 400)).astype(np.complex128)
    sigma, weight = 0.05, np.ones(400)
    known = np.tile([sigma**-2, 0.0, sigma**-2], (400, 1))
    noise = sigma * random.normal(size=(400, 2))
    x, y = place.real / 400, place.imag / 400
    bend = np.stack([1.5 * x * x - 0.8 * x * y, 1.5 * x * y + 0.6 * y * y], axis=1)
    turn = random.uniform(0, 2 * np.pi, 400)
    rims = 1.6 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    assert astray(place, noise, weight, known) == 0
    assert astray(place, noise + bend, weight, known) < 0.02
    assert astray(place, noise + rims, weight, known) > 1
    assert astray(place, noise + 0.1 * rims, weight, known) < 0.06
    assert astray(place, noise, np.zeros(400), known) == 0
