"""The chooser in NumPy against what PyTorch made of the same bracket (tests/training/reference.npz)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from nearfar.errors import WorkFailed
from nearfar.merge.chooser import net, weights
from nearfar.merge.chooser.features import Window, b5, features
from nearfar.merge.chooser.numbers import BAND0, BAND1
from nearfar.merge.chooser.numeric import exp2, octaves
from nearfar.merge.kernel.twin_survey import luma

F32 = NDArray[np.float32]
REFERENCE = Path(__file__).parents[3] / "training" / "reference.npz"


@pytest.fixture(scope="module")
def reference() -> dict[str, F32]:
    with np.load(REFERENCE) as found:
        return {name: found[name] for name in found.files}


def halved(x: F32) -> F32:
    return np.asarray(
        (x[..., ::2, ::2] + x[..., ::2, 1::2] + x[..., 1::2, ::2] + x[..., 1::2, 1::2]) / 4, np.float32
    )


@pytest.fixture(scope="module")
def window(reference: dict[str, F32]) -> Window:
    colour = (reference["frames"] / np.float32(24576)).astype(np.float32)
    y: F32 = luma(colour[:, 0], colour[:, 1], colour[:, 2])
    fine = y - b5(y)
    return Window(
        colour=halved(colour),
        half_luma=halved(y),
        square=halved(fine * fine),
        prior=reference["prior"],
        admission=reference["admission"],
        mask=reference["mask"],
        variance=reference["variance"],
        noise=(BAND0, BAND1),
    )


def test_features_are_those_that_the_net_learned_with(reference: dict[str, F32], window: Window) -> None:
    seen = features(window)
    expected = np.moveaxis(reference["values"], 1, 0)
    np.testing.assert_allclose(seen.values, expected, atol=2e-3)
    assert np.median(np.abs(seen.values - expected)) < 2e-6
    np.testing.assert_allclose(seen.score, reference["score"], atol=1e-4)


def test_logits_and_gains_are_those_of_the_trained_net(reference: dict[str, F32], window: Window) -> None:
    found, gain = net.logits(weights.load(), features(window), window.mask)
    np.testing.assert_allclose(found, np.moveaxis(reference["logits"], 1, 0), atol=0.02)
    np.testing.assert_allclose(gain, reference["gains"], atol=2e-3)
    assert np.ptp(reference["logits"]) > 5


def test_the_net_for_hard_cells_is_what_scipy_makes_of_its_layers(
    reference: dict[str, F32], window: Window
) -> None:
    """SciPy's correlation (edges repeated) and double precision; frames beside by hand."""
    seen, there = features(window), window.mask > 0
    part = {k[len(weights.HARD) :]: p.astype(float) for k, p in weights.load().parts().items() if k[0] == "h"}

    def linear(name: str, x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.einsum("oc,c...->o...", part[name], x))

    def lifted(bias: NDArray[np.float64]) -> NDArray[np.float64]:
        return bias.reshape(-1, 1, 1, 1)

    x = np.maximum(linear("inward", seen.values.astype(float)) + lifted(part["inward_bias"]), 0) * there
    for k in range(weights.STAGES[weights.HARD]):
        around, along = part[f"around{k}"], part[f"along{k}"]
        beside = [ndimage.correlate(c, a[None], mode="nearest") for c, a in zip(x, around, strict=True)]
        frames = [ndimage.correlate1d(c, a, axis=0, mode="constant") for c, a in zip(x, along, strict=True)]
        y = linear(f"middle{k}", x + np.stack(beside) + np.stack(frames)) + lifted(part[f"middle_bias{k}"])
        x = np.maximum(y + linear(f"most{k}", x.max(axis=1))[:, None], 0) * there
    slope = lifted(part["slope"]) * octaves(seen.score + np.float32(1e-3))
    found, gain = net.logits(weights.load(), seen, window.mask, weights.HARD)
    np.testing.assert_allclose(found, linear("outward", x) + lifted(part["outward_bias"]) + slope, atol=2e-3)
    told = linear("gain", x.max(axis=1)) + part["gain_bias"][:, None, None]
    np.testing.assert_allclose(gain, np.exp2(np.clip(told, -1, 1)), atol=1e-4)
    assert np.ptp(found - net.logits(weights.load(), seen, window.mask)[0]) > 1


def test_octaves_and_power_against_numpy() -> None:
    """A straight line between two powers of two lies at most 1 - (1 + ln ln 2) / ln 2 = .0861 below the logarithm."""
    x = np.concatenate([np.geomspace(1e-30, 1e30, 20001), np.linspace(0.5, 2, 9999)]).astype(np.float32)
    below = np.log2(x.astype(np.float64)) - octaves(x)
    assert below.min() > -2e-5
    assert below.max() < 0.0861 + 2e-5
    np.testing.assert_allclose(octaves(np.exp2(np.arange(-60, 61)).astype(np.float32)), np.arange(-60, 61))
    y = np.linspace(-20, 20, 30001).astype(np.float32)
    np.testing.assert_allclose(exp2(y), np.exp2(y.astype(np.float64)), rtol=4e-6)
    assert not exp2(np.array([-20.1, -1000], np.float32)).any()


def test_weights_of_another_version_or_spoilt_ones_are_refused(tmp_path: Path) -> None:
    numbers = weights.load().numbers.copy()
    weights.store(tmp_path / "good.npz", numbers)
    np.testing.assert_array_equal(weights.load(tmp_path / "good.npz").numbers, numbers)
    np.savez(
        tmp_path / "other.npz", version=99, numbers=numbers, digest=np.bytes_(weights.digest_of(numbers))
    )
    with pytest.raises(WorkFailed, match="version 99"):
        weights.load(tmp_path / "other.npz")
    numbers[5] += 1
    np.savez(
        tmp_path / "spoilt.npz",
        version=weights.VERSION,
        numbers=numbers,
        digest=np.bytes_(weights.load().digest),
    )
    with pytest.raises(WorkFailed, match="digest"):
        weights.load(tmp_path / "spoilt.npz")
    (tmp_path / "cut.npz").write_bytes((tmp_path / "good.npz").read_bytes()[:900])
    with pytest.raises(WorkFailed, match="expected the weights"):
        weights.load(tmp_path / "cut.npz")
