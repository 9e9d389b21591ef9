"""Bands of the picture: the same from any tile, memory and thread count; stored whole, made once, read again."""

from __future__ import annotations

import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from nearfar.errors import Interrupted, WorkFailed
from nearfar.frames.deliverable import decode_tile
from nearfar.merge.kernel.picture_calls import halve, render_bytes
from nearfar.merge.render import BLOCK, Band, Renderer, read_band, stored_band
from nearfar.merge.scratch import Scratch, open_scratch, share_scratch
from tests.worker.merge.kernel.stacks import by_tiles, random_stack, tile_kernel

SIZE = (600, 540)
KEYS = ("top", "below")


@pytest.fixture(scope="module")
def stack() -> Any:
    return random_stack(np.random.default_rng(8), size=SIZE, n=12, admitted=0.5)


@pytest.fixture(scope="module")
def expected(stack: Any) -> Any:
    return by_tiles(stack, 128)


@pytest.fixture
def scratch(tmp_path: Path) -> Iterator[Scratch]:
    with open_scratch(tmp_path, tmp_path / "out.tif") as opened:
        yield opened


def renderer(stack: Any, **changes: Any) -> Renderer:
    usual: dict[str, Any] = {
        "size": stack.size,
        "channels": 3,
        "tile": 128,
        "work_limit": 1 << 30,
        "relax": lambda: None,
    }
    return Renderer(tile_kernel(stack), **(usual | changes))


def picture(bands: list[Band], size: tuple[int, int], channels: int) -> NDArray[np.uint16]:
    rows = []
    for number, band in enumerate(bands):
        tiles = np.concatenate([decode_tile(t, channels) for t in band.tiles()], axis=1)
        assert not tiles[size[1] - number * BLOCK :].any(), "nothing beyond the picture"
        assert not tiles[:, size[0] :].any()
        rows.append(tiles)
    return np.concatenate(rows)[: size[1], : size[0]]


def assert_is(bands: list[Band], expected: Any) -> None:
    made = picture(bands, SIZE, 3)
    np.testing.assert_array_equal(made, expected.picture)
    half = np.concatenate([b.half for b in bands])
    np.testing.assert_array_equal(half, halve(np.ascontiguousarray(expected.picture)))
    np.testing.assert_array_equal(np.concatenate([b.frame_map for b in bands]), expected.frame_map)
    np.testing.assert_allclose(sum(b.share for b in bands), expected.share, rtol=1e-9)


@pytest.mark.parametrize(("tile", "threads"), [(64, 1), (128, 2), (256, 1), (512, 2)])
def test_tiles_and_threads_change_no_bit(
    stack: Any, expected: Any, scratch: Scratch, tile: int, threads: int
) -> None:
    ticks: list[float] = []
    made = renderer(stack, tile=tile).render(scratch, KEYS, threads=threads, tick=ticks.append)
    assert_is(list(made), expected)
    assert sum(ticks) == 4, "two blocks in each of two bands"


def test_little_work_memory_makes_smaller_tiles_of_the_same_bits(
    stack: Any, expected: Any, scratch: Scratch
) -> None:
    """Tiles of 256 with room for 8 frames, where 12 are let in: each is cut into tiles of 128."""
    calls: list[int] = []
    limit = render_bytes(256, 8)
    small = renderer(stack, tile=256, work_limit=limit, relax=lambda: calls.append(1))
    assert_is(list(small.render(scratch, KEYS, threads=1, tick=lambda _: None)), expected)
    whole, quarters = 3 * 3, 5 * 5
    assert len(calls) == whole + quarters


def test_work_memory_that_is_too_small_is_let_go_before_there_is_more(stack: Any) -> None:
    """Both at a time would be the most that a run takes."""
    seen: list[weakref.ref[NDArray[np.uint8]]] = []

    class Counting:
        frames, learned = 12, False

        def render(self, *given: Any) -> int:
            alive = [ref for ref in seen if ref() is not None]
            assert not alive
            seen.append(weakref.ref(given[-1]))
            return -12 if len(seen) == 1 else 12

    made = renderer(stack, tile=256)
    made.kernel = Counting()  # type: ignore[assignment]
    made._tile(256, 0, 0, np.zeros((1, 1, 3), np.uint16), np.zeros((1, 1), np.uint16), np.zeros(12))
    assert len(seen) == 2


