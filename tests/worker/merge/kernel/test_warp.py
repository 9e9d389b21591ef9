"""A frame carried into the picture's geometry: the kernel against its specification, OpenCV and exact evaluation."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import CubicHermiteSpline

from nearfar.merge.kernel import twin_warp
from nearfar.merge.kernel.bend import Bend
from tests.worker.merge.kernel.stacks import LAYOUTS, identity, random_bend, similarity
from tests.worker.merge.kernel.warp_call import carry

SIZE = (208, 128)
HELD = 1 / 24576
"""Colours are held in steps of this; half of it is the rounding of every bound below."""
HELD_TO = 32767 * HELD


def noise_picture(
    rng: np.random.Generator, size: tuple[int, int] = SIZE, dtype: Any = np.uint16
) -> NDArray[Any]:
    return rng.integers(0, int(np.iinfo(dtype).max) + 1, (size[1], size[0], 3)).astype(dtype)


def smooth_picture(rng: np.random.Generator) -> NDArray[np.uint16]:
    """Noise under a Gaussian of 1.2 pixels, full range: about as sharp as a lens draws."""
    soft = ndimage.gaussian_filter(rng.random((SIZE[1], SIZE[0], 3)), (1.2, 1.2, 0))
    return np.round((soft - soft.min()) / np.ptp(soft) * 65535).astype(np.uint16)


def colours(
    samples: NDArray[Any], pose: NDArray[np.float64], size: tuple[int, int] = SIZE
) -> NDArray[np.float64]:
    """The picture (h, w, 3) that the kernel makes of one frame, 0..1 and a little beyond."""
    carried = carry(samples, None, pose, 0, 0, *size)
    return np.moveaxis(carried.colour, 0, 2).astype(np.float64) / 24576


def opencv(samples: NDArray[Any], pose: NDArray[np.float64]) -> NDArray[np.float32]:
    """cv2.warpAffine, Lanczos over eight samples, in float32: near to what the samples stand for."""
    values = samples.astype(np.float32) / np.float32(np.iinfo(samples.dtype).max)
    flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(values, pose, SIZE, flags=flags, borderMode=cv2.BORDER_REFLECT), np.float32
    )


def cubic_of_six(s: NDArray[np.float64]) -> NDArray[np.float64]:
    """The cubic with value 1 at 0 and 0 at 1, 2, 3, and with slopes -.8 at 1, .2 at 2 and none at 0 and 3, by SciPy's
    interpolation from values and slopes (Hermite's)."""
    kernel = CubicHermiteSpline([0, 1, 2, 3], [1, 0, 0, 0], [0, -0.8, 0.2, 0])
    s = np.abs(s)
    return np.where(s < 3, kernel(np.minimum(s, 3)), 0)


def exact(samples: NDArray[Any], pose: NDArray[np.float64], bend: Bend | None = None) -> NDArray[np.float64]:
    """Both axes' cubic at the exact place of every pixel, in double precision, mirrored outside."""
    height, width, _ = samples.shape
    values = samples / float(np.iinfo(samples.dtype).max)
    y, x = np.mgrid[: SIZE[1], : SIZE[0]].astype(float)
    u, v = (p[0] * x + p[1] * y + p[2] for p in pose)
    if bend is not None:
        du, dv = bend.at(x, y)
        u, v = u + du, v + dv
    i, j = np.floor(u).astype(int), np.floor(v).astype(int)

    def mirrored(k: NDArray[Any], n: int) -> NDArray[Any]:
        k = np.mod(k, 2 * n)
        return np.where(k >= n, 2 * n - 1 - k, k)

    out = np.zeros((*u.shape, 3))
    for dy in range(-2, 4):
        for dx in range(-2, 4):
            weight = cubic_of_six(v - j - dy) * cubic_of_six(u - i - dx)
            out += weight[..., None] * values[mirrored(j + dy, height), mirrored(i + dx, width)]
    return out


POSES = {
    "at rest": similarity(1, 0, (0, 0), SIZE),
    "shifted": similarity(1, 0, (0.37, -12.81), SIZE),
    "scaled 0.5 %": similarity(1.005, 0, (-3.3, 0.4), SIZE),
    "scaled 3 %": similarity(0.97, 0, (0.2, 0.7), SIZE),
    "scaled 7 %": similarity(1.07, 0.002, (1.1, -2.2), SIZE),
    "scaled 40 %": similarity(1.4, -0.01, (0.4, 0.3), SIZE),
    "halved": similarity(0.5, 0, (0, 0), SIZE),
    "rolled a little": similarity(1, 0.004, (2.5, 0.3), SIZE),
    "rolled 2 degrees": similarity(1.002, -0.035, (0.1, 0.6), SIZE),
    "rolled 10 degrees": similarity(1, 0.1745, (4.2, -7.7), SIZE),
    "partly outside": similarity(1.001, 0.001, (-130.4, 70.2), SIZE),
    "far outside": similarity(1.001, 0.001, (2000.6, -5000.2), SIZE),
}


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("name", POSES)
def test_the_kernel_carries_what_is_specified_bit_for_bit(
    rng: np.random.Generator, name: str, dtype: Any
) -> None:
    samples = noise_picture(rng, dtype=dtype)
    place = (-32, -24, 272, 176)
    bent = identity(samples) ** np.float32(1.1)
    for table in (None, bent):
        expected = twin_warp.carry(samples, table, POSES[name], *place)
        for layout in LAYOUTS:
            found = carry(samples, table, POSES[name], *place, layout=layout)
            for plane, values in vars(expected).items():
                np.testing.assert_array_equal(getattr(found, plane), values, err_msg=f"{plane}, {layout}")


@pytest.mark.parametrize("name", POSES)
def test_a_bent_frame_is_carried_as_specified_whatever_the_window(
    rng: np.random.Generator, name: str
) -> None:
    samples = noise_picture(rng)
    for most in (0.6, 4.0, 20.0):
        bend = random_bend(rng, SIZE, most)
        expected = twin_warp.carry(samples, None, POSES[name], -32, -24, 272, 176, bend)
        found = carry(samples, None, POSES[name], -32, -24, 272, 176, bend=bend)
        for plane, values in vars(expected).items():
            np.testing.assert_array_equal(getattr(found, plane), values, err_msg=plane)
        part = carry(samples, None, POSES[name], 16, 8, 160, 96, bend=bend, box=(32, 10, 144, 90))
        here = np.s_[:, 32 + 10 : 32 + 90, 48 + 32 : 48 + 144]
        np.testing.assert_array_equal(part.colour[:, 10:90, 32:144], expected.colour[here])


@pytest.mark.parametrize("most", [0.6, 4.0])
def test_a_bent_frame_is_where_its_bend_says(rng: np.random.Generator, most: float) -> None:
    """Against both axes' cubic (Keys, as above) at the exact place of every pixel."""
    samples, pose = smooth_picture(rng), similarity(1.003, 0.004, (1.3, -0.6), SIZE)
    bend = random_bend(rng, SIZE, most)
    found = np.moveaxis(carry(samples, None, pose, 0, 0, *SIZE, bend=bend).colour, 0, 2) / 24576
    inside = np.s_[8:-8, 8:-8]
    error = (found - exact(samples, pose, bend))[inside]
    assert np.sqrt((error**2).mean()) < 2e-4
    assert np.sqrt(((found - exact(samples, pose))[inside] ** 2).mean()) > 1e-3


@pytest.mark.parametrize("size", [(1, 1), (2, 1), (1, 50), (5, 3), (17, 33)], ids=str)
def test_frames_of_a_few_pixels_are_carried_as_well(rng: np.random.Generator, size: tuple[int, int]) -> None:
    samples = noise_picture(rng, size)
    for pose in (similarity(1, 0, (0.3, -0.4), size), similarity(1.05, 0.06, (-2.2, 3.1), size)):
        expected = twin_warp.carry(samples, None, pose, -32, -24, 128, 112)
        found = carry(samples, None, pose, -32, -24, 128, 112)
        for plane, values in vars(expected).items():
            np.testing.assert_array_equal(getattr(found, plane), values, err_msg=plane)


@pytest.mark.parametrize("name", POSES)
def test_a_pixel_does_not_depend_on_window_or_box(rng: np.random.Generator, name: str) -> None:
    samples = noise_picture(rng)
    whole = carry(samples, None, POSES[name], -32, -24, 320, 240)
    other = carry(samples, None, POSES[name], 16, 8, 160, 120, box=(32, 10, 144, 90))
    here = np.s_[8 + 24 + 10 : 8 + 24 + 90, 16 + 32 + 32 : 16 + 32 + 144]
    np.testing.assert_array_equal(other.colour[:, 10:90, 32:144], whole.colour[:, here[0], here[1]])
    np.testing.assert_array_equal(
        other.fine[12:88, 34:142], whole.fine[here][2:-2, 2:-2], err_msg="away from the box's edges"
    )
    assert not other.colour[:, :10].any()
    assert not other.colour[:, :, 144:].any()


def test_a_frame_at_rest_stays_as_it_is(rng: np.random.Generator) -> None:
    samples = noise_picture(rng)
    np.testing.assert_allclose(colours(samples, POSES["at rest"]), samples / 65535, atol=0.51 * HELD)


@pytest.mark.parametrize("name", ["at rest", "shifted", "scaled 40 %", "halved", "partly outside"])
def test_shifts_and_strong_scales_are_exact(rng: np.random.Generator, name: str) -> None:
    """Within the step in which colours are held, of an evaluation in double precision; on the worst input there is."""
    pose = POSES[name].copy()
    pose[0, 1] = pose[1, 0] = 0.0  # without roll, which slants the rows between the two passes
    samples = noise_picture(rng)
    error = colours(samples, pose) - np.clip(exact(samples, pose), -HELD_TO, HELD_TO)
    assert np.abs(error).max() < 0.55 * HELD


BOUNDS = {
    # pose: RMS and largest error where nothing is cut off, of white noise over the full range, and of a smooth picture
    "scaled 0.5 %": ((1e-4, 2e-3), (5e-5, 1e-3)),
    "scaled 3 %": ((5e-4, 0.015), (2e-4, 6e-3)),
    "scaled 7 %": ((7e-4, 0.02), (3e-4, 9e-3)),
    "rolled a little": ((9e-4, 6e-3), (4e-5, 4e-4)),
    "rolled 2 degrees": ((7e-3, 0.05), (3e-4, 7e-3)),
    "rolled 10 degrees": ((0.032, 0.2), (8e-4, 6e-3)),
}


@pytest.mark.parametrize("name", BOUNDS)
def test_other_poses_are_within_their_bounds(rng: np.random.Generator, name: str) -> None:
    """Neighbours share an offset, and two passes sample along slanted rows: both errors are measured here, and stay
    below a hundredth of white on pictures that a lens could draw."""
    for samples, (rms, most) in zip((noise_picture(rng), smooth_picture(rng)), BOUNDS[name], strict=True):
        error = (colours(samples, POSES[name]) - np.clip(exact(samples, POSES[name]), -HELD_TO, HELD_TO))[
            6:-6, 6:-6
        ]
        assert np.sqrt((error**2).mean()) < rms
        assert np.abs(error).max() < most


@pytest.mark.parametrize(
    "name", ["at rest", "shifted", "scaled 0.5 %", "rolled a little", "rolled 2 degrees"]
)
def test_opencv_sees_the_same(rng: np.random.Generator, name: str) -> None:
    """Outside reference: cv2.warpAffine with INTER_LANCZOS4. Release 5 is exact; older ones round places to 1/32 pixel
    (from memory; 1/64 pixel along both axes at this picture's steepest slope of .5 a pixel is below .02)."""
    samples = smooth_picture(rng)
    error = np.abs(colours(samples, POSES[name]) - opencv(samples, POSES[name]))[6:-6, 6:-6]
    rounds = int(cv2.__version__.split(".")[0]) < 5
    assert error.max() < (0.02 if rounds else 0.012)
    assert np.sqrt((error**2).mean()) < (0.006 if rounds else 0.002)


def test_fine_stripes_keep_most_of_their_contrast_between_pixels() -> None:
    """Against Keys' cubic over four samples (IEEE Trans. ASSP 29, 1981; slope -.75), by its formula: at .3 and .35 cycles a
    pixel half-way between two pixels it keeps .88 and .72 of them, this one at least .94 and .8."""
    for cycles, keys, least in ((0.3, 0.876, 0.94), (0.35, 0.724, 0.8)):
        phase = np.pi * cycles * np.array([1, 3])
        assert pytest.approx(2 * (0.59375 * np.cos(phase[0]) - 0.09375 * np.cos(phase[1])), abs=2e-3) == keys
        stripes = 0.5 + 0.3 * np.cos(2 * np.pi * cycles * np.arange(SIZE[0]))
        samples = np.round(np.broadcast_to(stripes[None, :, None], (SIZE[1], SIZE[0], 3)) * 65535)
        found = colours(samples.astype(np.uint16), similarity(1, 0, (0.5, 0), SIZE))[:, 16:-16]
        wave = np.exp(-2j * np.pi * cycles * np.arange(16, SIZE[0] - 16))
        kept = 2 * np.abs(((found[64, :, 1] - 0.5) * wave).mean()) / 0.3
        assert least < kept < 1.05


def test_a_plain_frame_stays_plain() -> None:
    for level in (0, 1, 127, 255):
        samples = np.full((SIZE[1], SIZE[0], 3), level, np.uint8)
        for pose in POSES.values():
            np.testing.assert_allclose(colours(samples, pose), level / 255, atol=0.75 * HELD)


def test_the_weights_are_the_cubics_and_add_up_to_one() -> None:
    t = np.linspace(-0.16, 1.16, 100).astype(np.float32)
    weights = twin_warp.weights_at(t)
    np.testing.assert_allclose(sum(weights), 1, atol=5e-7)
    inside = (t >= 0) & (t <= 1)
    for k, w in enumerate(weights):
        np.testing.assert_allclose(w[inside], cubic_of_six(t[inside].astype(float) - (k - 2)), atol=3e-7)
