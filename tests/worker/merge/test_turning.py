"""Orientation tags that differ within a stack: one holds for all frames that are stored in one size."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from nearfar.frames.decode import decode, read_header
from nearfar.frames.headers import FrameHeader, check_alike
from nearfar.frames.windows import FrameRows
from nearfar.merge.keys import file_digest
from nearfar.merge.mending.frames import Carrier, MendFrame, read_part
from nearfar.merge.survey import survey_key
from nearfar.merge.turning import as_json, from_json, turned_alike, words
from tests.worker.frames.makers import (
    chunk,
    exif_bytes,
    jpeg_bytes,
    picture,
    png_bytes,
    turned,
    write_dng,
    write_tiff,
)

STORED = picture()
"""What lies in every file: 56 x 40 pixels."""
DIGEST = "0" * 64


def write(path: Path, tag: int) -> Path:
    """The stored pixels under an orientation tag (Exif 3.0, 0x0112), as the ending says."""
    exif = exif_bytes(t274=tag)
    if path.suffix == ".jpg":
        path.write_bytes(jpeg_bytes(STORED, exif=exif, quality=100))
    elif path.suffix == ".png":
        path.write_bytes(png_bytes(STORED, extra=chunk(b"eXIf", exif.removeprefix(b"Exif\0\0"))))
    elif path.suffix == ".dng":
        write_dng(path, orientation=tag)
    else:
        write_tiff(path, STORED, extratags=[(274, 3, 1, tag, True)])
    return path


def headers(folder: Path, *tags: int, ending: str = ".tif") -> list[FrameHeader]:
    return [read_header(write(folder / f"F{k}{ending}", tag)) for k, tag in enumerate(tags)]


@pytest.mark.parametrize("ending", [".jpg", ".png", ".tif", ".dng"])
@pytest.mark.parametrize("tags", [(1, 6, 8, 6, 3), (3, 1, 3)], ids=["any", "upside down"])
def test_frames_that_are_stored_alike_are_turned_as_most_of_them_are(
    ending: str, tags: tuple[int, ...], tmp_path: Path
) -> None:
    """Only the tags differ, so pixels brought upright by one tag are the same; which turn it is says the table of Exif."""
    found = turned_alike(headers(tmp_path, *tags, ending=ending))
    check_alike(found)
    most = max(set(tags), key=tags.count)
    assert {h.orientation for h in found} == {most}
    assert [h.tagged for h in found] == [None if tag == most else tag for tag in tags]
    whole = [decode(h) for h in found]
    for other in whole[1:]:
        np.testing.assert_array_equal(other, whole[0])
    if ending in (".png", ".tif"):
        np.testing.assert_array_equal(turned(whole[0], most), STORED)


def test_bands_and_boxes_of_such_frames_are_those_of_the_whole(tmp_path: Path) -> None:
    for header in turned_alike(headers(tmp_path, 3, 1, 1, 6, 8)):
        whole = decode(header)
        with FrameRows(header) as rows:
            np.testing.assert_array_equal(rows.rows(7, 29), whole[7:29])
        np.testing.assert_array_equal(read_part(header, (5, 6, 20, 10), np.empty), whole[6:16, 5:25])


def test_the_frame_that_is_named_as_the_reference_decides(tmp_path: Path) -> None:
    found = turned_alike(headers(tmp_path, 1, 1, 8, 1), "F2")
    assert {(h.orientation, h.width, h.height) for h in found} == {(8, 40, 56)}
    assert {h.orientation for h in turned_alike(headers(tmp_path, 1, 1, 8, 1), "F0.tif")} == {1}


def test_of_two_tags_that_are_as_frequent_the_first_holds(tmp_path: Path) -> None:
    assert {h.orientation for h in turned_alike(headers(tmp_path, 8, 1, 1, 8))} == {8}


def test_some_frames_are_turned_as_all_of_them_are(tmp_path: Path) -> None:
    every = headers(tmp_path, 6, 1, 6)
    assert turned_alike(every[1:2], None, every) == turned_alike(every)[1:2]
    assert turned_alike(every[1:2]) == every[1:2]


def test_where_the_tags_give_all_one_size_each_frames_own_holds(tmp_path: Path) -> None:
    """Somebody turned the pixels of one by a program, which then wrote another tag."""
    odd = write_tiff(tmp_path / "odd.tif", turned(STORED, 6), extratags=[(274, 3, 1, 6, True)])
    every = [*headers(tmp_path, 1, 1), read_header(odd)]
    assert turned_alike(every) == every
    assert len({decode(h).tobytes() for h in every}) == 1
    assert words(every) is None


def test_frames_of_one_tag_stay_as_they_are(tmp_path: Path) -> None:
    every = headers(tmp_path, 6, 6)
    assert turned_alike(every) == every
    assert [as_json(h) for h in every] == [None, None]


def test_a_stray_of_another_size_turns_nobody(tmp_path: Path) -> None:
    stray = read_header(write_tiff(tmp_path / "stray.tif", picture(height=30)))
    found = turned_alike([*headers(tmp_path, 1, 6, 1), stray])
    assert [(h.width, h.height) for h in found] == [(56, 40)] * 3 + [(56, 30)]


def test_a_frame_that_is_turned_otherwise_has_another_key(tmp_path: Path) -> None:
    every = headers(tmp_path, 1, 1, 6)
    found = turned_alike(every)
    assert survey_key(found[0], DIGEST) == survey_key(every[0], DIGEST)
    assert survey_key(found[2], DIGEST) != survey_key(every[2], DIGEST)


def test_what_a_report_says_of_a_frame_gives_the_same_pixels_again(tmp_path: Path) -> None:
    for header in turned_alike(headers(tmp_path, 6, 1, 6)):
        again = read_header(header.path, from_json(as_json(header)))
        assert again == header
    assert from_json(None) is None
    assert from_json({"as": "sideways"}) is None


def test_a_mend_takes_a_frame_as_the_merge_had_it(tmp_path: Path) -> None:
    """At rest the kernel gives a frame's own samples, spread over 16 bits but for rounding."""
    (odd,) = turned_alike(headers(tmp_path, 1, 8, 1))[1:2]
    frame = MendFrame(
        path=odd.path,
        digest=file_digest(odd.path),
        pose=((1.0, 0.0, 0.0), (0.0, 1.0, 0.0)),
        gain_ev=0.0,
        turned=from_json(as_json(odd)),
    )
    found = Carrier(frame, (0, 0, 56, 40), np.empty).carried((0, 0, 56, 40))
    np.testing.assert_allclose(found.astype(int), STORED.astype(int) * 257, atol=3)


def test_the_words_name_the_frames_and_their_tags(tmp_path: Path) -> None:
    one = words(turned_alike(headers(tmp_path, 1, 6, 1)))
    assert one is not None
    assert "orientation tag 1, though F1.tif carries 6:" in one
    many = words(turned_alike(headers(tmp_path, 1, 6, 1, 8, 1, 3)))
    assert many is not None
    assert "3 of them, F1.tif first, carry 3, 6 or 8:" in many
