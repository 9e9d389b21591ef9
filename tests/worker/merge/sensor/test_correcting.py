"""Dark and flat frames: the scene comes back as it was, of raw files on the mosaic, of others in linear light."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from nearfar.errors import FrameRefused, RecipeRefused, SourceChanged, StackRefused
from nearfar.frames.colour import srgb_to_linear
from nearfar.frames.correction import correct_rows
from nearfar.frames.decode import decode, read_header
from nearfar.frames.headers import FrameHeader
from nearfar.frames.windows import FrameRows
from nearfar.merge import recipe as recipes
from nearfar.merge.development import as_json, develop
from nearfar.merge.keys import file_digest
from nearfar.merge.mending.frames import Carrier, MendFrame
from nearfar.merge.scratch import Scratch
from nearfar.merge.sensor.correcting import MOST, corrected, find_masters, make_planes, space
from nearfar.merge.sensor.correcting_again import corrected_again
from nearfar.merge.survey import rows_bytes, survey_key
from tests.worker.frames.makers import write_dng

HEIGHT, WIDTH = 96, 128
BLACK, WHITE = 64, 16383
F64 = NDArray[np.float64]


def recipe(**sensor: Any) -> recipes.Recipe:
    said: dict[str, Any] = {k: str(v) for k, v in sensor.items()}
    return recipes.Recipe(sensor=recipes.SensorRecipe(**said))


def shade() -> F64:
    """Vignetting down to .4 in the corners, and a speck of dust that takes 30 %, (h, w)."""
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float64)
    far = np.hypot((x - 63.5) / 64, (y - 47.5) / 48)
    dust = 1 - 0.3 * np.exp(-(np.hypot(x - 40, y - 30) ** 2) / 18)
    return np.asarray((1 - 0.3 * far**2) * dust)


def warm(rng: np.random.Generator) -> F64:
    """Light that the sensor adds by itself, (h, w): a little everywhere, much in forty pixels."""
    out = np.full((HEIGHT, WIDTH), 0.002)
    out.flat[rng.choice(out.size, 40, replace=False)] = 0.2
    return out


def scene() -> F64:
    """Smooth light from .05 to .45, (h, w)."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    return np.asarray(0.25 + 0.2 * np.sin(x / 17) * np.cos(y / 13))


def encoded(light: F64) -> NDArray[np.uint16]:
    """Three planes under the curve of sRGB (IEC 61966-2-1), 16 bit."""
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055)
    return np.repeat(np.round(np.clip(value, 0, 1) * 65535).astype(np.uint16)[:, :, None], 3, axis=2)


def write_tif(path: Path, light: F64, **options: Any) -> Path:
    path.parent.mkdir(exist_ok=True)
    tifffile.imwrite(path, encoded(light), photometric="rgb", metadata=None, **options)
    return path


def write_raw(path: Path, light: F64, rng: np.random.Generator, **options: Any) -> Path:
    """A mosaic with read noise of two steps."""
    path.parent.mkdir(exist_ok=True)
    values = BLACK + light * (WHITE - BLACK) + rng.normal(0, 2, light.shape)
    return write_dng(path, sensor=np.round(np.clip(values, 0, WHITE)).astype(np.uint16), **options)


def ready(paths: Sequence[Path], folder: Path, **sensor: Any) -> list[FrameHeader]:
    """Headers with planes made."""
    scratch = Scratch(folder)
    headers = [read_header(p) for p in paths]
    masters = find_masters(headers, recipe(**sensor))
    make_planes(masters, scratch)
    assert not list(folder.glob("*.part"))
    return corrected(headers, masters, scratch)


