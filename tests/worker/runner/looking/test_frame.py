"""A frame made ready to be looked at: where its pixels lie, how bright and in which colours, and what is refused."""

from __future__ import annotations

import io
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms

from nearfar.errors import DoesNotFit, FrameRefused
from nearfar.frames.colour import srgb_profile
from nearfar.frames.looked import LookedWriter
from nearfar.merge.kernel.bend import Bend
from nearfar.merge.keys import file_digest
from nearfar.runner.looking.frame import make_ready
from nearfar.runner.looking.ready import Wish
from tests.api.iiif.painting import wide_profile

STILL = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
MEMORY = 1 << 30
U8 = NDArray[np.uint8]


def slope(width: int, height: int) -> U8:
    """(h, w, 3): red tells of x, green of y, so that a colour says where it was."""
    out = np.empty((height, width, 3), np.uint8)
    out[:, :, 0] = np.linspace(20, 220, width)[None, :] + 0.5
    out[:, :, 1] = np.linspace(20, 220, height)[:, None] + 0.5
    out[:, :, 2] = 100
    return out


def frame(path: Path, pixels: NDArray[Any], **options: Any) -> Path:
    tifffile.imwrite(path, pixels, photometric="rgb" if pixels.ndim == 3 else "minisblack", **options)
    return path


def wish(path: Path, size: tuple[int, int], **changes: Any) -> Wish:
    values: dict[str, Any] = {"pose": STILL, "gain_ev": 0.0} | changes
    return Wish(path=str(path), digest=file_digest(path), size=size, **values)


def made(asked: Wish, folder: Path) -> U8:
    make_ready(asked, folder / "ready.tif", memory=MEMORY, check=lambda: None)
    with tifffile.TiffFile(folder / "ready.tif") as file:  # a reader that is none of ours
        return np.asarray(file.series[0].asarray(), np.uint8)


def test_the_reference_frame_is_itself(tmp_path: Path) -> None:
    pixels = slope(700, 600)
    path = frame(tmp_path / "f.tif", pixels)
    assert np.array_equal(made(wish(path, (700, 600)), tmp_path), pixels)


def test_a_frame_is_turned_as_the_report_says_and_not_by_its_own_tag(tmp_path: Path) -> None:
    """Exif 3.0, tag 0x0112: 8 is a quarter to the left, which would give a picture of 600 x 700 pixels."""
    pixels = slope(700, 600)
    path = frame(tmp_path / "f.tif", pixels, extratags=[(274, 3, 1, 8, True)])
    asked = wish(path, (700, 600), turned=1)
    assert np.array_equal(made(asked, tmp_path), pixels)
    assert asked.key != wish(path, (700, 600), turned=3).key


def test_a_frame_lies_where_its_pose_says(tmp_path: Path) -> None:
    """The pose maps the picture's (x, y) to the frame's. Tolerance: half a step of the slope, which rises .29 a pixel."""
    width, height = 700, 1100
    path = frame(tmp_path / "f.tif", slope(width, height))
    pose = np.array([[1.01, 0.004, -9.25], [-0.004, 1.01, 6.5]])
    found = made(wish(path, (width, height), pose=tuple(map(tuple, pose.tolist()))), tmp_path)
    y, x = np.mgrid[30 : height - 30 : 37, 30 : width - 30 : 41]
    u = pose[0, 0] * x + pose[0, 1] * y + pose[0, 2]
    v = pose[1, 0] * x + pose[1, 1] * y + pose[1, 2]
    assert np.abs(found[y, x, 0] - (20 + 200 * u / (width - 1))).max() < 1.2
    assert np.abs(found[y, x, 1] - (20 + 200 * v / (height - 1))).max() < 1.2
    outside = pose[0, 0] * 0 + pose[0, 2]
    assert outside < -2
    assert found[500, 0].max() == 0, "the frame does not reach there"


def test_a_frame_that_is_bent_lies_where_its_bend_says(tmp_path: Path) -> None:
    """As above, and displaced beyond the pose by up to 8 px."""
    width, height = 700, 1100
    path = frame(tmp_path / "f.tif", slope(width, height))
    bend = {"x": [0, 3, -2, 4, 1, 0, 5, 0, -3, 1], "y": [0, 0, 2, -3, 4, 5, 0, 1, 0, 4]}
    found = made(wish(path, (width, height), bend=bend), tmp_path)
    y, x = np.mgrid[40 : height - 40 : 37, 40 : width - 40 : 41].astype(np.float64)
    du, dv = Bend.of((width, height), bend["x"], bend["y"]).at(x, y)
    at = y.astype(int), x.astype(int)
    assert max(np.abs(du).max(), np.abs(dv).max()) > 7
    assert np.abs(found[*at, 0] - (20 + 200 * (x + du) / (width - 1))).max() < 1.2
    assert np.abs(found[*at, 1] - (20 + 200 * (y + dv) / (height - 1))).max() < 1.2
    assert wish(path, (width, height), bend=bend).key != wish(path, (width, height)).key


