"""Highlights that grow into disks out of focus: their rims are not taken for detail, and nothing else loses by that.

That light is kept, so that a lamp of area a that is spread over a disk of area A has a / A of its brightness there, is the
geometry of a thin lens; where the frames clip it, the disk is white until it is that wide.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.focus import passing
from tests.worker.merge.brackets import bracket, cells, encoded, focused, texture

SIZE = (336, 240)
FRAMES, FOCUS = 10, 8
GROWTH = 2.5
"""Pixels by which a disk's radius grows from frame to frame."""
LAMPS = [(70, 60), (180, 150), (280, 70)]
Random = np.random.Generator


def wall(rng: Random, contrast: float) -> NDArray[np.float64]:
    return np.clip(texture(rng, SIZE, contrast=contrast, middle=0.2), 0.05, 0.4)


def with_lamps(frames: list[NDArray[np.uint16]], rng: Random, strength: float) -> list[NDArray[np.uint16]]:
    """The frames with lamps that are so many times white over 3 px, all in focus in frame `FOCUS`."""
    y, x = np.indices((SIZE[1], SIZE[0]))
    out = []
    for k, frame in enumerate(frames):
        radius = np.hypot(1.5, GROWTH * (k - FOCUS))
        light = (frame / 65535.0) ** 2.2
        for cx, cy in LAMPS:
            inside = np.clip(radius + 0.5 - np.hypot(x - cx, y - cy), 0, 1)[..., None]
            light += inside * strength * (1.5 / radius) ** 2
        out.append(encoded(np.clip(light, 0, 1) ** (1 / 2.2), rng, 0.002))
    return out


@pytest.mark.parametrize("strength", [40.0, 200.0])
def test_the_rim_of_a_growing_disk_is_no_detail(rng: Random, strength: float) -> None:
    """A wall at the depth of the lamps: around them too the frame that has it in focus is the best. By energy alone
    it is not in a tenth of the cells, and a fifth of what is far out of focus is let in.
    """
    depth = np.full((SIZE[1], SIZE[0]), float(FOCUS))
    made = focused(with_lamps(bracket(rng, wall(rng, 0.06), depth, range(FRAMES), blur=1.2), rng, strength))
    off = np.abs(made.found.best - FOCUS)
    assert (off <= 1).mean() > 0.985
    assert made.admitted[:, : FOCUS - 3].mean() < 0.08


def test_a_blown_window_that_spreads_brings_no_rim_with_it(rng: Random) -> None:
    """A window in a wall, far brighter than white: out of focus it covers more and more of the wall, with an edge that is as
    sharp as in focus. There only frames near focus are let in, though the cells beside let others in.
    """
    y, x = np.indices((SIZE[1], SIZE[0]))
    from_edge = np.maximum(np.abs(x - 168) - 60, np.abs(y - 120) - 50)
    frames = []
    for k, frame in enumerate(
        bracket(rng, wall(rng, 0.015), np.zeros((SIZE[1], SIZE[0])), range(6), blur=1.2)
    ):
        covered = np.clip(5.0 * k + 0.5 - from_edge, 0, 1)[..., None]
        frames.append(encoded(frame / 65535 * (1 - covered) + covered, rng, 0.006))
    made = focused(frames)
    beside = ((from_edge > 0) & (from_edge < 24))[8::16, 8::16]
    admitted = made.admitted.transpose(1, 0, 2)
    first, later = (admitted[part][:, beside].any(axis=0) for part in (slice(2), slice(2, None)))
    assert later.mean() < 0.25  # .72 of the cells otherwise
    assert first.all()


@pytest.mark.parametrize("sharp", [0, 4])
def test_blown_light_that_is_sharp_in_an_end_frame_is_taken_from_there(rng: Random, sharp: int) -> None:
    """Wide steps: beside the first or last frame brightness changes as if something passed. Out of focus blown light covers
    more, so the darkest frame is the one in focus; those beside it, in which it spreads, are not let in at the outline.
    """
    y, x = np.indices((SIZE[1], SIZE[0]))
    from_edge = np.maximum(np.abs(x - 168) - 60, np.abs(y - 120) - 50)
    frames = []
    for k, frame in enumerate(
        bracket(rng, wall(rng, 0.004), np.full((SIZE[1], SIZE[0]), float(sharp)), range(5), blur=1.2)
    ):
        spread = 4.0 * abs(k - sharp)
        covered = np.clip((0.5 - from_edge + spread) / (1 + spread / 2), 0, 1)[..., None]
        frames.append(encoded(frame / 65535 * (1 - covered) + covered, rng, 0.012))
    made = focused(frames)
    outline = cells((np.abs(from_edge) < 1).astype(float)) > 0.02
    assert (made.found.best[outline] == sharp).mean() > 0.95
    beside = made.admitted[:, abs(sharp - 1)][outline]
    assert beside.mean() < 0.5


def test_without_highlights_nothing_is_taken_away(rng: Random) -> None:
    """Strong edges between things at two depths, out of focus by turns: the frames are found as they always were."""
    depth = np.where((np.arange(SIZE[0]) // 56) % 2 == 0, 2.0, 7.0) * np.ones((SIZE[1], 1))
    sharp = texture(rng, SIZE, contrast=0.08, middle=0.35)
    sharp[:, (np.arange(SIZE[0]) // 56) % 2 == 0] += 0.3
    made = focused(bracket(rng, sharp, depth, range(FRAMES), blur=1.2))
    middle = depth[8::16, 8::16]
    inside = np.abs((np.arange(21) * 16 + 8) % 56 - 28) < 18
    assert (np.abs(made.found.best - middle) <= 1)[:, inside].mean() > 0.99


def test_only_what_changes_steadily_is_accounted_for(rng: Random) -> None:
    energy = rng.uniform(0, 1e-3, (3, 4, 5)).astype(np.float32)
    still = rng.uniform(0.2, 0.8, (4, 5)).astype(np.float32)
    assert not passing.change(still, still + np.float32(0.014)).any()
    assert np.array_equal(passing.remaining(energy, passing.change(still, still)), energy)
    changes = passing.change(still, still + np.float32(0.1))
    left = passing.remaining(energy, changes)
    assert (left < 0.1 * energy).all()
    assert np.array_equal(changes, passing.change(still + np.float32(0.1), still))
    order = np.argsort(energy[0].ravel())
    assert (np.diff(left[0].ravel()[order]) >= 0).all()
