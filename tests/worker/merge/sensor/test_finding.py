"""Hot and dead pixels and dust: found where they are, and nothing else taken for one. Truth: tests/scenes/sensor.py."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.noise import Noise
from nearfar.merge.sensor import Spot, Spots, find_spots
from tests.scenes import Scene, render, similarity
from tests.scenes.files import as_8bit
from tests.scenes.sensor import Flaw, flaws, spoilt
from tests.worker.merge.sensor.views import noise_of, view, views

SIZE = (560, 420)


@pytest.fixture(scope="module")
def scene() -> Scene:
    return render("occlusion", frames=8, size=SIZE, seed=42, jitter=4.0, breathing=0.03)


@pytest.fixture(scope="module")
def on_sensor() -> list[Flaw]:
    return flaws(np.random.default_rng(8), SIZE, hot=15, dead=6, dust=6)


def found(scene: Scene) -> Spots:
    frames = views(scene)
    return find_spots(frames, noise_of(frames), lambda: None)


def hit(spots: Sequence[Spot], flaw: Flaw) -> list[Spot]:
    reach = 1.0 if flaw.kind != "dust" else 0.5 * flaw.radius
    return [s for s in spots if s.kind == flaw.kind and np.hypot(s.x - flaw.x, s.y - flaw.y) <= reach]


def test_hot_and_dead_pixels_and_dust_are_found_where_they_are(scene: Scene, on_sensor: list[Flaw]) -> None:
    places = found(spoilt(scene, on_sensor)).places
    share = {
        k: np.mean([bool(hit(places, f)) for f in on_sensor if f.kind == k]) for k in ("hot", "dead", "dust")
    }
    assert share["hot"] >= 0.9, share
    assert share["dead"] >= 0.6, share  # a dead pixel in a dark place is no different from its neighbours
    # Where fine detail lies under it, or it takes little light, it is not believed.
    assert share["dust"] >= 0.5, share
    for spot in places:
        assert any(hit([spot], f) for f in on_sensor), f"nothing is at {spot}"


def test_the_light_that_dust_takes_is_measured(scene: Scene, on_sensor: list[Flaw]) -> None:
    places = found(spoilt(scene, on_sensor)).places
    for flaw in (f for f in on_sensor if f.kind == "dust"):
        for spot in hit(places, flaw):
            assert 1 - spot.light[0] == pytest.approx(flaw.size, abs=0.04)
            assert spot.reach == pytest.approx(1.5 * flaw.radius, abs=4)


def test_frames_of_8_bit_tell_as_much(scene: Scene, on_sensor: list[Flaw]) -> None:
    bad = spoilt(scene, on_sensor)
    frames = [view(as_8bit(f), p) for f, p in zip(bad.frames, bad.poses, strict=True)]
    places = find_spots(frames, noise_of(frames), lambda: None).places
    assert np.mean([bool(hit(places, f)) for f in on_sensor if f.kind == "hot"]) >= 0.9


def test_jpeg_keeps_hot_pixels_findable(scene: Scene, on_sensor: list[Flaw]) -> None:
    bad = spoilt(scene, on_sensor)
    frames = []
    for frame, pose in zip(bad.frames, bad.poses, strict=True):
        coded = cv2.imencode(".jpg", as_8bit(frame)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])[1]
        frames.append(view(np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR))[..., ::-1], pose))
    places = find_spots(frames, noise_of(frames), lambda: None).places
    strong = [f for f in on_sensor if f.kind == "hot" and f.size > 0.3]
    assert np.mean([bool(hit(places, f)) for f in strong]) >= 0.8
    assert all(any(np.hypot(s.x - f.x, s.y - f.y) < 12 for f in on_sensor) for s in places)


@pytest.mark.parametrize(
    ("kind", "frames", "jitter", "breathing"),
    [
        ("hairs", 8, 0.8, 0.004),
        ("dome", 8, 4.0, 0.03),
        ("occlusion", 8, 0.3, 0.02),
        ("lowlight", 6, 2.0, 0.02),
    ],
)
def test_a_clean_sensor_has_no_spots(kind: str, frames: int, jitter: float, breathing: float) -> None:
    clean = render(kind, frames=frames, size=(480, 360), seed=12, jitter=jitter, breathing=breathing)
    assert found(clean).places == ()


def stars(
    at: NDArray[np.float64], blur: Sequence[float], shift: Sequence[float] = ()
) -> list[NDArray[np.uint16]]:
    """A dark sky with points of light, each frame blurred and shifted as told."""
    rng = np.random.default_rng(3)
    sky = np.zeros((240, 320), np.float32)
    for x, y in at:
        sky[int(y), int(x)] = 12.0
    out = []
    for k, sigma in enumerate(blur):
        to = np.array([[1, 0, shift[k] if shift else 0], [0, 1, 0]], np.float32)
        seen = cv2.warpAffine(cv2.GaussianBlur(sky, (0, 0), sigma), to, (320, 240), flags=cv2.INTER_LINEAR)
        noisy = np.clip(0.05 + seen, 0, 1)[..., None] + rng.normal(0, 0.004, (240, 320, 3))
        out.append(np.round(np.clip(noisy, 0, 1) * 65535).astype(np.uint16))
    return out


QUIET = Noise(variance=np.full(8, 0.004**2), bands=np.ones(3))
REST = similarity((320, 240))


@pytest.mark.parametrize(
    "blur", [[0.8] * 6, [0.7, 0.75, 0.8, 0.9, 1.0, 1.1], [3.0, 2.0, 1.2, 0.7, 1.2, 2.0, 3.0]]
)
def test_stars_on_a_tripod_stay(blur: list[float]) -> None:
    at = np.random.default_rng(5).uniform(20, 220, (40, 2))
    frames = [view(f, REST) for f in stars(at, blur)]
    assert find_spots(frames, QUIET, lambda: None).places == ()


def test_stars_that_drift_over_a_sensor_stay_and_its_hot_pixels_are_found() -> None:
    at = np.random.default_rng(5).uniform(20, 220, (40, 2))
    shift = [0.0, 0.9, 2.1, 2.8, 4.2, 4.9]
    frames = stars(at, [0.8] * 6, shift)
    for frame in frames:
        frame[100, 250] = 60000
    seen = [view(f, similarity((320, 240), shift=(s, 0.0))) for f, s in zip(frames, shift, strict=True)]
    places = find_spots(seen, QUIET, lambda: None).places
    assert [(s.kind, s.x, s.y, s.reach) for s in places] == [("hot", 250.0, 100.0, 0)]


def test_fine_grain_on_a_tripod_that_was_bumped_once_has_no_spots() -> None:
    rng = np.random.default_rng(6)
    stone = cv2.GaussianBlur(rng.normal(0.5, 0.35, (420, 560)).astype(np.float32), (0, 0), 0.7)
    shifts = [
        (0.0, 0.0),
        (0.3, -0.2),
        (0.1, 0.4),
        (-0.3, 0.2),
        (0.2, 0.1),
        (-0.1, -0.3),
        (3.0, -2.0),
        (0.4, 0.3),
    ]
    frames = []
    for dx, dy in shifts:
        to = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
        seen = cv2.warpAffine(stone, to, (560, 420), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        noisy = np.clip(seen[..., None] + rng.normal(0, 0.004, (420, 560, 3)), 0, 1)
        frames.append(view(np.round(noisy * 65535).astype(np.uint16), similarity((560, 420), shift=(dx, dy))))
    assert find_spots(frames, QUIET, lambda: None).places == ()


def test_a_hot_pixel_under_a_scene_at_rest_is_told_by_what_blurs_around_it() -> None:
    scene = render("hairs", frames=10, size=(320, 240), seed=5, jitter=0.0, roll=0.0, breathing=0.0)
    bad = spoilt(scene, [Flaw(kind="hot", x=160, y=120, size=0.9)])
    assert [(s.x, s.y) for s in found(bad).places] == [(160.0, 120.0)]


def test_two_frames_tell_nothing(scene: Scene) -> None:
    few = found(replace(scene, frames=scene.frames[:2], poses=scene.poses[:2]))
    assert few.places == ()
    assert few.why_not == "2 frames are too few to tell the sensor from the scene"