def test_strips_join_without_a_seam(tmp_path: Path) -> None:
    """Compared with the whole carried in one go."""
    rng = np.random.default_rng(5)
    pixels = cv2.GaussianBlur(rng.integers(0, 256, (1400, 640, 3), np.uint8), (0, 0), 1.5)
    pixels = np.asarray(pixels, np.uint8)
    pose = np.array([[0.998, -0.006, 4.4], [0.006, 0.998, -3.3]])
    path = frame(tmp_path / "f.tif", pixels)
    found = made(wish(path, (640, 1400), pose=tuple(map(tuple, pose.tolist()))), tmp_path)
    whole = cv2.warpAffine(pixels, pose, (640, 1400), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
    assert np.abs(found.astype(int) - whole)[8:-8, 8:-8].max() <= 3, "32 places between two pixels"


@pytest.mark.parametrize("bits", [8, 16])
def test_the_gain_is_taken_out_in_linear_light(tmp_path: Path, bits: int) -> None:
    """Half the light of sRGB 200 is sRGB 147: ((200/255 + .055) / 1.055) ** 2.4 / 2 by IEC 61966-2-1, and back."""
    value = 200 if bits == 8 else 200 * 257
    pixels = np.full((40, 60, 3), value, f"u{bits // 8}")
    path = frame(tmp_path / "f.tif", pixels)
    found = made(wish(path, (60, 40), gain_ev=1.0), tmp_path)
    assert np.abs(found.astype(int) - 147).max() <= 1


@pytest.mark.parametrize("bits", [8, 16])
def test_colours_under_a_wide_profile_become_srgb(tmp_path: Path, bits: int) -> None:
    """Compared with LittleCMS; two steps of 8 bits."""
    rng = np.random.default_rng(2)
    eight = rng.integers(40, 200, (64, 64, 3)).astype(np.uint8)
    pixels = eight if bits == 8 else eight.astype(np.uint16) * 257
    icc = wide_profile()
    path = frame(tmp_path / "f.tif", pixels, iccprofile=icc)
    there = ImageCms.profileToProfile(
        Image.fromarray(eight),
        ImageCms.ImageCmsProfile(io.BytesIO(icc)),
        ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile())),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    found = made(wish(path, (64, 64)), tmp_path)
    assert np.abs(found.astype(int) - np.asarray(there).astype(int)).max() <= 2


def test_greyscale_stays_greyscale(tmp_path: Path) -> None:
    pixels = slope(600, 520)[:, :, 0].copy()
    path = frame(tmp_path / "f.tif", pixels)
    assert np.array_equal(made(wish(path, (600, 520)), tmp_path), pixels)


def test_another_file_in_the_place_of_the_frame_is_refused(tmp_path: Path) -> None:
    path = frame(tmp_path / "f.tif", slope(60, 40))
    asked = wish(path, (60, 40))
    frame(path, slope(60, 40)[::-1].copy())
    with pytest.raises(FrameRefused, match=r"f\.tif: found other contents .* Put the frame back"):
        make_ready(asked, tmp_path / "ready.tif", memory=MEMORY, check=lambda: None)
    path.unlink()
    with pytest.raises(FrameRefused, match="no such file"):
        make_ready(asked, tmp_path / "ready.tif", memory=MEMORY, check=lambda: None)


def test_what_needs_more_memory_is_refused_before_it_is_decoded(tmp_path: Path) -> None:
    path = frame(tmp_path / "f.tif", slope(60, 40))
    with pytest.raises(DoesNotFit, match=r"f\.tif: .* of memory are needed .* Raise memory"):
        make_ready(wish(path, (60, 40)), tmp_path / "ready.tif", memory=1 << 20, check=lambda: None)


@pytest.mark.parametrize("size", [(1301, 1999), (512, 512), (1025, 513), (3, 5)])
def test_levels_have_half_the_size_and_the_mean_colour(tmp_path: Path, size: tuple[int, int]) -> None:
    width, height = size
    rng = np.random.default_rng(0)
    pixels = rng.integers(0, 256, (height, width, 3), np.uint8)
    with LookedWriter(tmp_path / "x.tif", size, 3) as out:
        for top in range(0, height, 512):
            out.add(pixels[top : top + 512])
    with tifffile.TiffFile(tmp_path / "x.tif") as file:
        levels = [np.asarray(level.asarray()) for level in file.series[0].levels]
    assert np.array_equal(levels[0], pixels)
    for one, next_one in pairwise(levels):
        assert next_one.shape[:2] == ((one.shape[0] + 1) // 2, (one.shape[1] + 1) // 2)
        inner = one[: one.shape[0] // 2 * 2, : one.shape[1] // 2 * 2].astype(float)
        mean = inner.reshape(inner.shape[0] // 2, 2, -1, 2, 3).mean(axis=(1, 3))
        assert np.abs(next_one[: mean.shape[0], : mean.shape[1]] - mean).max() <= 0.51
    assert max(levels[-1].shape[:2]) <= 512
