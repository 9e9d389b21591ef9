"""Mends of pictures of which every pixel is known: seams, halos, levels, borders of frames, keys."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.errors import SourceChanged, UsageError
from nearfar.frames.delivered import Delivered
from nearfar.merge.kernel.picture_calls import halve
from nearfar.merge.mending.mended import Mended
from nearfar.merge.mending.planes import REACH, WHITE, bands
from tests.worker.merge.mending.mendable import AT_REST, HANDS, U16, frame_of, joined, known, wish, write

WIDTH, HEIGHT = 700, 560


def textured(rng: np.random.Generator, *, middle: float = 30000, contrast: float = 4000) -> U16:
    """Grain of several sizes, (h, w, 3)."""
    grain = sum(
        cv2.GaussianBlur(rng.standard_normal((HEIGHT, WIDTH)), (0, 0), sigma) * sigma for sigma in (1, 3, 9)
    )
    plane = middle + contrast * grain / np.asarray(grain).std()
    return np.clip(np.stack([plane, plane * 0.9, plane * 1.1], axis=2), 0, 65535).astype(np.uint16)


def whole(folder: Path, pixels: U16, wishes: list, **more: object) -> U16:  # type: ignore[type-arg]
    with known(folder, pixels, **more) as subject:  # type: ignore[arg-type]
        mended = Mended(subject, wishes, HANDS)
        return joined(subject.picture, mended.make({}))


def test_no_seam_and_no_step_of_brightness_is_seen(tmp_path: Path) -> None:
    # A frame that is the picture but 5 % brighter: the worst that is left of a flash that was not matched.
    picture = textured(np.random.default_rng(1))
    brighter = np.clip(picture * 1.05, 0, 65535).astype(np.uint16)
    frames = [frame_of(tmp_path / "f.tif", brighter)]
    step = 0.05 * 30000

    def steepest(edge: int) -> float:
        found = whole(
            tmp_path, picture, [wish("frame", (200, 150, 300, 200), edge=edge, frame=0)], frames=frames
        )
        added = found[:, :, 0].astype(np.float64) / picture[:, :, 0] - 1
        along = cv2.blur(added, (1, 61))[160:340]  # along the left and right side
        return float(np.abs(np.diff(along, axis=1)).max()) * 30000

    assert steepest(0) == pytest.approx(step, rel=0.02)
    assert steepest(16) < 0.13 * step
    assert steepest(64) < 0.07 * step


def test_detail_changes_over_within_few_pixels_and_brightness_over_many(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    picture, other = textured(rng), textured(rng, middle=33000)
    frames = [frame_of(tmp_path / "f.tif", other)]
    found = whole(tmp_path, picture, [wish("frame", (200, 150, 300, 200), edge=48, frame=0)], frames=frames)
    ring = np.s_[150:350, 516:530, 0]  # 16 to 30 pixels beyond the right side
    fine = bands(found[:, :, :].astype(np.float32))[0][ring]
    own, foreign = (bands(p.astype(np.float32))[0][ring] for p in (picture, other))
    assert np.corrcoef(fine.ravel(), own.ravel())[0, 1] > 0.99
    assert abs(np.corrcoef(fine.ravel(), foreign.ravel())[0, 1]) < 0.1
    assert found[ring].mean() - picture[ring].mean() > 0.1 * (other[ring].mean() - picture[ring].mean())


def test_smooth_takes_away_a_halo_and_specks(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float64)
    truth = np.stack([20000 + 9 * x + 6 * y, 24000 + 5 * x - 4 * y, 30000 + 3 * x], axis=2)
    thing = np.hypot(x - 180, y - 280) < 110
    # The veil of an out-of-focus edge: what a wide aperture spreads of the thing over the ground beside it.
    veil = cv2.GaussianBlur(thing.astype(np.float64), (0, 0), 14)[:, :, None]
    seen = truth + veil * (np.array([52000, 48000, 40000]) - truth)
    specks = rng.random((HEIGHT, WIDTH)) < 0.02
    seen[specks] += rng.normal(0, 5000, (specks.sum(), 3))
    seen += rng.normal(0, 260, seen.shape)
    seen[thing] = 50000
    picture = np.clip(seen, 0, 65535).astype(np.uint16)
    box = (296, 180, 150, 200)
    found = whole(tmp_path, picture, [wish("smooth", box)])
    inside = np.s_[180:380, 296:446]
    before, after = picture[inside] - truth[inside], found[inside] - truth[inside]
    assert np.sqrt((after**2).mean()) < 0.2 * np.sqrt((before**2).mean())
    assert np.abs(after).max() < 0.25 * np.abs(before).max()
    assert np.abs(np.diff(after, axis=0)).max() < 100, "no specks, no noise"


def test_quiet_of_white_noise_leaves_little_of_it_and_an_edge_stays(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    clean = np.full((HEIGHT, WIDTH, 3), 24000.0)
    clean[:, 350:] = 40000
    noisy = [np.clip(clean + rng.normal(0, 400, clean.shape), 0, 65535).astype(np.uint16) for _ in range(5)]
    frames = [frame_of(tmp_path / f"{k}.tif", frame) for k, frame in enumerate(noisy[1:])]
    found = whole(tmp_path, noisy[0], [wish("quiet", (250, 150, 200, 200))], frames=frames, noise=400 / 65535)
    inside = found[150:350, 250:450].astype(np.float64)
    assert (inside - clean[150:350, 250:450])[:, :90].std() < 0.4 * 400
    step = inside.mean(axis=(0, 2))
    assert step[101] - step[98] > 0.95 * 16000


def test_levels_follow_in_touched_tiles_at_odd_sizes_too(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    pixels = rng.integers(0, 65536, (1061, 1583, 3), np.uint16)
    other = frame_of(tmp_path / "f.tif", rng.integers(0, 65536, pixels.shape, np.uint16))
    wishes = [wish("frame", (1500, 1000, 83, 61), frame=0), wish("frame", (500, 500, 40, 40), frame=0)]
    with known(tmp_path, pixels, [other]) as subject:
        mended = Mended(subject, wishes, HANDS)
        tiles = mended.make({})
        assert set(tiles) == set(mended.tiles())
        finest = joined(subject.picture, tiles)
        for level in range(1, len(subject.picture.levels)):
            finest = halve(np.ascontiguousarray(finest))
            assert np.array_equal(joined(subject.picture, tiles, level), finest)


def test_greyscale_stays_greyscale(tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    grey = rng.integers(20000, 30000, (300, 400, 1), np.uint16)
    frame = frame_of(tmp_path / "f.tif", np.full((300, 400, 3), 9000, np.uint16))
    found = whole(tmp_path, grey, [wish("frame", (100, 100, 50, 50), edge=0, frame=0)], frames=[frame])
    assert found.shape == (300, 400, 1)
    assert np.abs(found[100:150, 100:150].astype(int) - 9000).max() < 4
    found[100:150, 100:150] = grey[100:150, 100:150]
    assert np.array_equal(found, grey)


def test_where_a_frame_does_not_reach_the_picture_stays(tmp_path: Path) -> None:
    picture = textured(np.random.default_rng(7))
    # The frame's left edge lies 300 pixels to the left of the picture's.
    moved = (
        (1.0, 0.0, 300.0),
        (0.0, 1.0, 0.0),
    )
    frame = dataclasses.replace(frame_of(tmp_path / "f.tif", np.full_like(picture, 5000)), pose=moved)
    found = whole(tmp_path, picture, [wish("frame", (300, 100, 300, 200), edge=0, frame=0)], frames=[frame])
    assert np.abs(found[100:300, 300:390].astype(int) - 5000).max() < 4
    assert np.array_equal(found[100:300, 405:600], picture[100:300, 405:600])


@pytest.mark.parametrize("use", ["frame", "map", "quiet"])
def test_a_frame_that_sees_nothing_of_the_region_changes_nothing(tmp_path: Path, use: str) -> None:
    picture = textured(np.random.default_rng(8))
    moved = ((1.0, 0.0, 5000.0), (0.0, 1.0, 0.0))
    frame = dataclasses.replace(frame_of(tmp_path / "f.tif", np.full_like(picture, 5000)), pose=moved)
    mends = [wish(use, (300, 100, 100, 100), frame=0 if use == "frame" else None)]
    found = whole(tmp_path, picture, mends, frames=[frame], noise=1e-6)
    assert np.abs(found.astype(int) - picture).max() <= (0 if use != "quiet" else 4)


def test_a_frame_that_was_written_to_is_refused(tmp_path: Path) -> None:
    picture = textured(np.random.default_rng(9))
    frame = dataclasses.replace(frame_of(tmp_path / "f.tif", picture), digest="0" * 64)
    with pytest.raises(SourceChanged, match="other contents"):
        whole(tmp_path, picture, [wish("frame", (300, 100, 100, 100), frame=0)], frames=[frame])
    with pytest.raises(UsageError, match="no frame 4"):
        whole(tmp_path, picture, [wish("frame", (300, 100, 100, 100), frame=4)], frames=[frame])


def test_keys_tell_what_a_tile_depends_on(tmp_path: Path) -> None:
    picture = np.zeros((1100, 1600, 3), np.uint16)
    frames = [frame_of(tmp_path / "f.tif", picture)]
    one, two = wish("frame", (20, 20, 60, 60), frame=0), wish("smooth", (1300, 800, 60, 60))
    over = wish("quiet", (60, 60, 40, 40))
    with known(tmp_path, picture, frames) as subject:

        def keys(*wishes: object) -> dict[tuple[int, int], str]:
            return Mended(subject, wishes, HANDS).tiles()  # type: ignore[arg-type]

        assert keys() == {}
        assert keys(one, two) == keys(two, one), "apart from each other their order is the same"
        assert {p: k for p, k in keys(one, two).items() if p[0] == 0} == {
            **{p: k for p, k in keys(one).items() if p[0] == 0},
            **{p: k for p, k in keys(two).items() if p[0] == 0},
        }
        assert keys(one, over)[(0, 0)] != keys(over, one)[(0, 0)] != keys(one)[(0, 0)]
        wider = dataclasses.replace(one, edge=13)
        assert keys(wider)[(0, 0)] != keys(one)[(0, 0)]


def test_tiles_that_are_known_are_not_made_again(tmp_path: Path) -> None:
    picture = textured(np.random.default_rng(10))
    frames = [frame_of(tmp_path / "f.tif", picture)]
    with known(tmp_path, picture, frames) as subject:
        mends = [wish("frame", (20, 20, 60, 60), frame=0)]
        tiles = Mended(subject, mends, HANDS).make({})
        frames[0].path.unlink()
        assert Mended(subject, mends, HANDS).make(tiles) == tiles


def test_white_noise_in_bands_is_as_assumed() -> None:
    rng = np.random.default_rng(11)
    found = bands(rng.standard_normal((1000, 1000)).astype(np.float32))
    inner = np.s_[REACH:-REACH, REACH:-REACH]
    assert [float((band[inner] ** 2).mean()) for band in found[:3]] == pytest.approx(WHITE, rel=0.03)


def test_bands_depend_on_what_is_in_reach_alone() -> None:
    rng = np.random.default_rng(12)
    plane: NDArray[np.float32] = rng.standard_normal((200, 220)).astype(np.float32)
    part = bands(plane[40:160, 50:170])
    for whole_band, band in zip(bands(plane), part, strict=True):
        assert np.array_equal(
            whole_band[40 + REACH : 160 - REACH, 50 + REACH : 170 - REACH], band[REACH:-REACH, REACH:-REACH]
        )


def test_the_picture_at_rest_is_its_frame(tmp_path: Path) -> None:
    """A stack of one frame at rest: what the kernel carries is the frame to a 24576th."""
    picture = textured(np.random.default_rng(13))
    frame = frame_of(tmp_path / "f.tif", picture, pose=AT_REST)
    black = np.zeros_like(picture)
    with Delivered(write(tmp_path / "black.tif", black)) as opened:
        assert opened.icc is None
    found = whole(tmp_path, black, [wish("frame", (0, 0, WIDTH, HEIGHT), frame=0)], frames=[frame])
    assert np.abs(found.astype(int) - picture)[4:-4, 4:-4].max() <= 2
