"""What blur does on tilted surfaces, and that it is taken out."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from nearfar.merge.kernel import register_calls as kernel
from nearfar.merge.kernel.fit_calls import equations
from nearfar.merge.kernel.grid_calls import Peaks, add_to_peaks
from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.register.tilt import Growth, busiest, find_tilt, growth_of, lean_of, usual_growth

WIDTH, HEIGHT, MARGIN = 420, 150, 16
APERTURE, SLOPE = 0.4, 0.13  # px of blur radius a frame; frames of depth a px


def rays(light: NDArray[np.float64], focus: float) -> Pixels:
    """A plane that is tilted along x as a lens focused at ``focus`` sees it, ray by ray, then blurred by the pixels.

    A ray through place p of the lens (unit disk) meets the surface where X = x + p R(X), R = aperture (slope X - focus).
    """
    spline = ndimage.spline_filter(light)
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float64)
    x -= (WIDTH - 1) / 2
    side = (np.arange(11) - 5) / 5.5
    lens = [(p, q) for p in side for q in side if p * p + q * q <= 1]
    seen = np.zeros((HEIGHT, WIDTH))
    for p, q in lens:
        there = (x - p * APERTURE * focus) / (1 - p * APERTURE * SLOPE)
        down = y + q * APERTURE * (SLOPE * there - focus)
        at = [down + MARGIN, there + (WIDTH - 1) / 2 + MARGIN]
        seen += ndimage.map_coordinates(spline, at, prefilter=False, mode="mirror")
    seen = ndimage.gaussian_filter(seen / len(lens), 0.5)
    samples = np.rint(np.clip(32768 + 5000 * seen, 0, 65535)).astype(np.uint16)
    table = np.linspace(0, 1, 65536).astype(np.float32)
    return Pixels(samples=np.repeat(samples[..., None], 3, 2), table=table)


def texture(fall: float) -> NDArray[np.float64]:
    """Noise whose amplitude goes with frequency to the power of -fall."""
    shape = HEIGHT + 2 * MARGIN, WIDTH + 2 * MARGIN
    fy, fx = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None]
    grain = np.fft.irfft2(
        np.fft.rfft2(np.random.default_rng(3).normal(size=shape))
        / np.maximum(np.hypot(fy, fx), 1 / 60) ** fall,
        s=shape,
    )
    return np.asarray(grain / grain.std())


def shift_between(first: Pixels, second: Pixels, lean: tuple[float, float]) -> float:
    """Shift in x of what is near focus, by all blocks together, where each is levelled by ``lean``."""
    xs, ys = np.arange(120, 290, 8), np.arange(16, HEIGHT - 32, 8)
    x, y = np.meshgrid(xs, ys)
    origins = np.stack([x.ravel(), y.ravel()], 1).astype(np.int32)
    half = (np.tile(lean, (len(origins), 1)) / 2).astype(np.float32)
    one = kernel.windows(first, 1, origins - 1, 18, half)
    two = kernel.windows(second, 1, origins - 5, 26, -half)
    at = np.arange(len(origins), dtype=np.int64)
    moments = kernel.sums(origins, one, at * 18 * 18, two, at * 26 * 26, origins - 5, np.eye(3)[:2].copy())
    found = equations(moments)
    xx, xy, yy, gx, gy = (1 / (found[:, 5] + 1e-12)) @ found[:, :5]
    return float(np.linalg.solve([[xx, xy], [xy, yy]], [gx, gy])[0])


@pytest.mark.parametrize(("fall", "seeming"), [(1.6, 0.004), (0.0, -0.004)])
def test_levelled_light_takes_out_the_shift_that_refocusing_a_tilted_plane_feigns(
    fall: float, seeming: float
) -> None:
    # Ray optics: the mean place that a pixel sees is x + R grad R / 4, so a step of one frame moves it by a quarter of
    # aperture^2 slope, .0052 px; the band-pass adds to that on coarse texture and takes more than all on fine.
    light = texture(fall)
    first, second = rays(light, -0.5), rays(light, 0.5)
    raw = shift_between(first, second, (0.0, 0.0))
    levelled = shift_between(first, second, (-(APERTURE**2) * SLOPE / 4, 0.0))
    assert raw == pytest.approx(seeming, abs=0.0025)
    assert abs(levelled) < 0.3 * abs(raw)


SAME = np.eye(3)[:2].copy()


def peaks_of(depth: NDArray[np.float64], frames: int) -> Peaks:
    """Energies that fall as a Gaussian of two frames from where each cell lies."""
    rows, columns = depth.shape
    peaks = Peaks.none((rows, columns))
    for k in range(frames):
        add_to_peaks(peaks, np.exp(-((k - depth) ** 2) / 8).astype(np.float32), SAME, np.float32(0))
    return peaks


def test_depth_and_its_rise_come_from_the_energies() -> None:
    rows, columns = np.mgrid[:20, :30]
    depth = 4 + 0.8 * columns + 0.1 * rows
    tilt = find_tilt(peaks_of(depth, 36), 1e-6)
    assert np.abs(tilt.depth - depth)[2:-2, 2:-2].max() < 0.05
    d, rise = tilt.at(np.array([160.0]), np.array([100.0]))
    assert rise[0] == pytest.approx((0.8 + 0.1j) / 16, rel=0.03)
    assert d[0] == pytest.approx(4 + 0.8 * 10 + 0.1 * 6, abs=0.05)


def test_an_edge_in_depth_is_no_tilt() -> None:
    depth = np.where(np.arange(30)[None] < 15, 3.0, 20.0) * np.ones((20, 1))
    tilt = find_tilt(peaks_of(depth, 26), 1e-6)
    assert np.abs(tilt.rise_x[:, :12]).max() < 1e-3
    assert np.abs(tilt.rise_x[:, 18:]).max() < 1e-3


def test_where_nothing_is_seen_nothing_is_levelled() -> None:
    peaks = Peaks.none((12, 12))
    add_to_peaks(peaks, np.zeros((12, 12), np.float32), SAME, np.float32(0))
    tilt = find_tilt(peaks, 1.0)
    assert np.isnan(tilt.depth).all()
    assert not tilt.rise_x.any()
    assert not lean_of(tilt.at(np.zeros(1), np.zeros(1))[1], -0.04).any()


def test_growth_is_found_among_blocks_that_hide_something() -> None:
    random = np.random.default_rng(0)
    depth = random.uniform(8, 13, 200)
    blur = 0.01 - 0.04 * (depth - 10.5) + random.normal(0, 0.005, 200)
    blur[::5] += random.uniform(-1, 1, 40)
    found = growth_of(blur, np.ones(200), depth, 10.5)
    assert found is not None
    assert found.slope == pytest.approx(-0.04, rel=0.1)
    assert growth_of(blur[:5], np.ones(5), depth[:5], 10.5) is None


def test_the_usual_growth_is_a_median_and_never_positive() -> None:
    links = [Growth(slope=s, information=w) for s, w in ((-0.04, 5.0), (-0.05, 4.0), (0.3, 1.0))]
    assert usual_growth(links) == -0.04
    assert usual_growth(links[2:]) == 0.0
    assert usual_growth([]) == 0.0
    assert usual_growth([Growth(slope=-0.04, information=0.0)]) == 0.0, "nothing is known"


def test_growth_is_measured_where_surfaces_are() -> None:
    depth = np.linspace(20, 36, 300).reshape(15, 20)
    depth[0, :5] = np.nan
    places = busiest(depth, 200, 8)
    assert len(places) == 8
    assert 18 <= places[0] < places[-1] <= 36
    assert busiest(np.full((3, 3), np.nan), 9, 4) == [0, 2, 4, 6], (
        "spread over the stack where nothing is known"
    )
    assert busiest(np.full((3, 3), 8.0), 9, 4) == [7]


def test_a_steep_shell_by_macro_is_levelled_and_what_no_lens_does_is_not() -> None:
    steep, wall = lean_of(np.array([0.095 + 0j, 1.0 + 0j]), -0.84)
    assert steep[0] == pytest.approx(-0.0798)
    assert not wall.any()