def test_dark_and_flat_of_developed_frames_give_the_scene_back(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    added = warm(rng)
    path = write_tif(tmp_path / "frame.tif", scene() * shade() + added)
    write_tif(tmp_path / "dark.tif", added)
    write_tif(tmp_path / "flat.tif", 0.6 * shade() + added)
    (header,) = ready([path], tmp_path, dark=tmp_path / "dark.tif", flat=tmp_path / "flat.tif")
    wanted = scene() * np.median(shade())
    found = srgb_to_linear(decode(header) / 65535)
    np.testing.assert_allclose(found, np.repeat(wanted[:, :, None], 3, axis=2), rtol=1e-3)
    assert np.abs(srgb_to_linear(decode(read_header(path)) / 65535)[:, :, 0] - wanted).max() > 0.1


def test_dark_and_flat_of_raw_frames_work_on_the_mosaic(tmp_path: Path, rng: np.random.Generator) -> None:
    """What a frame without flaws becomes is the truth; all noise is two of 16319 steps, seven dark and flat frames each."""
    added = warm(rng)
    path = write_raw(tmp_path / "frame.dng", scene() * shade() + added, rng)
    truth = write_raw(tmp_path / "truth.dng", scene() * np.median(shade()), rng)
    for n in range(7):
        write_raw(tmp_path / "dark" / f"{n}.dng", added, rng)
        write_raw(tmp_path / "flat" / f"{n}.dng", 0.4 * shade() + added, rng)
    (header,) = ready([path], tmp_path, dark=tmp_path / "dark", flat=tmp_path / "flat")
    wanted = srgb_to_linear(decode(read_header(truth)) / 65535)
    before = srgb_to_linear(decode(read_header(path)) / 65535) - wanted
    after = srgb_to_linear(decode(header) / 65535) - wanted
    assert np.abs(after).max() < 0.01 < 0.2 < np.abs(before).max()
    assert np.sqrt((after**2).mean()) < 0.02 * np.sqrt((before**2).mean())


def test_a_raw_frame_turned_upright_is_corrected_where_it_lies_on_the_sensor(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    light, added = scene() * shade(), warm(rng)
    write_raw(tmp_path / "dark.dng", added, rng)
    paths = [write_raw(tmp_path / "flat.dng", 0.4 * shade() + added, rng)]
    for name, way in (("level.dng", 1), ("turned.dng", 6)):
        again = np.random.default_rng(4)
        paths.append(write_raw(tmp_path / name, light + added, again, orientation=way))
    masters = {"dark": tmp_path / "dark.dng", "flat": paths[0]}
    (level,), (turned,) = (ready([p], tmp_path, **masters) for p in paths[1:])
    np.testing.assert_array_equal(decode(turned), np.rot90(decode(level), -1))


@pytest.mark.parametrize("options", [{}, {"compression": "zlib", "rowsperstrip": 20}])
def test_rows_read_in_parts_are_those_of_the_whole(
    options: dict[str, Any], tmp_path: Path, rng: np.random.Generator
) -> None:
    path = write_tif(tmp_path / "frame.tif", scene() * shade(), **options)
    write_tif(tmp_path / "flat.tif", shade() * 0.7)
    (header,) = ready([path], tmp_path, flat=tmp_path / "flat.tif")
    assert header.plain is None
    assert rows_bytes(header) > 0
    with FrameRows(header) as reader:
        parts = [reader.rows(y, min(y + 37, HEIGHT)) for y in range(0, HEIGHT, 37)]
    np.testing.assert_array_equal(np.concatenate(parts), decode(header))


def test_nothing_to_correct_changes_no_sample(tmp_path: Path) -> None:
    """Every sample of 8 and 16 bits goes to light and back."""
    for bits in (8, 16):
        ramp = np.arange(1 << bits).astype(np.dtype(f"u{bits // 8}")).reshape(-1, 256, 1).repeat(3, axis=2)
        path, dark = tmp_path / f"{bits}.tif", tmp_path / f"dark{bits}.tif"
        tifffile.imwrite(path, ramp, photometric="rgb", metadata=None)
        tifffile.imwrite(dark, ramp * 0, photometric="rgb", metadata=None)
        (header,) = ready([path], tmp_path, dark=dark)
        assert header.correction is not None
        np.testing.assert_array_equal(correct_rows(header.correction, ramp.copy(), 0, header.icc), ramp)


def test_several_frames_are_one_by_their_median(tmp_path: Path) -> None:
    """A stray light in one dark frame of three leaves no trace."""
    path = write_tif(tmp_path / "frame.tif", scene())
    for n in range(3):
        light = np.full((HEIGHT, WIDTH), 0.01)
        light[10 * n : 10 * n + 5] = 0.3
        write_tif(tmp_path / "dark" / f"{n}.tif", light)
    (header,) = ready([path], tmp_path, dark=tmp_path / "dark")
    found = srgb_to_linear(decode(header)[:, :, 0] / 65535)
    np.testing.assert_allclose(found, scene() - 0.01, atol=1e-4)


def test_a_flat_frame_raises_nothing_beyond_the_bound_and_full_scale_stays(tmp_path: Path) -> None:
    light = np.full((HEIGHT, WIDTH), 0.02)
    light[:, 100:] = 1.0
    flat = np.full((HEIGHT, WIDTH), 0.5)
    flat[:10] = 0.001
    flat[:, 110:] = 0.9
    path = write_tif(tmp_path / "frame.tif", light)
    write_tif(tmp_path / "flat.tif", flat)
    (header,) = ready([path], tmp_path, flat=tmp_path / "flat.tif")
    samples = decode(header)
    assert (samples[:, 100:] == 65535).all()
    found = srgb_to_linear(samples[:, :100, 0] / 65535)
    np.testing.assert_allclose(found[:10], 0.02 * MOST, rtol=1e-3)
    np.testing.assert_allclose(found[10:], 0.02, rtol=1e-3)


def test_the_survey_key_tells_corrected_frames_apart(tmp_path: Path) -> None:
    path = write_tif(tmp_path / "frame.tif", scene())
    flat, other = write_tif(tmp_path / "a.tif", shade()), write_tif(tmp_path / "b.tif", shade() * 0.9)
    headers = [read_header(path), *(ready([path], tmp_path, flat=f)[0] for f in (flat, other))]
    headers += ready([path], tmp_path, dark=flat)
    assert len({survey_key(h, "0" * 64) for h in headers}) == 4
    assert corrected(headers[:1], find_masters(headers[:1], recipe()), Scratch(tmp_path)) == headers[:1]
    assert space(find_masters(headers[:1], recipe())) == 0
    assert space(find_masters(headers[:1], recipe(flat=flat))) == 3 * HEIGHT * WIDTH * 12


def test_what_a_report_says_gives_the_same_pixels_again(tmp_path: Path) -> None:
    path = write_tif(tmp_path / "frame.tif", scene() * shade())
    flat = write_tif(tmp_path / "flat.tif", shade() * 0.7)
    (header,) = ready([path], tmp_path, flat=flat)
    masters = find_masters([read_header(path)], recipe(flat=flat))
    said = json.loads(json.dumps(masters.told()))["corrected"]
    assert said["text"] == f"Corrected by 1 flat frame ({tmp_path})."
    again = corrected_again(read_header(path), said)
    np.testing.assert_array_equal(decode(again), decode(header))
    write_tif(flat, shade() * 0.8)
    with pytest.raises(SourceChanged, match=r"flat\.tif"):
        corrected_again(read_header(path), said)


def test_a_folder_gives_the_frames_of_the_stacks_camera(tmp_path: Path) -> None:
    path = write_tif(tmp_path / "frame.tif", scene(), extratags=[(272, 2, 0, "Field One", True)])
    own = write_tif(tmp_path / "all" / "b.tif", scene(), extratags=[(272, 2, 0, "Field One", True)])
    write_tif(tmp_path / "all" / "a.tif", scene(), extratags=[(272, 2, 0, "Field Two", True)])
    (tmp_path / "all" / "notes.txt").write_text("cap on")
    headers = [read_header(path)]
    found = find_masters(headers, recipe(dark=tmp_path / "all"))
    assert [m.header.path for m in found.dark] == [own]
    own.unlink()
    with pytest.raises(RecipeRefused, match="found frames of Field Two; expected dark frames of Field One"):
        find_masters(headers, recipe(dark=tmp_path / "all"))
    with pytest.raises(FrameRefused, match="found a dark frame of Field Two; expected one of Field One"):
        find_masters(headers, recipe(dark=tmp_path / "all" / "a.tif"))
    other = read_header(tmp_path / "all" / "a.tif")
    with pytest.raises(StackRefused, match="from 2 cameras"):
        find_masters([*headers, other], recipe(dark=path))


def test_frames_that_do_not_go_with_the_stack_are_refused(tmp_path: Path, rng: np.random.Generator) -> None:
    like = [read_header(write_tif(tmp_path / "frame.tif", scene()))]
    small = write_tif(tmp_path / "small.tif", scene()[:50])
    raw = write_raw(tmp_path / "raw.dng", scene(), rng)
    flat8 = tmp_path / "eight.tif"
    tifffile.imwrite(flat8, np.zeros((HEIGHT, WIDTH, 3), np.uint8), photometric="rgb", metadata=None)
    for path, words in (
        (small, "found 128 x 50 pixels; expected 128 x 96"),
        (raw, "found a raw file; expected a developed picture"),
        (flat8, "found 8 bits; expected 16"),
    ):
        with pytest.raises(FrameRefused, match=f"{path.name}: {words} as in the frames of the stack"):
            find_masters(like, recipe(flat=path))
    (tmp_path / "empty").mkdir()
    for path, words in ((tmp_path / "none", "No such file"), (tmp_path / "empty", "found no pictures")):
        with pytest.raises(RecipeRefused, match=rf"sensor\.flat is {path}: {words}"):
            find_masters(like, recipe(flat=path))


def test_flat_frames_without_light_are_refused(tmp_path: Path) -> None:
    path = write_tif(tmp_path / "frame.tif", scene())
    black = write_tif(tmp_path / "black.tif", scene() * 0)
    with pytest.raises(RecipeRefused, match="not brighter than the dark ones"):
        ready([path], tmp_path, flat=black)


@pytest.mark.parametrize("tag", [3, 6])
def test_a_flat_frame_is_put_to_the_sensor_whatever_its_orientation_tag_says(
    tag: int, tmp_path: Path
) -> None:
    """A camera on a copy stand writes any (Exif 3.0, 0x0112): a frame over its own flat one is even."""
    frame = write_tif(tmp_path / "frame.tif", 0.5 * shade())
    level = write_tif(tmp_path / "level.tif", 0.5 * shade())
    flat = write_tif(tmp_path / "flat.tif", 0.5 * shade(), extratags=[(274, 3, 1, tag, True)])
    (expected,), (found,) = ready([frame], tmp_path, flat=level), ready([frame], tmp_path, flat=flat)
    np.testing.assert_array_equal(decode(found), decode(expected))
    again = corrected_again(read_header(frame), find_masters([found], recipe(flat=flat)).told()["corrected"])
    np.testing.assert_array_equal(decode(again), decode(found))


def test_paths_start_from_the_recipes_folder_and_are_whole_without_one(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text('[sensor]\ndark = "masters/dark"\n', encoding="utf-8")
    assert recipes.load(path).sensor.dark == str(tmp_path / "masters/dark")
    with pytest.raises(RecipeRefused, match=r"sensor\.dark is 'masters/dark'; expected the whole path"):
        recipes.parse(path.read_text(encoding="utf-8"), name="own")


def test_a_mend_takes_a_frame_as_the_merge_had_it(tmp_path: Path, rng: np.random.Generator) -> None:
    """At rest the kernel gives a frame's own samples but for rounding: those of a linear, corrected development."""
    path = write_raw(tmp_path / "frame.dng", scene() * shade(), rng)
    flat = write_raw(tmp_path / "flat.dng", 0.4 * shade(), rng)
    asked = replace(recipe(flat=flat), raw=recipes.RawRecipe(balance=(1.5, 1.0, 1.25), curve="linear"))
    scratch = Scratch(tmp_path)
    masters = find_masters([read_header(path)], asked)
    make_planes(masters, scratch)
    (header,) = corrected(develop([read_header(path)], asked), masters, scratch)
    frame = MendFrame(
        path=path,
        digest=file_digest(path),
        pose=((1.0, 0.0, 0.0), (0.0, 1.0, 0.0)),
        gain_ev=0.0,
        raw=as_json(header),
        corrected=masters.told()["corrected"],
    )
    found = Carrier(frame, (0, 0, WIDTH, HEIGHT), np.empty).carried((0, 0, WIDTH, HEIGHT))
    np.testing.assert_allclose(found.astype(int), decode(header).astype(int), atol=3)
    assert np.abs(found.astype(int) - decode(read_header(path))).max() > 5000
