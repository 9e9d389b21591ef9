"""Files as delivered, read back in parts; those that are damaged, replaced, or not ours."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from nearfar.errors import FrameRefused
from nearfar.frames.srgb import plain
from nearfar_api.iiif.making import fitting_level, make
from nearfar_api.iiif.pictures import Picture
from nearfar_api.iiif.shelf import Shelf
from nearfar_api.iiif.tiles import TileCache
from nearfar_api.iiif.views import read_view
from tests.api.iiif import painting
from tests.api.iiif.painting import U16

WIDTH, HEIGHT = 1301, 913


def patiently() -> None:
    pass


@pytest.fixture(scope="module")
def pixels() -> U16:
    return painting.slopes(WIDTH, HEIGHT)


@pytest.fixture(scope="module")
def path(pixels: U16, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return painting.write(tmp_path_factory.mktemp("moss") / "moss.tif", pixels)


@pytest.fixture
def cache() -> TileCache:
    return TileCache(64 << 20)


Seen = Callable[..., np.ndarray]


@pytest.fixture
def see(path: Path, cache: TileCache) -> Seen:
    """The picture as a viewer gets it, without loss, RGB."""

    def seen(region: str, size: str, rotation: str = "0", name: str = "default.png") -> np.ndarray:
        picture = Picture(path)
        view = read_view(
            width=picture.width, height=picture.height, region=region, size=size, rotation=rotation, name=name
        )
        data = make(picture, view, cache, patiently)
        found = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
        assert found is not None
        return found[:, :, ::-1] if found.ndim == 3 else found

    return seen


def test_pixels_come_out_in_their_places(see: Seen, pixels: U16) -> None:
    assert np.array_equal(see("full", "max"), plain(pixels))
    assert np.array_equal(see("500,300,700,500", "max"), plain(pixels)[300:800, 500:1200])


@pytest.mark.parametrize("factor", [2, 4])
def test_a_tile_of_the_grid_is_a_piece_of_its_level_as_it_is(see: Seen, path: Path, factor: int) -> None:
    with tifffile.TiffFile(path) as file:
        level = file.series[0].levels[{2: 1, 4: 2}[factor]].asarray()
    step = 512 * factor
    width, height = -(-min(step, WIDTH) // factor), -(-min(step, HEIGHT) // factor)
    found = see(f"0,0,{step},{step}", f"{width},{height}")
    assert np.array_equal(found, plain(level)[:512, :512])


def test_a_picture_in_pieces_is_the_picture(see: Seen) -> None:
    pieces = [
        see(f"{x},0,{min(1024, WIDTH - x)},913", f"{-(-min(1024, WIDTH - x) // 2)},457") for x in (0, 1024)
    ]
    assert np.array_equal(np.hstack(pieces), see("full", f"{-(-WIDTH // 2)},457"))


def test_what_is_scaled_stays_in_its_place(see: Seen) -> None:
    """Red tells of x and green of y: what is seen is what lies there, to the rounding of samples and edges."""
    for size in ("1000,700", "333,", ",100", "^2000,1400"):
        found = see("full", size).astype(float)
        height, width = found.shape[:2]
        x, y = np.meshgrid((np.arange(width) + 0.5) / width, (np.arange(height) + 0.5) / height)
        assert np.abs(found[..., 0] - 255 * x).max() < 255 / width + 1.5
        assert np.abs(found[..., 1] - 255 * y).max() < 255 / height + 1.5


def test_mirrored_first_then_turned_clockwise(see: Seen) -> None:
    upright = see("0,0,300,200", "max")
    assert np.array_equal(see("0,0,300,200", "max", "90"), cv2.rotate(upright, cv2.ROTATE_90_CLOCKWISE))
    assert np.array_equal(see("0,0,300,200", "max", "!0"), upright[:, ::-1])
    turned = cv2.rotate(np.ascontiguousarray(upright[:, ::-1]), cv2.ROTATE_90_COUNTERCLOCKWISE)
    assert np.array_equal(see("0,0,300,200", "max", "!270"), turned)


def test_grey_is_the_luma_of_bt_601_and_bitonal_its_halves(see: Seen) -> None:
    red, green, blue = np.moveaxis(see("full", "400,").astype(float), -1, 0)
    grey = see("full", "400,", name="gray.png")
    assert np.abs(grey - (0.299 * red + 0.587 * green + 0.114 * blue)).max() <= 1  # ITU-R BT.601-7
    assert set(np.unique(see("full", "400,", name="bitonal.png"))) == {0, 255}


def test_jpeg_holds_pixels_and_nothing_else(path: Path, cache: TileCache, pixels: U16) -> None:
    picture = Picture(path)
    view = read_view(
        width=WIDTH, height=HEIGHT, region="0,0,512,512", size="max", rotation="0", name="default.jpg"
    )
    data = make(picture, view, cache, patiently)
    assert b"Exif" not in data
    assert b"ICC_PROFILE" not in data
    found = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert found is not None
    assert np.abs(found[:, :, ::-1].astype(int) - plain(pixels)[:512, :512]).max() <= 4


def test_greyscale_under_a_profile_is_read_and_stays_grey(tmp_path: Path, cache: TileCache) -> None:
    ramp = painting.slopes(600, 40, channels=1)
    picture = Picture(painting.write(tmp_path / "grey.tif", ramp, icc=painting.grey_profile(1.0)))
    found = picture.part(0, (0, 0, 600, 40), cache, patiently)
    assert found.shape == (40, 600)
    middle = found[20, 300] / 255
    assert middle == pytest.approx(1.055 * 0.5 ** (1 / 2.4) - 0.055, abs=0.005)  # IEC 61966-2-1


@pytest.mark.parametrize(
    ("region", "size", "level"),
    [
        ("full", "max", 0),
        ("full", "652,", 0),
        ("full", "651,", 1),
        ("full", "650,", 1),
        ("full", "325,", 2),
        ("full", "10,", 2),
        ("0,0,1024,512", "512,", 1),
        ("full", "^5000,", 0),
        ("full", "10,913", 0),
        ("1024,0,277,512", "139,256", 1),
    ],
)
def test_the_level_is_the_smallest_that_is_large_enough(
    path: Path, region: str, size: str, level: int
) -> None:
    view = read_view(width=WIDTH, height=HEIGHT, region=region, size=size, rotation="0", name="default.jpg")
    assert fitting_level(Picture(path).levels, view) == level


def test_tiles_are_decoded_once_while_there_is_room(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    picture = Picture(path)
    decoded: list[int] = []
    plainly = picture._decoded

    def counted(offset: int, size: int) -> np.ndarray:
        decoded.append(offset)
        return plainly(offset, size)

    monkeypatch.setattr(picture, "_decoded", counted)
    box = (0, 0, 600, 300)
    cache = TileCache(4 * 512 * 512 * 3)
    for _ in range(3):
        picture.part(0, box, cache, patiently)
    assert len(decoded) == 2
    picture.part(0, (0, 0, WIDTH, HEIGHT), cache, patiently)
    assert cache.size <= cache.limit
    small = TileCache(100)
    picture.part(0, box, small, patiently)
    assert small.size == 0


def test_a_file_that_is_replaced_is_noticed_and_the_old_one_stays_whole(
    tmp_path: Path, cache: TileCache
) -> None:
    target = tmp_path / "moss.tif"
    black, white = np.zeros((40, 50, 3), np.uint16), np.full((40, 50, 3), 65535, np.uint16)
    painting.write(target, black)
    shelf = Shelf()
    before = shelf.picture(target)
    assert shelf.picture(target) is before
    painting.write(tmp_path / "new.tif", white).replace(target)
    after = shelf.picture(target)
    assert after.tag != before.tag
    assert before.part(0, (0, 0, 50, 40), cache, patiently).max() == 0
    assert after.part(0, (0, 0, 50, 40), cache, patiently).min() == 255


def test_only_so_many_files_stay_open(tmp_path: Path) -> None:
    paths = [painting.write(tmp_path / f"{k}.tif", painting.slopes(20, 20)) for k in range(5)]
    shelf = Shelf(most=2)
    for path in paths:
        shelf.picture(path)
    assert open_files(tmp_path) == paths[-2:]


def open_files(folder: Path) -> list[Path]:
    """Files of a folder that this process has open."""
    found = []
    for entry in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):  # the one with which this is read
            found.append(entry.readlink())
    return sorted(path for path in found if path.parent == folder)


def test_a_stop_is_heard_between_tiles(path: Path, cache: TileCache) -> None:
    asked = []

    def leave_at_the_third() -> None:
        asked.append(1)
        if len(asked) == 3:
            raise InterruptedError

    with pytest.raises(InterruptedError):
        Picture(path).part(0, (0, 0, WIDTH, HEIGHT), cache, leave_at_the_third)


def test_no_damage_does_more_than_refuse(
    path: Path, tmp_path: Path, rng: np.random.Generator, cache: TileCache
) -> None:
    whole = path.read_bytes()
    directory = len(whole) - 4000
    refused = 0
    for turn in range(120):
        spoilt = bytearray(whole)
        if turn % 3 == 0:
            del spoilt[int(rng.integers(0, len(whole))) :]
        else:
            first = 0 if turn % 3 == 1 else directory
            for place in rng.integers(first, len(whole), 40):
                spoilt[place] = int(rng.integers(0, 256))
        spoilt_path = tmp_path / f"{turn}.tif"
        spoilt_path.write_bytes(spoilt)
        try:
            picture = Picture(spoilt_path)
            picture.part(0, (0, 0, picture.width, picture.height), TileCache(0), patiently)
        except FrameRefused:
            refused += 1
        spoilt_path.unlink()
    assert refused > 60


@pytest.mark.parametrize("kind", ["plain tiff", "text", "empty", "eight bits", "folder", "pipe"])
def test_what_is_not_ours_is_refused_in_words(tmp_path: Path, kind: str) -> None:
    target = tmp_path / "other.tif"
    match kind:
        case "plain tiff":
            tifffile.imwrite(target, painting.slopes(60, 50), photometric="rgb")
        case "eight bits":
            tifffile.imwrite(
                target,
                np.zeros((600, 600, 3), np.uint8),
                tile=(512, 512),
                compression="deflate",
                predictor=True,
            )
        case "text":
            target.write_text("moss on slate")
        case "empty":
            target.touch()
        case "folder":
            target.mkdir()
        case "pipe":
            os.mkfifo(target)
    with pytest.raises(FrameRefused, match="other.tif: found .*expected a picture as Nearfar delivers it"):
        Picture(target)


def test_a_link_is_not_followed(path: Path, tmp_path: Path) -> None:
    link = tmp_path / "link.tif"
    link.symlink_to(path)
    with pytest.raises(OSError, match="symbolic"):
        Picture(link)
