"""JPEG frames as luma and chroma: the very pixels of the decoder, whichever way they are read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import simplejpeg
from numpy.typing import NDArray

from nearfar.errors import FrameRefused
from nearfar.frames.decode import decode, decode_chroma, read_header
from nearfar.merge.kernel import picture_calls, planes, register_calls, twin_register, twin_survey
from nearfar.merge.kernel.loader import Pixels
from nearfar.merge.kernel.sensor_calls import isolated
from tests.worker.frames.makers import exif_bytes, jpeg_bytes
from tests.worker.merge.kernel.stacks import NUMBERS, identity, random_stack

U8 = NDArray[np.uint8]
SIZES = [
    (16, 16),
    (17, 16),
    (16, 17),
    (63, 33),
    (64, 64),
    (65, 64),
    (127, 129),
    (128, 66),
    (259, 130),
    (641, 70),
]
"""Width and height: on and beside multiples of a block, of its chroma, of an MCU and of the kernel's runs."""
NAMES = {1: "4:2:2", 2: "4:2:0"}


def noise(rng: np.random.Generator, size: tuple[int, int]) -> U8:
    """Every value beside every other, so that colours are cut off at both ends."""
    return rng.integers(0, 256, (size[1], size[0], 3)).astype(np.uint8)


def pixels_of(chroma: U8, down: int) -> Pixels:
    """By the kernel's own layout, a row of blocks at a time."""
    height, width, _ = chroma.shape
    rows = -(-height // 64)
    blocks = np.empty((rows, -(-width // 64), planes.block_bytes(down)), np.uint8)
    for k in range(rows):
        picture_calls.lay_out_planes(np.ascontiguousarray(chroma[64 * k : 64 * k + 64]), blocks[k], down)
    return Pixels(samples=blocks, table=identity(chroma), size=(width, height), down=down)


def random_planes(rng: np.random.Generator, size: tuple[int, int], down: int) -> tuple[U8, Pixels, Pixels]:
    """Luma and chroma of a frame, the frame in planes, and the same in plain colours."""
    width, height = size
    half = rng.integers(0, 256, (-(-height // down), -(-width // 2), 3)).astype(np.uint8)
    chroma = half.repeat(down, 0).repeat(2, 1)[:height, :width].copy()
    chroma[..., 0] = rng.integers(0, 256, (height, width))
    halved = pixels_of(chroma, down)
    return chroma, halved, Pixels(samples=halved.picture(), table=halved.table)


@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("quality", [30, 97])
@pytest.mark.parametrize("down", [1, 2])
@pytest.mark.parametrize("size", SIZES, ids=str)
def test_planes_give_the_pixels_of_the_reference_decoder(
    rng: np.random.Generator,
    tmp_path: Path,
    size: tuple[int, int],
    down: int,
    quality: int,
    progressive: bool,
) -> None:
    """libjpeg-turbo by way of simplejpeg; the file by Pillow."""
    data = jpeg_bytes(noise(rng, size), subsampling=NAMES[down], quality=quality, progressive=progressive)
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    header = read_header(path)
    assert header.halved == down
    expected = simplejpeg.decode_jpeg(data)
    pixels = pixels_of(decode_chroma(header), down)
    np.testing.assert_array_equal(pixels.picture(), expected)
    np.testing.assert_array_equal(picture_calls.every(pixels, 1), expected)
    np.testing.assert_array_equal(pixels.samples, planes.lay_out(decode_chroma(header), down))
    np.testing.assert_array_equal(decode(header), expected)


@pytest.mark.parametrize("subsampling", ["4:4:4", "4:2:2", "4:2:0"])
def test_another_encoder_is_read_the_same(rng: np.random.Generator, tmp_path: Path, subsampling: str) -> None:
    path = tmp_path / "a.jpg"
    data = simplejpeg.encode_jpeg(noise(rng, (130, 70)), 90, colorsubsampling=subsampling.replace(":", ""))
    path.write_bytes(data)
    header = read_header(path)
    assert header.halved == {"4:4:4": 0, "4:2:2": 1, "4:2:0": 2}[subsampling]
    if header.halved:
        np.testing.assert_array_equal(
            pixels_of(decode_chroma(header), header.halved).picture(), decode(header)
        )


@pytest.mark.parametrize(
    "kind", ["turned", "grey", "440", "411", "narrow", "colours", "other names", "new version"]
)
def test_what_is_not_proven_is_read_as_colours(rng: np.random.Generator, tmp_path: Path, kind: str) -> None:
    picture = noise(rng, (8 if kind == "narrow" else 80, 64))
    data = jpeg_bytes(picture[..., :1] if kind == "grey" else picture, subsampling="4:2:0")
    if kind == "turned":
        data = jpeg_bytes(picture, subsampling="4:2:0", exif=exif_bytes(t274=6))
    if kind in ("440", "411"):
        data = simplejpeg.encode_jpeg(picture, 90, colorsubsampling=kind)
    if kind == "colours":
        adobe = b"\xff\xee\x00\x0eAdobe\x00\x64\x00\x00\x00\x00\x00"
        data = data[:2] + adobe + data[2:]
    if kind == "other names":
        at = data.index(b"\xff\xc0") + 10
        scan = data.index(b"\xff\xda") + 5
        changed = bytearray(data)
        for k in range(3):
            changed[at + 3 * k] += 4
            changed[scan + 2 * k] += 4
        data = bytes(changed)
    if kind == "new version":
        data = data.replace(b"JFIF\0\1", b"JFIF\0\2")
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    assert read_header(path).halved == 0


def test_damage_is_found_as_with_colours(rng: np.random.Generator, tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    data = jpeg_bytes(noise(rng, (300, 200)), subsampling="4:2:0")
    path.write_bytes(data[: len(data) // 2])
    for read in (decode, decode_chroma):
        with pytest.raises(FrameRefused, match="ends early"):
            read(read_header(path))


def test_padding_between_segments_does_no_harm(rng: np.random.Generator, tmp_path: Path) -> None:
    data = jpeg_bytes(noise(rng, (90, 50)), subsampling="4:2:0")
    at = data.index(b"\xff\xdb")
    path = tmp_path / "a.jpg"
    path.write_bytes(data[:at] + bytes(37) + data[at:-2] + bytes(11) + data[-2:])
    header = read_header(path)
    np.testing.assert_array_equal(pixels_of(decode_chroma(header), 2).picture(), decode(header))


@pytest.mark.parametrize("down", [1, 2])
@pytest.mark.parametrize("size", [(16, 16), (131, 67), (700, 130)], ids=str)
def test_the_survey_measures_luma_as_it_is_coded(
    rng: np.random.Generator, size: tuple[int, int], down: int
) -> None:
    chroma, pixels, _ = random_planes(rng, size, down)
    rows, cols = picture_calls.grid_shape(*size)
    energy, mean = np.empty((3, rows, cols), np.float32), np.empty((rows, cols), np.float32)
    small = np.empty((size[1] // 4, size[0] // 4), np.uint16)
    curve = np.linspace(0, 1, picture_calls.CURVE_STEPS + 1, dtype=np.float32) ** 2
    picture_calls.measure(pixels, curve, (0, rows), energy, mean, small)
    expected = twin_survey.measure(chroma[..., 0], curve)
    for one, other in zip((energy, mean, small), expected, strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("down", [1, 2])
def test_the_search_for_spots_sees_the_same(rng: np.random.Generator, down: int) -> None:
    _, halved, plain = random_planes(rng, (300, 67), down)
    for one, other in zip(isolated(halved, 0.02, 2), isolated(plain, 0.02, 2), strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("down", [1, 2])
@pytest.mark.parametrize("size", [(80, 72), (333, 150)], ids=str)
def test_registration_sees_luma_as_it_is_coded(
    rng: np.random.Generator, size: tuple[int, int], down: int
) -> None:
    chroma, halved, _ = random_planes(rng, size, down)
    np.testing.assert_array_equal(register_calls.luma(halved, 1), halved.table[chroma[..., 0]])
    for reduction in (1, 2, 3, 4):
        np.testing.assert_array_equal(
            register_calls.luma(halved, reduction), twin_register.luma(halved, reduction)
        )
        places = [-9, -1, 0, 3, 8, 17, size[0] // reduction - 40, size[0] // reduction - 20]
        corners = np.array([(x, y) for x in places for y in (-9, 0, 5, size[1] // reduction - 30)], np.int32)
        found = register_calls.windows(halved, reduction, corners, 32)
        np.testing.assert_array_equal(found, twin_register.windows(halved, reduction, corners, 32))


@pytest.mark.parametrize("down", [1, 2])
@pytest.mark.parametrize("bend", [0.0, 2.5])
def test_tiles_are_the_same(rng: np.random.Generator, down: int, bend: float) -> None:
    size, tile = (150, 141), 128
    pairs = [random_planes(rng, size, down)[1:] for _ in range(3)]
    stack = random_stack(
        rng,
        size=size,
        n=3,
        pictures=[plain.samples for _, plain in pairs],
        most_shift=40.0,
        most_bend=bend,
        tables=True,
        dtype=np.uint8,
    )
    found = []
    for frames in zip(*pairs, strict=True):
        kernel = picture_calls.TileKernel(
            size=size,
            frames=[
                picture_calls.TileFrame(
                    pixels=pixels,
                    pose=stack.poses[k],
                    table=stack.tables[k],
                    bend=stack.bends[k] if stack.bends else None,
                )
                for k, pixels in enumerate(frames)
            ],
            prior=stack.prior,
            admitted=stack.admitted,
            variance=stack.variance,
            order=1,
            numbers=NUMBERS,
        )
        out = np.zeros((2 * tile, 2 * tile, 3), np.uint16)
        frame_map, share = np.zeros((tile, tile), np.uint16), np.zeros(3)
        work = np.empty(picture_calls.render_bytes(tile, 3), np.uint8)
        for y in (0, tile):
            for x in (0, tile):
                assert kernel.render(tile, x, y, out[y:, x:], frame_map[y // 2 :, x // 2 :], share, work) > 0
        found.append((out, frame_map))
    for one, other in zip(*found, strict=True):
        np.testing.assert_array_equal(one, other)


def test_places_of_any_shape_can_be_asked_for(rng: np.random.Generator) -> None:
    _, halved, plain = random_planes(rng, (101, 77), 2)
    y, x = rng.integers(0, 77, (5, 1, 4)), rng.integers(0, 101, (3, 4))
    np.testing.assert_array_equal(halved.at(y, x), plain.at(y, x))
    np.testing.assert_array_equal(picture_calls.every(halved, 7), picture_calls.every(plain, 7))
