"""Steps that are not even: the law of breathing gives way where links say so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.register.adjust import Adjusted, adjust
from nearfar.merge.register.link import Link
from nearfar.merge.register.similarity import Similarity

RADIUS = 430.0
REFERENCE = 10


def links_of(
    scales: NDArray[np.float64], *, noise: float, weak: tuple[int, ...] = (), seed: int = 0
) -> list[Link]:
    """Links over one and two frames with these log scales; ``noise`` px at the RMS radius, a hundred times more for
    links of the ``weak`` frames.
    """
    random = np.random.default_rng(seed)
    links = []
    for span in (1, 2):
        for k in range(len(scales) - span):
            error = noise * (100 if {k, k + span} & set(weak) else 1)
            off = random.normal(0, error / RADIUS)
            known = np.diag([1, 1, RADIUS**2, RADIUS**2]) / error**2
            pose = Similarity(complex(np.exp(scales[k + span] - scales[k] + off)), 0j)
            links.append(Link(first=k, second=k + span, pose=pose, information=known))
    return links


def found(scales: NDArray[np.float64], links: list[Link]) -> tuple[Adjusted, NDArray[np.float64]]:
    """The adjustment, and px at the RMS radius by which each step is off."""
    result = adjust(len(scales), REFERENCE, links, radius=RADIUS, breathing=True)
    logs = np.array([np.log(abs(p.a)) for p in result.poses])
    return result, (np.diff(logs) - np.diff(scales)) * RADIUS


def test_even_steps_help_a_frame_that_links_hardly_know() -> None:
    scales = 3e-4 * np.arange(21.0)
    links = links_of(scales, noise=0.002, weak=(4, 5))
    result, off = found(scales, links)
    assert result.law is not None
    alone = adjust(21, REFERENCE, links, radius=RADIUS)
    logs = np.diff([np.log(abs(p.a)) for p in alone.poses])
    assert np.abs(off[3:6]).max() < 0.2 * np.abs((logs - 3e-4) * RADIUS)[3:6].max()


def blurred_middle(scales: NDArray[np.float64], *, seed: int) -> list[Link]:
    """Sharp detail in the first 7 and the last 3 of 24 frames, uncertain by a sixth of a step; between them a blurred thing
    that seems to shrink against the rest by two thirds of each step, with links that claim to know it well.
    """
    random = np.random.default_rng(seed)
    links = []
    for span in (1, 2):
        for k in range(len(scales) - span):
            sharp = k + span < 7 or k >= 21
            step = scales[k + span] - scales[k]
            seen = step * random.normal(1, 0.16) if sharp else step * random.normal(0.33, 0.2)
            sigma = 0.02 if sharp else 0.12
            known = np.diag([1, 1, RADIUS**2, RADIUS**2]) / sigma**2
            pose = Similarity(complex(np.exp(seen)), 0j)
            links.append(
                Link(first=k, second=k + span, pose=pose, information=known, doubt=3 if sharp else 18)
            )
    return links


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_sharp_frames_say_carries_over_those_with_nothing_sharp(seed: int) -> None:
    """By links alone the far end is off by half of what the lens breathes; and what is uncertain is said to be."""
    scales = 1.7e-3 * np.arange(24.0)
    links = blurred_middle(scales, seed=seed)
    alone = adjust(24, REFERENCE, links, radius=RADIUS)
    result, _ = found(scales, links)
    away = [(np.log(abs(r.poses[23].a)) - (scales[23] - scales[REFERENCE])) * RADIUS for r in (alone, result)]
    assert abs(away[0]) > 3
    assert abs(away[1]) < 0.3 * abs(away[0])
    assert abs(away[1]) < 3 * np.sqrt(result.covariance[23, 2, 2])


@pytest.mark.parametrize("seed", [1, 2])
def test_a_rail_with_uneven_steps_keeps_them(seed: int) -> None:
    steps = 1e-3 * np.random.default_rng(seed).uniform(0.7, 1.3, 20)
    scales = np.concatenate([[0], np.cumsum(steps)])
    _, off = found(scales, links_of(scales, noise=0.003))
    assert np.abs(off).max() < 0.02


def test_a_step_over_a_frame_that_nobody_knows_is_missing_stays_double() -> None:
    steps = np.full(20, 3e-4)
    steps[13] *= 2
    scales = np.concatenate([[0], np.cumsum(steps)])
    result, off = found(scales, links_of(scales, noise=0.002))
    assert result.law is not None
    assert np.abs(off).max() < 0.012  # of .129 px that the step is wider


def test_breathing_that_turns_back_is_followed() -> None:
    scales = 2e-5 * (np.arange(21.0) - 12) ** 2
    _, off = found(scales, links_of(scales, noise=0.003))
    assert np.abs(off).max() < 0.02


def test_reduced_pictures_do_not_say_how_a_lens_breathes() -> None:
    """Refocusing feigns a scale on reduced pictures, the same at every step."""
    scales = 2e-5 * np.arange(21.0)
    links = links_of(scales, noise=0.002)
    feigned = [
        replace(k, pose=Similarity(k.pose.a * np.exp(4e-5 * (k.second - k.first)), 0j), coarse=True)
        for k in links_of(scales, noise=0.03, seed=1)
    ]
    result, off = found(scales, [*links, *feigned])
    assert result.law is not None
    assert np.abs(off).mean() < 0.002  # of .017
