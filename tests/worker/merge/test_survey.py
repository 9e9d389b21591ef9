"""The survey: one decoding a frame, the same figures whichever way its pixels are reached, never made twice."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from nearfar.errors import FrameRefused, SourceChanged, WorkFailed
from nearfar.frames.correction import Correction
from nearfar.frames.decode import decode, read_header
from nearfar.frames.headers import FrameHeader
from nearfar.merge import survey as surveying
from nearfar.merge.kernel import twin_survey
from nearfar.merge.scratch import Scratch, open_scratch
from nearfar.merge.survey import (
    MappedFrame,
    Surveyed,
    Surveyor,
    identify,
    luma_curve,
    rows_bytes,
    survey_key,
)
from tests.acceptance.command import lay
from tests.worker.frames.makers import jpeg_bytes
from tests.worker.merge.brackets import encoded, texture


@pytest.fixture
def scratch(tmp_path: Path) -> Iterator[Scratch]:
    with open_scratch(tmp_path / "scratch", tmp_path / "out.tif") as opened:
        yield opened


@pytest.fixture
def frame(rng: np.random.Generator) -> NDArray[np.uint16]:
    """An odd-sized picture, larger than a block both ways."""
    return encoded(texture(rng, (203, 149)), rng, 0.004)


def survey(scratch: Scratch, *paths: Path) -> list[Surveyed]:
    headers = [read_header(p) for p in paths]
    surveyor = Surveyor(scratch, lambda: None, {h.path: identify(h) for h in headers})
    return [surveyor.survey(h) for h in headers]


def grids(scratch: Scratch, done: Surveyed) -> list[NDArray[Any]]:
    return scratch.load(done.key, "survey", "energy", "mean", "small", "lowest")


WAYS: dict[str, dict[str, Any]] = {
    "mapped": {},
    "planes mapped": {"planarconfig": "separate"},
    "in parts": {"compression": "zlib", "rowsperstrip": 16},
    "other byte order": {"byteorder": ">"},
    "tiles": {"tile": (64, 64), "compression": "zlib", "predictor": True},
}


def write(path: Path, frame: NDArray[np.uint16], options: dict[str, Any]) -> Path:
    shown = np.moveaxis(frame, 2, 0) if "planarconfig" in options else frame
    tifffile.imwrite(path, shown, photometric="rgb", metadata=None, **options)
    return path


@pytest.mark.parametrize("way", WAYS)
def test_figures_and_pixels_are_the_same_whichever_way_they_are_reached(
    way: str, frame: NDArray[np.uint16], scratch: Scratch, tmp_path: Path
) -> None:
    (plain,) = survey(scratch, write(tmp_path / "plain.tif", frame, {}))
    (done,) = survey(scratch, write(tmp_path / "frame.tif", frame, WAYS[way]))
    for wanted, found in zip(grids(scratch, plain), grids(scratch, done), strict=True):
        np.testing.assert_array_equal(found, wanted)
    assert (done.rows is None) == ("mapped" in way)
    energy, mean, small = twin_survey.measure(frame, luma_curve(done.header))
    np.testing.assert_allclose(grids(scratch, done)[0], energy, rtol=1e-4, atol=1e-9)
    np.testing.assert_allclose(grids(scratch, done)[1], mean, rtol=1e-5)
    assert grids(scratch, done)[2].shape == small.shape


def test_a_frame_is_decoded_once_however_often_it_is_asked_for(
    frame: NDArray[np.uint16], scratch: Scratch, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (path,) = lay(frame[None], tmp_path / "frames", format="png16")
    survey(scratch, path)

    def refuse(*_: object) -> None:
        raise AssertionError("decoded again")

    monkeypatch.setattr(surveying, "decode", refuse)
    (again,) = survey(scratch, path)
    assert again.rows is not None
    assert again.rows.stat().st_size == rows_bytes(again.header)


@pytest.mark.parametrize("lost", ["rows", "survey"])
def test_what_is_missing_or_cut_short_is_made_again(
    lost: str, frame: NDArray[np.uint16], scratch: Scratch, tmp_path: Path
) -> None:
    (path,) = lay(frame[None], tmp_path / "frames", format="png16")
    (done,) = survey(scratch, path)
    target = scratch.path(done.key, lost)
    wanted = target.read_bytes()
    if lost == "rows":
        os.truncate(target, 1000)
    else:
        target.unlink()
    survey(scratch, path)
    assert target.read_bytes() == wanted


@pytest.fixture
def subsampled(frame: NDArray[np.uint16], tmp_path: Path) -> Path:
    """A JPEG whose chroma has half the width and height."""
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes((frame >> 8).astype(np.uint8), subsampling="4:2:0"))
    return path


def test_a_subsampled_jpeg_lies_as_luma_and_chroma(subsampled: Path, scratch: Scratch) -> None:
    (done,) = survey(scratch, subsampled)
    header = done.header
    assert done.rows is not None
    assert done.rows == scratch.path(done.key, "planes")
    down, across = surveying.block_shape(header)
    assert done.rows.stat().st_size == rows_bytes(header) == down * across * 64 * 64 * 3 // 2
    with MappedFrame(done) as mapped:
        np.testing.assert_array_equal(mapped.pixels.picture(), decode(header))


def test_what_an_older_version_laid_out_is_not_taken_for_planes(subsampled: Path, scratch: Scratch) -> None:
    header = read_header(subsampled)
    name = survey_key(header, identify(header)[0])
    scratch.path(name, "rows").write_bytes(bytes(rows_bytes(header)))
    (done,) = survey(scratch, subsampled)
    with MappedFrame(done) as mapped:
        np.testing.assert_array_equal(mapped.pixels.picture(), decode(header))


def test_a_corrected_jpeg_lies_as_colours(subsampled: Path) -> None:
    header = read_header(subsampled)
    corrected = replace(
        header, correction=Correction(key="flat", size=(header.width, header.height), channels=3)
    )
    assert surveying.planes_of(header) == 2
    assert surveying.planes_of(corrected) == 0
    assert rows_bytes(corrected) == 2 * rows_bytes(header)
    assert surveying.rows_kind(corrected) == "rows"


def test_the_key_follows_bytes_and_not_names(frame: NDArray[np.uint16], tmp_path: Path) -> None:
    one, two = lay(np.stack([frame, frame]), tmp_path / "frames")
    two.write_bytes(one.read_bytes())
    keys = [survey_key(read_header(p), identify(read_header(p))[0]) for p in (one, two)]
    assert keys[0] == keys[1]
    two.write_bytes(one.read_bytes() + b"\0")
    assert survey_key(read_header(two), identify(read_header(two))[0]) != keys[0]


def test_twins_may_be_surveyed_at_the_same_time(
    frame: NDArray[np.uint16], scratch: Scratch, tmp_path: Path
) -> None:
    """They share their key, hence their files."""
    first, *others = lay(np.stack([frame] * 6), tmp_path / "frames", format="png16")
    for path in others:
        path.write_bytes(first.read_bytes())
    headers = [read_header(p) for p in (first, *others)]
    surveyor = Surveyor(scratch, lambda: None, {h.path: identify(h) for h in headers})
    with ThreadPoolExecutor(4) as pool:
        done = list(pool.map(surveyor.survey, headers))
    assert len({d.key for d in done}) == 1
    assert not list(scratch.folder.glob("*.part"))


def change(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(data)


def test_a_frame_that_changed_since_it_was_identified_is_an_error(
    frame: NDArray[np.uint16], scratch: Scratch, tmp_path: Path
) -> None:
    (path,) = lay(frame[None], tmp_path / "frames")
    header = read_header(path)
    surveyor = Surveyor(scratch, lambda: None, {path: identify(header)})
    change(path)
    with pytest.raises(SourceChanged, match=r"F0001.tif: found other contents than at the start"):
        surveyor.survey(header)


def test_a_frame_that_was_only_touched_is_not(
    frame: NDArray[np.uint16], scratch: Scratch, tmp_path: Path
) -> None:
    (path,) = lay(frame[None], tmp_path / "frames")
    header = read_header(path)
    mark = identify(header)
    os.utime(path, ns=(1, 1))
    done = Surveyor(scratch, lambda: None, {path: mark}).survey(header)
    assert done.digest == mark[0]
    assert done.fingerprint != mark[1]


def test_damage_is_found_and_nothing_stays_in_scratch(
    frame: NDArray[np.uint16], scratch: Scratch, tmp_path: Path
) -> None:
    (path,) = lay(frame[None], tmp_path / "frames", format="tiff16-deflate")
    data = bytearray(path.read_bytes())
    data[-3000:-2000] = bytes(1000)
    path.write_bytes(data)
    with pytest.raises(FrameRefused, match="damaged"):
        survey(scratch, path)
    assert {p.name for p in scratch.folder.iterdir()} == {"lock", "boot"}


def _cut_frame(done: Surveyed) -> Path:
    return done.header.path


def _cut_rows(done: Surveyed) -> Path:
    assert done.rows is not None
    return done.rows


@pytest.mark.parametrize(
    ("format", "which", "error"),
    [("tiff16", _cut_frame, SourceChanged), ("png16", _cut_rows, WorkFailed)],
)
def test_files_that_became_too_short_are_not_mapped(
    format: str,
    which: Callable[[Surveyed], Path],
    error: type[Exception],
    frame: NDArray[np.uint16],
    scratch: Scratch,
    tmp_path: Path,
) -> None:
    (path,) = lay(frame[None], tmp_path / "frames", format=format)
    (done,) = survey(scratch, path)
    os.truncate(which(done), which(done).stat().st_size - 1)
    with pytest.raises(error):
        MappedFrame(done)


def test_the_smallest_frames_can_be_mapped_to_their_last_byte(scratch: Scratch, tmp_path: Path) -> None:
    """Nothing lies behind the pixels of a file that tifffile writes."""
    path = write(tmp_path / "frame.tif", np.full((40, 40, 3), 7, np.uint16), {})
    (done,) = survey(scratch, path)
    with MappedFrame(done) as mapped:
        assert mapped.pixels.samples[-1, -1, -1] == 7


def test_memory_is_asked_to_relax_after_every_frame(
    frame: NDArray[np.uint16], scratch: Scratch, tmp_path: Path
) -> None:
    paths = lay(np.stack([frame, frame + 1]), tmp_path / "frames")
    headers: list[FrameHeader] = [read_header(p) for p in paths]
    calls: list[None] = []
    surveyor = Surveyor(scratch, lambda: calls.append(None), {h.path: identify(h) for h in headers})
    for header in headers:
        surveyor.survey(header)
    assert len(calls) >= 2