def test_a_picture_in_grey_has_one_channel(stack: Any, expected: Any, scratch: Scratch) -> None:
    """Frames in grey come as three equal colours; green stands for them."""
    bands = list(renderer(stack, channels=1).render(scratch, KEYS, threads=1, tick=lambda _: None))
    np.testing.assert_array_equal(picture(bands, SIZE, 1)[..., 0], expected.picture[..., 1])
    assert bands[0].half.shape == (256, 300, 1)


def test_what_is_stored_is_not_made_again(stack: Any, expected: Any, scratch: Scratch) -> None:
    first = renderer(stack).render(scratch, KEYS, threads=1, tick=lambda _: None)
    next(first)
    first.close()  # type: ignore[attr-defined]
    assert scratch.has("top", "band")
    assert not scratch.has("below", "band")
    stored = scratch.path("top", "band").stat()
    made: list[int] = []
    second = renderer(stack, relax=lambda: made.append(1))
    assert_is(list(second.render(scratch, KEYS, threads=1, tick=lambda _: None)), expected)
    assert len(made) == 5, "five tiles of 128 across the lower band's 28 rows"
    assert scratch.path("top", "band").stat().st_mtime_ns == stored.st_mtime_ns


def test_a_stop_leaves_whole_bands_only(stack: Any, scratch: Scratch) -> None:
    left = [22]

    def relax() -> None:
        left[0] -= 1
        if left[0] < 0:
            raise Interrupted("stopped")

    with pytest.raises(Interrupted):
        list(renderer(stack, relax=relax).render(scratch, KEYS, threads=1, tick=lambda _: None))
    assert {p.name for p in scratch.folder.iterdir()} <= {"lock", "boot", "top.band"}


@pytest.mark.parametrize("size", [(1, 1), (3, 5), (513, 2), (512, 512)], ids=str)
def test_pictures_of_any_size_are_covered(scratch: Scratch, size: tuple[int, int]) -> None:
    stack = random_stack(np.random.default_rng(9), size=size, n=2)
    made = renderer(stack)
    bands = list(made.render(scratch, KEYS, threads=1, tick=lambda _: None))
    assert made.bands == len(bands) == 1
    np.testing.assert_array_equal(picture(bands, size, 3), by_tiles(stack, 64).picture)
    assert bands[0].half.shape == ((size[1] + 1) // 2, (size[0] + 1) // 2, 3)
    assert bands[0].frame_map.min() >= 256


@pytest.mark.parametrize("cut", [0, 5, 9, 40, 200, -1])
def test_a_band_that_is_not_whole_is_told_with_what_to_do(stack: Any, scratch: Scratch, cut: int) -> None:
    list(
        renderer(random_stack(np.random.default_rng(1)), size=(90, 70)).render(
            scratch, KEYS, threads=1, tick=print
        )
    )
    path = scratch.path("top", "band")
    path.write_bytes(path.read_bytes()[:cut])
    with pytest.raises(WorkFailed, match="expected a whole band.*Remove the scratch folder"):
        read_band(path)


def test_tiles_that_a_power_cut_took_are_found_and_all_such_bands_go(stack: Any, tmp_path: Path) -> None:
    """Where a file system keeps sizes and names but not contents, what is missing reads as zeros: xfs(5)."""
    shared = share_scratch(tmp_path / "shared", tmp_path / "local", mark="u1t1")
    keys = ["a", "b", "c"]
    for name in keys:
        made = renderer(random_stack(np.random.default_rng(1)), size=(90, 70))
        list(made.render(shared, [name], threads=1, tick=print))
    whole = stored_band(shared, "b")
    for name, lost in (("a", whole.spans[0][0] + 9), ("c", 300)):
        path = shared.path(name, "band")
        content = path.read_bytes()
        path.write_bytes(content[:lost] + bytes(len(content) - lost))
    assert len(list(whole.tiles())) == 1
    band = stored_band(shared, "a")
    with pytest.raises(WorkFailed, match="removed and will be made again"):
        list(band.tiles())
    assert [shared.has(name, "band") for name in keys] == [False, True, False]


def test_a_file_of_another_kind_is_told(tmp_path: Path) -> None:
    (tmp_path / "x.band").write_bytes(b"NFband01" + bytes(100))
    with pytest.raises(WorkFailed, match="another beginning"):
        read_band(tmp_path / "x.band")
