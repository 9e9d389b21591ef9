"""The height map: scale, tags as TIFF 6.0 has them, heights against a rendered dome's known ones, and the relief."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from nearfar.frames.camera import CameraData
from nearfar.frames.decode import read_header
from nearfar.frames.headers import FrameHeader
from nearfar.merge.deliver.height import FORMAT, Scale, height_scale, heights_of, relief, write_heights
from nearfar.merge.deliver.map_scale import describe, frame_places, map_step, step_of
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.deliver.side_files import grid_tiles
from nearfar.merge.recipe import CoverageRecipe, DeliverRecipe, Recipe
from nearfar.merge.stack import Merge, Request, Stop
from nearfar.progress import Progress
from tests.acceptance.command import lay
from tests.scenes import render
from tests.worker.merge.deliver.test_report import surveyed

STEP_UM = 5.0


def headers(*distances: float | None) -> list[FrameHeader]:
    plain = surveyed("A.tif").header
    return [replace(plain, camera=CameraData(subject_distance=d)) for d in distances]


def test_the_step_of_the_recipe_makes_micrometres() -> None:
    recipe = Recipe(coverage=CoverageRecipe(stage_step_um=2.5))
    scale = height_scale(headers(None, None, None), 1, recipe)
    assert (scale.unit, scale.heights) == ("um", (5.0, 2.5, 0.0))
    assert height_scale(headers(None, None, None), -1, recipe).heights == (0.0, 2.5, 5.0)


def test_distances_of_the_camera_make_millimetres() -> None:
    scale = height_scale(headers(0.5, 0.7, 1.0), 1, Recipe())
    assert scale.unit == "mm"
    assert scale.heights == pytest.approx((500, 300, 0))


@pytest.mark.parametrize("told", [(None, 0.7, 1.0), (0.5, 0.5, 0.5), (0.5, 1.0, 0.7)])
def test_distances_that_do_not_tell_leave_frames(told: tuple[float | None, ...]) -> None:
    scale = height_scale(headers(*told), 1, Recipe())
    assert (scale.unit, scale.heights) == ("frame", (2.0, 1.0, 0.0))


@pytest.mark.parametrize("frames", [1, 2, 255, 256, 300, 1000])
def test_every_frame_has_a_number_of_its_own_in_the_map(frames: int) -> None:
    step = map_step(frames)
    numbers = step * (1 + np.arange(frames))
    assert numbers.max() <= 65535
    np.testing.assert_allclose(frame_places(numbers, step), np.arange(frames), atol=1e-4)
    told = json.loads(describe([f"F{k}" for k in range(frames)]))["nearfar-focus/1"]
    assert (step_of(told), told["first"]) == (step, step)
    assert map_step(255) == 256


def test_what_no_frame_tells_is_not_a_number() -> None:
    heights = heights_of(
        np.array([[0, 256, 384, 768]], np.uint16), Scale(heights=(4.0, 2.0, 0.0), unit="um", why="")
    )
    np.testing.assert_array_equal(heights, np.array([[np.nan, 4.0, 3.0, 0.0]], np.float32))


def test_standard_tags_tell_what_the_file_holds(tmp_path: Path) -> None:
    """Numbers after TIFF 6.0 (Adobe, 1992): sections 3 (ResolutionUnit) and 19 (SampleFormat, S...SampleValue)."""
    values = np.full((700, 900), 256, np.uint16)
    values[:, 300:] = 512
    scale = Scale(heights=(5.0, 0.0), unit="um", why="step of the recipe")
    write_heights(tmp_path / "h.tif", (900, 700), grid_tiles(values), scale, "Nearfar", 1.5)
    with tifffile.TiffFile(tmp_path / "h.tif") as file:
        page: Any = file.pages[0]
        tags = {number: page.tags[number].value for number in (258, 270, 282, 283, 296, 339, 340, 341)}
        heights = page.asarray()
    assert heights.dtype == np.float32
    np.testing.assert_array_equal(
        heights, np.where(np.arange(900) < 300, 5, 0)[None] * np.ones((700, 1), np.float32)
    )
    assert (tags[258], tags[339], tags[296]) == (32, 3, 3)
    assert tags[282] == tags[283]
    assert tags[282][0] / tags[282][1] == pytest.approx(10_000 / 3.0)  # pixels of 3 um in a centimetre
    assert (float(np.ravel(tags[340])[0]), float(np.ravel(tags[341])[0])) == (0.0, 5.0)
    assert json.loads(tags[270])[FORMAT]["unit"] == "um"


def test_the_relief_shades_slopes_and_leaves_the_unknown_black() -> None:
    scale = Scale(heights=tuple(np.arange(21.0)), unit="frame", why="")
    y, x = np.mgrid[:80, :100]
    cone = np.clip(20 - np.hypot(x - 50, y - 40) / 1.6, 0, 20)
    values = (256 + 256 * cone).astype(np.uint16)
    values[:8] = 0
    picture = relief(values, scale)
    assert (picture[:8] == 0).all()
    # Lit from above on the left.
    assert picture[28, 38].astype(int).sum() > picture[52, 62].astype(int).sum() + 60


def test_heights_of_a_dome_are_right_to_a_part_of_a_step(tmp_path: Path) -> None:
    scene = render("dome", frames=12, size=(420, 320), seed=6)
    recipe = Recipe(
        coverage=CoverageRecipe(stage_step_um=STEP_UM), deliver=DeliverRecipe(height=True, pixel_um=1.5)
    )
    outputs = Outputs.beside(tmp_path / "picture.tif")
    job = Request(
        headers=[read_header(p) for p in lay(scene.frames, tmp_path / "frames")],
        outputs=outputs,
        recipe=recipe,
        memory=8 << 30,
        threads=2,
        scratch=tmp_path / "scratch",
        reference=scene.names[scene.reference],
    )
    Merge(job, Progress(quiet=True), Stop()).run()
    heights = tifffile.imread(outputs.named("height.tif"))
    truth = (11 - scene.depth) * STEP_UM
    small = truth.reshape(160, 2, 210, 2).mean(axis=(1, 3))
    error = np.abs(heights - small)[16:-16, 16:-16]
    assert np.nanmedian(error) < 0.4 * STEP_UM
    assert outputs.named("height.png").stat().st_size > 1000
    again = Merge(replace(job, recipe=Recipe()), Progress(quiet=True), Stop())
    again.run()
    assert not outputs.named("height.tif").exists()  # another run's heights would be those of another picture
