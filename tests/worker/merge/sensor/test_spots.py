"""What a frame has on spots, and what is told of them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.frames.colour import light_table
from nearfar.merge.kernel.twin_render import filled
from nearfar.merge.sensor import Spot, Spots
from tests.scenes.sensor import Flaw, shade
from tests.worker.merge.kernel.stacks import LAYOUTS, pixels_of

LIGHT = light_table(None, 16)
HOT = Spot(kind="hot", x=30, y=20, reach=1)


def slope(dtype: Any = np.uint16) -> NDArray[Any]:
    y, x = np.mgrid[:70, :90]
    top = float(np.iinfo(dtype).max)
    return np.repeat(np.round(top * (0.2 + 0.004 * x + 0.003 * y))[..., None], 3, axis=2).astype(dtype)


def with_fill(spots: Spots, frame: NDArray[Any], layout: str = "blocks") -> NDArray[Any]:
    return filled(frame, *spots.fill(pixels_of(frame, layout), light_table(None, 8 * frame.itemsize)))


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_hot_pixel_gets_what_a_slope_has_there(layout: str, dtype: Any) -> None:
    clean = slope(dtype)
    frame = clean.copy()
    frame[19:22, 29:32] = np.iinfo(dtype).max
    np.testing.assert_allclose(with_fill(Spots(places=(HOT,)), frame, layout), clean, atol=1)


def test_dust_gives_back_the_light_that_it_took() -> None:
    rng = np.random.default_rng(1)
    clean = np.round(rng.uniform(0.1, 0.8, (70, 90, 3)) * 65535).astype(np.uint16)
    taken = shade((70, 90), Flaw(kind="dust", x=40, y=30, size=0.3, radius=8))
    encoded = np.arange(65536)
    frame = np.rint(np.interp(LIGHT[clean] * taken[..., None], LIGHT, encoded)).astype(np.uint16)
    light = tuple(float(taken[30, 40 + r]) for r in range(13))
    out = with_fill(Spots(places=(Spot(kind="dust", x=40, y=30, reach=12, light=light),)), frame)
    assert np.abs(frame.astype(int) - clean).max() > 4000
    # The shade is held at whole pixels and joined by lines.
    assert np.abs(out.astype(int) - clean).max() < 700


def test_spots_at_an_edge_stay_inside() -> None:
    places = tuple(Spot(kind="hot", x=x, y=y, reach=1) for x in (0, 89) for y in (0, 69))
    runs, fill = Spots(places=places).fill(pixels_of(slope(), "blocks"), LIGHT)
    assert (runs[:, 0] >= 0).all()
    assert (runs[:, 0] < 70).all()
    assert (runs[:, 1] >= 0).all()
    assert (runs[:, 1] + runs[:, 2] <= 90).all()
    assert len(fill) == runs[:, 2].sum()
    assert (np.diff(runs[:, 0]) >= 0).all()


def test_each_spot_is_filled_as_if_it_were_the_only_one() -> None:
    rng = np.random.default_rng(4)
    frame = pixels_of(rng.integers(0, 65536, (70, 90, 3)).astype(np.uint16), "blocks")
    at = [(0, 0), (89, 69), (30, 20), (31, 40), (12, 5), (60, 33), (0, 30)]
    places = [Spot(kind="hot", x=x, y=y, reach=reach) for (x, y) in at for reach in (0, 1)]
    for spot in places:
        whole = Spots(places=tuple(s for s in places if s.reach == spot.reach)).fill(frame, LIGHT)
        runs, samples = Spots(places=(spot,)).fill(frame, LIGHT)
        starts = {(y, x): at for y, x, _, at in whole[0].tolist()}
        for y, x, count, begin in runs.tolist():
            there = starts[y, x]
            np.testing.assert_array_equal(
                whole[1][there : there + count], samples[begin : begin + count], err_msg=str(spot)
            )


def test_spots_come_back_from_json_as_they_were() -> None:
    spots = Spots(places=(HOT, Spot(kind="dust", x=3.5, y=9.25, reach=2, light=(0.75, 0.8))))
    assert Spots.from_stored(spots.stored()) == spots


def test_the_report_tells_number_and_kind() -> None:
    spots = Spots(places=(HOT, HOT, Spot(kind="dust", x=3.5, y=9.25, reach=2, light=(0.75, 0.8))))
    told = spots.as_json()
    assert told["counts"] == {"hot": 2, "dead": 0, "dust": 1}
    assert {"kind": "dust", "at": [3.5, 9.2], "radius": 2} in told["places"]
    assert str(spots.text()).startswith("2 hot pixels, 1 spot of dust of the sensor")
    assert Spots().text() is None


def test_cells_are_those_that_a_spot_reaches_into() -> None:
    cells = Spots(places=(Spot(kind="hot", x=16, y=40, reach=0),)).cells((5, 6), 16)
    assert np.argwhere(cells).tolist() == [[2, 0], [2, 1]]
