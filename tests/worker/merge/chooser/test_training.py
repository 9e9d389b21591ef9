"""The engine against the model of it that training has (tests/training/reference.npz): merge, numbers, focus."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.merge.chooser import net, numbers, weights
from nearfar.merge.chooser.features import Window, features
from nearfar.merge.focus.find import FocusWriter, find_focus
from nearfar.merge.focus.seen import FocusFrame
from nearfar.merge.kernel import twin_average, twin_choose, twin_render
from nearfar.merge.kernel.twin_filters import blurred
from nearfar.merge.kernel.twin_survey import halve, luma
from nearfar.merge.kernel.twin_warp import UNIT, Carried, weights_at
from nearfar.merge.noise import Noise
from nearfar.merge.recipe import FocusRecipe, RenderRecipe

F32 = NDArray[np.float32]
REFERENCE = Path(__file__).parents[3] / "training" / "reference.npz"
AT_REST = np.array([[1.0, 0, 0], [0, 1, 0]])


@pytest.fixture(scope="module")
def reference() -> dict[str, Any]:
    with np.load(REFERENCE) as found:
        return {name: found[name] for name in found.files}


def carried(colour: NDArray[np.int16]) -> Carried:
    """Planes of a frame that is in place already."""
    planes = colour.astype(np.float32) / UNIT
    y = luma(planes[0], planes[1], planes[2])
    fine = y - blurred(y)
    return Carried(colour=colour, fine=fine, square=halve(fine * fine), half_luma=halve(y))


def seen(reference: dict[str, Any], frames: list[Carried]) -> Window:
    colour = np.stack([np.stack([halve(c.astype(np.float32)) for c in f.colour]) for f in frames])
    return Window(
        colour=np.asarray(colour / UNIT, np.float32),
        half_luma=np.stack([f.half_luma for f in frames]),
        square=np.stack([f.square for f in frames]),
        prior=reference["prior"],
        admission=reference["admission"],
        mask=reference["mask"],
        variance=reference["variance"],
        noise=(numbers.BAND0, numbers.BAND1),
    )


def place(reference: dict[str, Any]) -> Any:
    """What the averaging asks of a window, in the training's numbers."""
    side = np.arange(len(reference["variance"]))
    told = SimpleNamespace(
        channel=numbers.CHANNEL, band0=numbers.BAND0, agreement=RenderRecipe().agreement, quiet=numbers.QUIET
    )
    stack = SimpleNamespace(numbers=told, admitted=reference["cells"].transpose(1, 0, 2))
    return SimpleNamespace(stack=stack, noise=reference["variance"], cell_x=side // 8, cell_y=side // 8)


def test_training_merges_a_bracket_as_the_engine_does(
    reference: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Away from the edges, which the two continue in different ways, within 1e-5 of white. Training knows no quiet colours,
    which come last.
    """
    monkeypatch.setattr(twin_average, "quiet_colours", lambda picture, *_: picture)
    frames = [carried(colour) for colour in reference["frames"]]
    window = seen(reference, frames)
    chosen = net.choose(weights.load(), window, features(window))
    merged = twin_render.merge(
        *(frames, list(chosen.colour), list(chosen.detail), chosen.gain),
        more=lambda y: twin_choose.second_band(frames, chosen, y),
    )
    between, shape = reference["between"], reference["variance"].shape
    monkeypatch.setattr(
        *(twin_average, "places_between"),
        lambda _, k: tuple(np.full(shape, v, np.float32) for v in between[k]),
    )
    found = twin_average.average(place(reference), frames, merged, reference["admission"]) / UNIT
    inner = (slice(None), slice(12, -12), slice(12, -12))
    np.testing.assert_allclose(found[inner], reference["merged"][inner], atol=1e-5)
    assert np.ptp(reference["merged"][inner]) > 0.1


def test_training_finds_the_focus_that_the_engine_finds(reference: dict[str, Any]) -> None:
    energy, mean, variance = reference["energy"], reference["mean"], float(reference["told"])
    n = len(energy)
    writer = FocusWriter(np.zeros((12, n, 12), np.uint16), np.zeros((12, n, 12), np.uint8))
    views = [
        FocusFrame(read=lambda k=k: (energy[k], mean[k]), pose=AT_REST, gain_ev=0.0)  # type: ignore[misc]
        for k in range(n)
    ]
    find_focus(
        views,
        size=(192, 192),
        noise=Noise(variance=np.full(8, variance), bands=np.ones(3)),
        recipe=FocusRecipe(),
        writer=writer,
        threads=1,
        tick=lambda _: None,
    )
    admitted, prior = writer.admitted.transpose(1, 0, 2) > 0, writer.prior.transpose(1, 0, 2) / 8192
    np.testing.assert_array_equal(admitted, reference["focus_admitted"] > 0)
    inner = np.s_[:, 5:-5, 5:-5]  # a blur of cells goes on beyond the edge in another way
    np.testing.assert_allclose(prior[inner], reference["focus_prior"][inner], rtol=0.02)
    assert 0.2 < admitted.mean() < 0.999


def test_what_a_warp_leaves_of_noise_at_half_size_is_as_training_takes_it() -> None:
    """By the squared weights of the warp and the mean of two neighbours, over all places between pixels."""
    t = np.linspace(0, 1, 2001).astype(np.float32)
    taps = np.stack([w.astype(np.float64) for w in weights_at(t)])
    pairs = (np.pad(taps, ((0, 1), (0, 0))) + np.pad(taps, ((1, 0), (0, 0)))) / 2
    half = float((pairs**2).sum(axis=0).mean()) ** 2
    assert pytest.approx(half, rel=0.002) == numbers.HALF_CHANNEL
    assert pytest.approx(half * (0.299**2 + 0.587**2 + 0.114**2), rel=0.002) == numbers.HALF_LUMA
