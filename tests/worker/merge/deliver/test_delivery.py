"""Deliver: bands become picture, preview and maps; each file whole, the picture's name last; all of it known as ours."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from nearfar.errors import Interrupted
from nearfar.frames.decode import read_header
from nearfar.frames.deliverable import PictureTags, encode_tile, write_picture
from nearfar.intake.listing import made_by_nearfar
from nearfar.merge.deliver.delivery import MAP_EDGE, Delivery
from nearfar.merge.deliver.outputs import Outputs, finished
from nearfar.merge.deliver.report import Report
from nearfar.merge.deliver.side_files import SOFTWARE, grid_tiles, marked_png
from nearfar.merge.deliver.write import deliver, picture_tags
from nearfar.merge.focus.find import FocusMap
from nearfar.merge.noise import Noise
from nearfar.merge.recipe import DeliverRecipe, Recipe
from nearfar.merge.render import BLOCK, _Block, read_band, write_band
from nearfar.merge.scratch import Scratch, open_scratch
from nearfar.merge.survey import Surveyed, identify
from nearfar.merge.surveyed_stack import SurveyedStack
from tests.acceptance.command import lay
from tests.scenes import Camera
from tests.scenes.tags import srgb_profile

KEY = "0123456789abcdef0123456789abcdef"
U16 = NDArray[np.uint16]


@pytest.fixture
def scratch(tmp_path: Path) -> Iterator[Scratch]:
    with open_scratch(tmp_path / "scratch", tmp_path / "out.tif") as opened:
        yield opened


def halved(picture: U16) -> U16:
    """Mean of 2 x 2 pixels, the last row or column repeated where their number is odd; exact to a step."""
    h, w = picture.shape[:2]
    even = np.pad(picture, ((0, h % 2), (0, w % 2), (0, 0)), mode="edge").astype(np.float64)
    means = even.reshape((h + 1) // 2, 2, (w + 1) // 2, 2, -1).mean((1, 3))
    return np.asarray(np.rint(means), np.uint16)


def delivered(picture: U16, scratch: Scratch) -> Delivery:
    """A delivery that was given a picture (h, w, c) band by band, the map of frames counting its half-size pixels."""
    h, w, channels = picture.shape
    delivery = Delivery((w, h), channels, scratch, KEY)
    with ThreadPoolExecutor(2) as pool:
        for top in range(0, h, BLOCK):
            blocks = []
            for left in range(0, w, BLOCK):
                part = picture[top : top + BLOCK, left : left + BLOCK]
                tile = np.zeros((BLOCK, BLOCK, channels), np.uint16)
                tile[: part.shape[0], : part.shape[1]] = part
                half = halved(part)
                rows, cols = np.indices(half.shape[:2])
                frame_map = np.asarray(256 + (top // 2 + rows) * 3 + (left // 2 + cols), np.uint16)
                blocks.append(
                    _Block(
                        tile=encode_tile(tile), half=half, frame_map=frame_map, share=np.ones(2) * half.size
                    )
                )
            path = scratch.path(f"band{top}", "band")
            write_band(path, blocks)
            delivery.add(read_band(path), pool)
        delivery.close(pool)
    return delivery


@pytest.fixture
def picture(rng: np.random.Generator) -> U16:
    """1101 x 777 pixels: 3 x 2 tiles, two reduced levels, odd both ways."""
    y, x = np.mgrid[:777, :1101]
    smooth = np.stack([20_000 + 15 * x, 10_000 + 30 * y, 9000 + 10 * (x + y)], -1)
    return np.asarray(smooth + rng.integers(0, 200, smooth.shape), np.uint16)


def test_the_picture_and_its_levels_are_what_was_rendered(
    picture: U16, scratch: Scratch, tmp_path: Path
) -> None:
    """Read back by tifffile."""
    delivery = delivered(picture, scratch)
    levels = delivery.picture_levels(lambda: None)
    write_picture(tmp_path / "p.tif", width=1101, height=777, channels=3, levels=levels, tags=PictureTags())
    with tifffile.TiffFile(tmp_path / "p.tif") as file:
        found = [level.asarray() for level in file.series[0].levels]
    assert [f.shape for f in found] == [(777, 1101, 3), (389, 551, 3), (195, 276, 3)]
    np.testing.assert_array_equal(found[0], picture)
    assert np.abs(found[1].astype(int) - halved(picture)).max() <= 1
    assert np.abs(found[2].astype(int) - halved(halved(picture))).max() <= 1


def test_before_every_tile_the_work_may_be_stopped(picture: U16, scratch: Scratch) -> None:
    delivery = delivered(picture, scratch)
    asked: list[None] = []
    tiles = [list(level) for level in delivery.picture_levels(lambda: asked.append(None))]
    assert [len(t) for t in tiles] == [6, 2, 1]
    assert len(asked) == 9


@pytest.mark.parametrize("edge", [64, 300, 551, 600, 1101, 5000])
def test_the_preview_shows_the_picture_no_longer_than_asked_for(
    edge: int, picture: U16, scratch: Scratch
) -> None:
    """Against one reduction of the whole by area means, by OpenCV."""
    seen = delivered(picture, scratch).preview(edge)
    longer = min(edge, 1101)
    assert seen.shape == (round(777 * longer / 1101), longer, 3)
    wanted = cv2.resize(picture, seen.shape[1::-1], interpolation=cv2.INTER_AREA) / 257
    assert np.abs(seen - wanted)[2:-2, 2:-2].max() < 2


def test_a_greyscale_picture_has_a_greyscale_preview(picture: U16, scratch: Scratch) -> None:
    seen = delivered(picture[:, :, :1].copy(), scratch).preview(400)
    assert seen.shape == (282, 400)


def test_the_map_of_frames_is_gathered_at_half_size_and_thinned_out_evenly(scratch: Scratch) -> None:
    tall = np.zeros((9001, 520, 1), np.uint16)
    delivery = delivered(tall, scratch)
    small = delivery.small_map()
    step = -(-4501 // MAP_EDGE)
    assert step > 1
    assert small.shape == (-(-4501 // step), -(-260 // step))
    np.testing.assert_array_equal(small[:, 0], 256 + 3 * step * np.arange(len(small)))
    np.testing.assert_array_equal(small[0], 256 + step * np.arange(small.shape[1]))
    size, tiles = delivery.map_tiles()
    assert size == (260, 4501)
    assert len(list(tiles)) == 9


@pytest.mark.parametrize("size", [(1, 1), (30, 23), (512, 512), (700, 513)])
def test_a_grid_in_memory_becomes_tiles(
    size: tuple[int, int], rng: np.random.Generator, tmp_path: Path
) -> None:
    width, height = size
    grid = rng.integers(0, 65536, (height, width), np.uint16)
    write_picture(
        *(tmp_path / "grid.tif",),
        width=width,
        height=height,
        channels=1,
        levels=[grid_tiles(grid)],
        tags=PictureTags(),
    )
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "grid.tif"), grid)


def test_a_marked_png_is_still_a_png_and_known_as_ours(tmp_path: Path) -> None:
    stream = io.BytesIO()
    Image.new("RGB", (40, 30), (10, 200, 30)).save(stream, "PNG")
    (tmp_path / "shown.png").write_bytes(marked_png(stream.getvalue(), (40, 30)))
    with Image.open(tmp_path / "shown.png") as seen:
        seen.load()
        assert seen.getpixel((3, 3)) == (10, 200, 30)
        assert seen.getexif()[0x0131] == SOFTWARE
    assert made_by_nearfar(read_header(tmp_path / "shown.png"))


def surveyed(folder: Path, count: int) -> list[Surveyed]:
    paths = lay(
        np.zeros((count, 20, 30, 3), np.uint16),
        folder,
        camera=Camera(exposure=Fraction(1, 50), lens="Flat 60"),
    )
    done = []
    for path in paths:
        header = read_header(path)
        digest, fingerprint = identify(header)
        done.append(Surveyed(header=header, digest=digest, fingerprint=fingerprint, key=path.stem, rows=None))
    return done


def stack_of(frames: list[Surveyed], recipe: Recipe) -> SurveyedStack:
    noise = Noise(variance=np.full(8, 0.004**2), bands=np.ones(3))
    return SurveyedStack(
        scratch=Scratch(Path("/nowhere")), frames=frames, noise=noise, recipe=recipe, threads=2
    )


def report(**change: Any) -> Report:
    frames = [
        {
            "name": f"F000{k + 1}.tif",
            "used": True,
            "why": None,
            "pose": [[1, 0, 0], [0, 1, 0]],
            "gain_ev": 0.0,
            "confidence": 0.9,
            "share": 0.5,
            "sharpness": 0.5,
            "shift": [0.0, 0.0],
            "scale": 1.0,
        }
        for k in range(2)
    ]
    content = {
        "reference": "F0002.tif",
        "size": [1101, 777],
        "frames": frames,
        "gaps": [],
        "warnings": [],
        "notes": [],
        "seconds": {"total": 1.0, "survey": 1.0},
        "memory": {"limit": 1 << 30, "peak": 1 << 28},
        "software": {"nearfar": SOFTWARE},
        "recipe": "standard",
        "key": KEY,
    }
    return Report(content | change)


def test_the_tags_are_those_of_the_reference_frame_and_of_the_frames_used(tmp_path: Path) -> None:
    left_out = {"name": "F0003.tif", "used": False}
    made = report(frames=[*report().content["frames"], left_out])
    tags = picture_tags(made, stack_of(surveyed(tmp_path, 3), Recipe(name="macro")))
    assert tags.icc == srgb_profile()
    assert tags.exif is not None
    assert tags.exif.exif[0xA434].text() == "Flat 60"
    assert tags.composite is not None
    assert (tags.composite.in_set, tags.composite.used) == (3, 2)
    assert list(tags.composite.exposure_times) == pytest.approx([1 / 50, 1 / 50])
    packet = (tags.xmp or b"").decode()
    assert "F0001.tif" in packet
    assert "F0003.tif" not in packet
    assert "recipe macro" in packet
    assert KEY in packet


GRID = np.full((49, 69), 0.25, np.float32)
FOUND = FocusMap(
    best=np.zeros((49, 69), np.int16),
    sharpest=np.zeros((49, 69), np.int16),
    beside=np.stack([GRID, GRID]),
    certain=GRID,
    peak=np.stack([GRID, GRID, GRID]),
    variance=GRID,
    luma=GRID,
)


def hand_over(
    picture: U16, scratch: Scratch, tmp_path: Path, *, stop: Any = lambda: None
) -> tuple[Outputs, list[Path]]:
    """Deliver; returns the outputs, and which of them were there when the report was finished."""
    outputs = Outputs.beside(tmp_path / "picture.tif")
    there: list[Path] = []

    def finish(given: Report) -> Report:
        there.extend(p for p in (outputs.picture, *outputs.side_files()) if p.exists())
        return given

    recipe = Recipe(deliver=DeliverRecipe(preview_edge=500))
    deliver(
        *(
            delivered(picture, scratch),
            outputs,
            report(),
            stack_of(surveyed(tmp_path / "frames", 2), recipe),
            FOUND,
        ),
        stop=stop,
        finish=finish,
    )
    return outputs, there


def test_everything_is_handed_over_and_the_picture_last(
    picture: U16, scratch: Scratch, tmp_path: Path
) -> None:
    outputs, there = hand_over(picture, scratch, tmp_path)
    assert outputs.picture not in there
    assert outputs.named("preview.jpg") in there
    assert all(p.is_file() for p in (outputs.picture, *outputs.side_files()))
    assert list(tmp_path.glob(".nearfar-*")) == []
    np.testing.assert_array_equal(tifffile.imread(outputs.picture, key=0), picture)
    doubt = tifffile.imread(outputs.named("doubt.tif"))
    assert set(np.unique(doubt)) == {round(0.75 * 65535)}
    for path in (outputs.picture, *outputs.side_files()):
        if path.suffix in (".tif", ".jpg", ".png"):
            assert made_by_nearfar(read_header(path)), path.name


def test_stopped_at_the_last_moment_there_is_no_picture(
    picture: U16, scratch: Scratch, tmp_path: Path
) -> None:
    calls = [0]

    def stop() -> None:
        calls[0] += 1
        if calls[0] == 10:  # nine tiles, then once before the name is given
            raise Interrupted("stopped")

    with pytest.raises(Interrupted):
        hand_over(picture, scratch, tmp_path, stop=stop)
    assert not (tmp_path / "picture.tif").exists()
    assert list(tmp_path.glob(".nearfar-*")) == []


@pytest.fixture
def made(picture: U16, scratch: Scratch, tmp_path: Path) -> Outputs:
    return hand_over(picture, scratch, tmp_path)[0]


def test_a_finished_picture_is_known_by_its_key(made: Outputs) -> None:
    found = finished(made, KEY)
    assert found is not None
    assert found.content["key"] == KEY
    assert finished(made, KEY[::-1]) is None


@pytest.mark.parametrize("ending", ["picture", "preview.jpg", "focus.tif", "report.json", "report.txt"])
def test_a_picture_of_which_something_is_missing_is_not_finished(ending: str, made: Outputs) -> None:
    (made.picture if ending == "picture" else made.named(ending)).unlink()
    assert finished(made, KEY) is None


@pytest.mark.parametrize(
    "left", [0, 1000, -3000], ids=["nothing", "its first bytes", "all but its directory"]
)
def test_a_picture_that_is_cut_short_is_not_finished(left: int, made: Outputs) -> None:
    made.picture.write_bytes(made.picture.read_bytes()[:left])
    assert finished(made, KEY) is None


@pytest.mark.parametrize("text", ["", "[]", "{}", "no json", json.dumps({"key": "other"})])
def test_a_report_that_is_another_or_spoilt_is_not_finished(text: str, made: Outputs) -> None:
    made.report.write_text(text)
    assert finished(made, KEY) is None
