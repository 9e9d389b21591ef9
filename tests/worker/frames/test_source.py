"""What is no picture is refused with what was found, what was expected and what to do."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from nearfar.errors import FrameRefused
from nearfar.frames.decode import decode, read_header
from tests.worker.frames.makers import (
    chunk,
    exif_bytes,
    jpeg_bytes,
    picture,
    png_bytes,
    write_dng,
    write_tiff,
)


def refused(path: Path) -> FrameRefused:
    """The refusal of a file, from its header or its pixels."""
    with pytest.raises(FrameRefused) as caught:
        decode(read_header(path))
    assert path.name in str(caught.value)
    assert caught.value.expected
    assert caught.value.remedy.endswith(".")
    return caught.value


def test_an_empty_file_is_named_as_such(tmp_path: Path) -> None:
    path = tmp_path / "empty.jpg"
    path.touch()
    assert refused(path).found == "an empty file (0 bytes)"


def test_a_folder_is_no_frame(tmp_path: Path) -> None:
    assert refused(tmp_path).found == "a folder"


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    assert refused(tmp_path / "gone.tif").found == "no such file"


def test_a_name_that_cannot_be_is_refused() -> None:
    assert "cannot be opened" in refused(Path("nul\0.tif")).found


def test_a_dangling_link_says_where_it_points(tmp_path: Path) -> None:
    path = tmp_path / "link.tif"
    path.symlink_to("nowhere.tif")
    assert refused(path).found == "a link to nothing (nowhere.tif)"


def test_a_link_to_a_frame_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real.bin").write_bytes(jpeg_bytes(picture()))
    path = tmp_path / "link.jpg"
    path.symlink_to("real.bin")
    assert decode(read_header(path)).shape == (40, 56, 3)


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_a_file_without_permission_names_the_user(tmp_path: Path) -> None:
    path = tmp_path / "locked.jpg"
    path.write_bytes(jpeg_bytes(picture()))
    path.chmod(0)
    assert f"user {os.geteuid()} may not read" in refused(path).found


def test_a_refused_permission_is_told_from_a_missing_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def deny(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("nearfar.frames.source.os.open", deny)
    error = refused(tmp_path / "locked.jpg")
    assert "may not read" in error.found
    assert isinstance(error.__cause__, PermissionError)


def test_a_disk_error_while_reading_is_a_refusal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(picture()))

    def fail(*_: object) -> bytes:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("nearfar.frames.source.os.pread", fail)
    assert refused(path).found == "an error while reading: Input/output error"


def test_a_pipe_does_not_block(tmp_path: Path) -> None:
    path = tmp_path / "pipe.jpg"
    os.mkfifo(path)
    assert refused(path).found == "something that is not a plain file"


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"Notes on the orchard shoot, day two.\n", "a text file"),
        (bytes(5000), "a file that begins with zeros (5000 bytes)"),
        (b"\x01\x02\x03\x04 binary", "an unknown kind of file (it begins with 01 02 03 04 20 62 69 6e)"),
        (b"\x89PNG\r\n", "a picture that ends after 6 bytes"),
        (b"II*\0", "a picture that ends after 4 bytes"),
    ],
)
def test_contents_that_are_no_picture_are_described(tmp_path: Path, data: bytes, found: str) -> None:
    path = tmp_path / "frame.jpg"
    path.write_bytes(data)
    assert refused(path).found == found


@pytest.mark.parametrize("suffix", [".jpg", ".tif", ".heic", ".nef", ""])
def test_the_content_decides_and_not_the_name(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"frame{suffix}"
    array = picture()
    path.write_bytes(png_bytes(array))
    header = read_header(path)
    assert header.kind == "png"
    assert np.array_equal(decode(header), array)


def _tiff(compression: str | None) -> Callable[[Path], object]:
    return lambda path: write_tiff(path, picture(dtype=np.uint16), compression=compression, rowsperstrip=8)


def _heif(path: Path) -> None:
    pillow_heif = pytest.importorskip("pillow_heif", reason="the extra 'heif' is not installed")
    pillow_heif.from_bytes(mode="RGB", size=(56, 40), data=picture().tobytes()).save(path, quality=90)


WHOLE: dict[str, Callable[[Path], object]] = {
    "jpeg": lambda path: path.write_bytes(jpeg_bytes(picture())),
    "progressive jpeg": lambda path: path.write_bytes(jpeg_bytes(picture(), progressive=True)),
    "png": lambda path: path.write_bytes(png_bytes(picture())),
    "tiff": _tiff(None),
    "lzw tiff": _tiff("lzw"),
    "deflate tiff": _tiff("adobe_deflate"),
    "zstd tiff": _tiff("zstd"),
    "dng": write_dng,
    "heif": _heif,
}


@pytest.mark.parametrize("kind", WHOLE)
@pytest.mark.parametrize("part", [0.02, 0.3, 0.6, 0.95, 1.0])
def test_a_file_cut_short_is_refused(tmp_path: Path, kind: str, part: float) -> None:
    path = tmp_path / "frame.bin"
    WHOLE[kind](path)
    data = path.read_bytes()
    path.write_bytes(data[: min(int(len(data) * part), len(data) - 3)])
    assert refused(path).found


@pytest.mark.parametrize("kind", ["jpeg", "progressive jpeg", "png", "dng", "tiff"])
def test_a_cut_is_called_a_cut(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "frame.bin"
    WHOLE[kind](path)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
    assert "ends early" in refused(path).found


def _huge_jpeg(path: Path) -> None:
    data = bytearray(jpeg_bytes(picture()))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = (50_000).to_bytes(2, "big") * 2
    path.write_bytes(data)


def _huge_png(path: Path) -> None:
    data = png_bytes(picture())
    head = (100_000).to_bytes(4, "big") * 2 + data[24:29]
    path.write_bytes(data[:8] + chunk(b"IHDR", head) + data[33:])


def _huge_tiff(path: Path) -> None:
    write_tiff(path, picture(), compression="adobe_deflate")
    data = bytearray(path.read_bytes())
    for tag in (256, 257):
        at = data.index(tag.to_bytes(2, "little") + b"\4\0\1\0\0\0")
        data[at + 8 : at + 12] = (100_000).to_bytes(4, "little")
    path.write_bytes(data)


@pytest.mark.parametrize("write", [_huge_jpeg, _huge_png, _huge_tiff])
def test_a_gigantic_size_is_refused_before_anything_is_allocated(
    tmp_path: Path, write: Callable[[Path], None]
) -> None:
    path = tmp_path / "huge.bin"
    write(path)
    with pytest.raises(FrameRefused, match="at most 2000 megapixels"):
        read_header(path)


def test_a_size_that_the_file_cannot_hold_is_refused(tmp_path: Path) -> None:
    data = bytearray(jpeg_bytes(picture()))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = (30_000).to_bytes(2, "big") * 2
    path = tmp_path / "large.jpg"
    path.write_bytes(data)
    with pytest.raises(FrameRefused, match=r"30000 x 30000 pixels in a file of \d+ bytes"):
        read_header(path)


@pytest.mark.parametrize(("progressive", "optimize"), [(True, True), (False, False)])
def test_an_empty_picture_is_not_taken_for_a_false_size(
    tmp_path: Path, progressive: bool, optimize: bool
) -> None:
    path = tmp_path / "grey.jpg"
    blank = np.full((3000, 4000, 3), 128, np.uint8)
    path.write_bytes(jpeg_bytes(blank, progressive=progressive, optimize=optimize, subsampling=2, quality=10))
    assert int(decode(read_header(path)).max()) <= 129


def test_a_file_that_changes_after_its_header_was_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "frame.jpg"
    path.write_bytes(jpeg_bytes(picture()))
    header = read_header(path)
    path.write_bytes(jpeg_bytes(picture(), exif=exif_bytes(t274=6)))
    with pytest.raises(FrameRefused, match="other contents than a moment ago"):
        decode(header)


@pytest.mark.parametrize("kind", WHOLE)
def test_nothing_is_written_to_a_frame(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "frame.bin"
    WHOLE[kind](path)
    path.chmod(0o444)
    before = (path.read_bytes(), path.stat().st_mtime_ns, sorted(p.name for p in tmp_path.iterdir()))
    decode(read_header(path))
    assert before == (path.read_bytes(), path.stat().st_mtime_ns, sorted(p.name for p in tmp_path.iterdir()))


@pytest.mark.parametrize("kind", WHOLE)
def test_decoding_a_good_file_says_nothing(
    tmp_path: Path, kind: str, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "frame.bin"
    WHOLE[kind](path)
    decode(read_header(path))
    assert capfd.readouterr() == ("", "")
    assert caplog.records == []
