"""The plot of a report's frames: a picture of the right size, whatever the frames."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from nearfar.merge.deliver.plot import LEFT_OUT, LINES, PAPER, ROW, TOP, WIDTH, plot_frames, strips


def frame(k: int, **changes: Any) -> dict[str, Any]:
    """A frame as the report has it."""
    usual = {
        "name": f"F{k:04d}.tif",
        "used": True,
        "pose": [[1, 0, 0], [0, 1, 0]],
        "shift": [0.3 * k, -0.1 * k],
        "scale": 1 + 0.001 * k,
        "gain_ev": 0.01 * (-1) ** k,
        "share": 0.1,
        "sharpness": 1.0,
        "confidence": 0.97,
    }
    return usual | changes


def left_out(k: int) -> dict[str, Any]:
    """A frame without a pose, as the report has it."""
    gone = frame(k, used=False, pose=None, share=0.0, confidence=0.0)
    for name in ("shift", "scale"):
        del gone[name]
    return gone


def plotted(*frames: dict[str, Any]) -> NDArray[np.uint8]:
    return np.asarray(plot_frames({"frames": list(frames)}))


def count(picture: NDArray[np.uint8], colour: tuple[int, int, int]) -> int:
    return int((picture == colour).all(axis=-1).sum())


@pytest.mark.parametrize("frames", [1, 2, 24, 25, 300])
def test_the_plot_is_as_large_for_any_number_of_frames(frames: int) -> None:
    picture = plotted(*(frame(k) for k in range(frames)))
    assert picture.shape == (TOP + 5 * ROW + 30, WIDTH, 3)
    assert count(picture, PAPER) > 0.8 * picture.shape[0] * picture.shape[1]
    assert count(picture, LINES[0]) > 100
    assert not count(picture, LEFT_OUT)


def test_it_can_be_stored_as_png() -> None:
    held = io.BytesIO()
    plot_frames({"frames": [frame(0), frame(1)]}).save(held, format="PNG")
    assert held.getvalue().startswith(b"\x89PNG\r\n\x1a\n")  # the signature in PNG, third edition, 5.2
    held.seek(0)
    with Image.open(held) as stored:
        assert stored.size == (1200, 930)
        assert stored.mode == "RGB"


def test_frames_without_pose_are_marked_and_have_no_points() -> None:
    picture = plotted(frame(0), left_out(1), left_out(2), frame(3))
    assert count(picture, LEFT_OUT) > 2 * 2 * 100
    (name, x), (_, y) = strips({"frames": [frame(0), left_out(1), frame(2)]})[0].series
    assert name == "x"
    assert x[1] is None
    assert y[1] is None
    assert x[2] == pytest.approx(0.6)


def test_a_stack_of_which_nothing_is_used_can_be_plotted() -> None:
    assert count(plotted(left_out(0), left_out(1)), LEFT_OUT) > 0


def test_values_that_are_all_the_same_or_far_apart_can_be_plotted() -> None:
    same = plotted(
        *(frame(k, gain_ev=0.0, shift=[0.0, 0.0], scale=1.0, sharpness=0.0, share=0.0) for k in range(3))
    )
    far = plotted(frame(0, shift=[1e-9, -1e7]), frame(1, shift=[3e8, 0.0]))
    assert same.shape == far.shape
    assert count(same, LEFT_OUT) == count(far, LEFT_OUT) == 0


def test_each_strip_has_its_unit_and_its_lines() -> None:
    found = {s.title: s for s in strips({"frames": [frame(k) for k in range(3)]})}
    assert {title: s.unit for title, s in found.items()} == {
        "shift": "px",
        "scale": "%",
        "gain": "EV",
        "sharpness": "share",
        "confidence": "",
    }
    assert found["scale"].series[0][1] == pytest.approx((0.0, 0.1, 0.2))
    assert (found["confidence"].low, found["confidence"].high) == (0.0, 1.0)
    assert [name for name, _ in found["sharpness"].series] == ["best in", "fine detail"]


def test_a_shift_that_grows_is_drawn_growing() -> None:
    """The first line's points lie higher from frame to frame."""
    frames = [frame(k, shift=[10.0 * k, 0.0]) for k in range(6)]
    strip = plotted(*frames)[TOP : TOP + ROW - 40, 150:1160]
    y, x = np.nonzero((strip == LINES[0]).all(axis=-1))
    centres = [y[np.abs(x - (k + 0.5) * 1010 / 6) < 4].mean() for k in range(1, 6)]
    assert (np.diff(centres) < -5).all()
