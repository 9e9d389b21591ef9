"""Every kind of bad input through the command: exit code, a message that names the file, what was found, what was
expected and what to do, nothing made, and no original changed.
"""

from __future__ import annotations

import io
import os
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from tests.acceptance.command import (
    digests,
    environment,
    merge,
    merged,
    nothing_made,
    report_of,
    samples,
)
from tests.bench.running import nearfar_command
from tests.scenes import Scene
from tests.scenes.files import as_8bit
from tests.worker.frames.makers import chunk


def _saved(mode: str, kind: str, **options: Any) -> bytes:
    buffer = io.BytesIO()
    Image.effect_noise((480, 360), 60).convert(mode).save(buffer, kind, **options)
    return buffer.getvalue()


def _cut(data: bytes, share: float = 0.6) -> bytes:
    return data[: int(share * len(data))]


def _spoilt_jpeg(data: bytes) -> bytes:
    """Zeros in the middle of the scan: decoders fill in grey and at most print a warning."""
    middle = len(data) // 2
    return data[:middle] + bytes(4000) + data[middle + 4000 :]


def _huge_png() -> bytes:
    """A header that claims 100000 x 100000 pixels."""
    head = struct.pack(">IIBBBBB", 100_000, 100_000, 16, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", b"x" * 900) + chunk(b"IEND", b"")


def _huge_jpeg(data: bytes) -> bytes:
    """The sizes in the frame header (SOF0, after marker, length and precision) raised to 65500."""
    at = data.index(b"\xff\xc0") + 5
    return data[:at] + struct.pack(">HH", 65_500, 65_500) + data[at + 4 :]


SPOILT: dict[str, tuple[str, Callable[[bytes], bytes], str, str]] = {
    # format, what becomes of the third frame, what is found, what is expected
    "empty": ("jpeg", lambda d: b"", "an empty file (0 bytes)", "a picture"),
    "text": ("jpeg", lambda d: b"Dear diary, no picture today.\n" * 50, "a text file", "a JPEG, PNG, TIFF"),
    "zeros": ("tiff16", lambda d: bytes(len(d)), "a file that begins with zeros", "a JPEG, PNG, TIFF"),
    "another kind": (
        "png16",
        lambda d: b"RIFF\x10\0\0\0WEBPVP8 " + d,
        "an unknown kind of file",
        "a JPEG, PNG",
    ),
    "JPEG cut short": ("jpeg", _cut, "ends early", ""),
    "JPEG cut in its header": ("jpeg", lambda d: d[:300], "ends early", ""),
    "JPEG spoilt": ("jpeg", _spoilt_jpeg, "damaged data", "an undamaged file"),
    "PNG cut short": ("png16", _cut, "ends early", ""),
    "PNG spoilt": ("png16", _spoilt_jpeg, "damaged data", "an undamaged file"),
    "TIFF cut short": ("tiff16", _cut, "ends early", ""),
    "packed TIFF cut short": ("tiff16-deflate", _cut, "ends early", ""),
    "packed TIFF spoilt": ("tiff16-deflate", _spoilt_jpeg, "damaged data", "an undamaged file"),
    "huge PNG": (
        "png16",
        lambda d: _huge_png(),
        "a size of 100000 x 100000 pixels",
        "at most 2000 megapixels",
    ),
    "huge JPEG": ("jpeg", _huge_jpeg, "a size of 65500 x 65500 pixels", "at most 2000 megapixels"),
    "CMYK JPEG": ("jpeg", lambda d: _saved("CMYK", "JPEG"), "CMYK", "RGB or greyscale"),
    "CMYK TIFF": ("tiff16", lambda d: _saved("CMYK", "TIFF"), "CMYK", "RGB or greyscale"),
    "palette PNG": ("png16", lambda d: _saved("P", "PNG"), "palette colour", "RGB or greyscale"),
    "palette TIFF": ("tiff16", lambda d: _saved("P", "TIFF"), "palette colour", "RGB or greyscale"),
    "1-bit PNG": ("png16", lambda d: _saved("1", "PNG"), "1-bit", "RGB or greyscale"),
    "1-bit TIFF": ("tiff16", lambda d: _saved("1", "TIFF"), "1-bit", "RGB or greyscale"),
    "Lab TIFF": ("tiff16", lambda d: _saved("LAB", "TIFF"), "Lab", "RGB or greyscale"),
}


@pytest.mark.parametrize("case", SPOILT)
def test_a_bad_frame_is_refused_with_its_name_what_was_found_and_what_to_do(
    case: str, frames: Callable[..., Path], tmp_path: Path
) -> None:
    kind, spoil, found, expected = SPOILT[case]
    folder = frames(count=3, format=kind)
    bad = max(folder.iterdir())
    bad.write_bytes(spoil(bad.read_bytes()))
    before = digests(folder)
    done = merge(folder, tmp_path / "picture.tif")
    assert done.code == 3
    assert done.message.startswith(f"{bad.name}: found ")
    said_found, _, rest = done.message.partition("; expected ")
    said_expected, _, remedy = rest.partition(". ")
    assert found in said_found
    assert expected in said_expected
    assert remedy.endswith(".")
    assert remedy[0].isupper()
    assert "Traceback" not in done.err
    assert "Warning" not in done.err
    assert nothing_made(tmp_path / "picture.tif")
    assert digests(folder) == before


def test_all_frames_that_cannot_be_read_are_named_at_once(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder = frames()
    for k in range(1, 8):
        (folder / f"F000{k}.tif").write_bytes(b"")
    done = merge(folder, tmp_path / "picture.tif")
    assert done.code == 3
    assert done.message.startswith("7 of 7 files cannot be used: F0001.tif: found an empty file")
    assert done.message.endswith("and 2 more")


def _resized(path: Path, size: tuple[int, int]) -> None:
    with Image.open(path) as shown:
        small = shown.resize(size)
        small.save(path, quality=95, icc_profile=shown.info["icc_profile"])


def test_frames_of_mixed_sizes_are_refused_with_the_odd_ones(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder = frames(format="jpeg", count=4)
    _resized(folder / "F0003.jpg", (240, 180))
    done = merge(folder, tmp_path / "picture.tif")
    assert done.code == 3
    assert "differ in size: found F0003.jpg (240 x 180 pixels); expected 480 x 360 pixels" in done.message
    assert "Leave the odd frames out" in done.message
    assert nothing_made(tmp_path / "picture.tif")


def test_frames_of_mixed_depths_are_refused_with_the_odd_ones(
    scene: Scene, frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder = frames(count=3)
    with tifffile.TiffFile(folder / "F0002.tif") as file:
        profile = file.pages.first.tags[34675].value
    tifffile.imwrite(
        folder / "F0002.tif", as_8bit(scene.frames[1]), photometric="rgb", iccprofile=profile, metadata=None
    )
    done = merge(folder, tmp_path / "picture.tif")
    assert done.code == 3
    assert "differ in depth: found F0002.tif (8 bits); expected 16 bits" in done.message
    assert nothing_made(tmp_path / "picture.tif")


def test_frames_of_mixed_profiles_are_refused_with_their_names(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder = frames(format="jpeg", count=3)
    other = ImageCms.ImageCmsProfile(ImageCms.createProfile("XYZ")).tobytes()
    with Image.open(folder / "F0002.jpg") as shown:
        shown.save(folder / "F0002.jpg", quality=95, icc_profile=other)
    done = merge(folder, tmp_path / "picture.tif")
    assert done.code == 3
    assert "differ in colour profile: found F0002.jpg (" in done.message
    assert nothing_made(tmp_path / "picture.tif")


def test_grey_among_colour_is_refused(scene: Scene, frames: Callable[..., Path], tmp_path: Path) -> None:
    folder = frames(format="jpeg", count=3)
    Image.fromarray(as_8bit(scene.frames[2])).convert("L").save(folder / "F0003.jpg", quality=95)
    done = merge(folder, tmp_path / "picture.tif")
    assert done.code == 3
    assert "F0003.jpg (greyscale); expected RGB" in done.message


def test_what_can_be_left_alone_is_left_alone_and_told(scene: Scene, tmp_path: Path) -> None:
    """Alpha and further pages are no reason to refuse a frame."""
    (tmp_path / "frames").mkdir()
    for k, frame in enumerate(scene.frames[:3]):
        alpha = np.full((*frame.shape[:2], 1), 65535, np.uint16)
        with tifffile.TiffWriter(tmp_path / "frames" / f"{k}.tif") as file:
            file.write(np.concatenate([frame, alpha], 2), photometric="rgb", extrasamples=["unassalpha"])
            file.write(np.zeros((90, 120, 3), np.uint8), photometric="rgb")
    report = merged(tmp_path / "frames", tmp_path / "picture.tif")
    assert samples(tmp_path / "picture.tif").shape == (360, 480, 3)
    notes = " ".join(report["notes"])
    assert "3 frames, 0.tif first: 1 further channel (such as transparency) left alone" in notes
    assert "3 frames, 0.tif first: the first of 2 pages is used" in notes


def test_a_frame_that_one_may_not_read_is_refused(frames: Callable[..., Path], tmp_path: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("root may read everything")
    folder = frames(count=3)
    (folder / "F0002.tif").chmod(0)
    done = merge(folder, tmp_path / "picture.tif")
    (folder / "F0002.tif").chmod(0o600)
    assert done.code == 3
    assert done.message.startswith(f"F0002.tif: found a file that user {os.geteuid()} may not read")


def test_things_that_are_no_files_are_refused_and_never_waited_for(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder = frames(count=2)
    os.mkfifo(folder / "F0003.tif")
    done = merge(folder, tmp_path / "picture.tif")
    assert done.code == 3
    assert done.message.startswith("F0003.tif: found something that is not a plain file")


def test_an_empty_folder_and_one_without_pictures_are_refused(tmp_path: Path) -> None:
    folder = tmp_path / "empty"
    folder.mkdir()
    done = merge(folder, tmp_path / "picture.tif")
    assert done.code == 3
    assert done.message.startswith(
        f"{folder}: no frames found (nothing at all); expected at least one picture"
    )
    (folder / "movie.mov").write_bytes(b"x")
    done = merge(folder, tmp_path / "picture.tif")
    assert done.code == 3
    assert "no frames found (1 other entry: .mov)" in done.message


def test_a_frame_is_never_written_to(frames: Callable[..., Path], tmp_path: Path) -> None:
    folder = frames(count=3)
    (tmp_path / "link.tif").symlink_to(folder / "F0002.tif")
    (tmp_path / "twin.tif").hardlink_to(folder / "F0002.tif")
    before = digests(folder)
    for out in (
        folder / "F0002.tif",
        tmp_path / "link.tif",
        tmp_path / "twin.tif",
        folder / "../frames/F0001.tif",
    ):
        done = merge(folder, out)
        assert done.code == 2
        assert "is one of the frames; frames are never written to. Give another name" in done.message
    assert digests(folder) == before


def _in_own_mounts(script: str) -> subprocess.CompletedProcess[str]:
    """A shell script as root of mounts of its own, which go with it."""
    return subprocess.run(
        ["unshare", "--mount", "sh", "-ec", script],
        capture_output=True,
        text=True,
        env=environment(),
        timeout=120,
    )


def _needs_mounts() -> None:
    try:
        done = _in_own_mounts("mount -t tmpfs -o size=1m none /mnt")
    except OSError:
        pytest.skip("unshare is not installed")
    if done.returncode:
        pytest.skip("this user may not mount")


def test_a_disk_that_is_too_small_is_refused_before_anything_is_written(
    undisturbed: Any, tmp_path: Path
) -> None:
    _needs_mounts()
    command = " ".join([*nearfar_command(), f"merge {undisturbed.frames}"])
    (tmp_path / "scratch").mkdir()
    (tmp_path / "out").mkdir()
    for small, options in (
        ("scratch", f"--out {tmp_path}/picture.tif"),
        ("out", f"--out {tmp_path}/out/x.tif"),
    ):
        done = _in_own_mounts(
            f"mount -t tmpfs -o size=8m none {tmp_path}/{small}\n"
            f"set +e; {command} {options} --scratch {tmp_path}/scratch; code=$?\n"
            f"find {tmp_path}/{small} -type f -size +4k; exit $code"
        )
        assert done.returncode == 5, done.stderr
        assert "of disk are free" in done.stderr
        assert "are needed" in done.stderr
        assert done.stdout == ""
    assert nothing_made(tmp_path / "picture.tif")


def test_a_disk_that_fills_up_on_the_way_ends_in_words_and_the_next_run_goes_on(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    """Somebody else fills the disk after the check: writes fail, nothing is half there."""
    _needs_mounts()
    folder, out = frames(format="jpeg"), tmp_path / "picture.tif"
    (tmp_path / "scratch").mkdir()
    command = " ".join([*nearfar_command(), f"merge {folder} --out {out} --scratch {tmp_path}/scratch"])
    (tmp_path / "patch").mkdir()
    (tmp_path / "patch" / "sitecustomize.py").write_text(
        "import nearfar.merge.plan as plan\nplan.SPARE_DISK = -(1 << 40)\n"
    )
    done = _in_own_mounts(
        f"mount -t tmpfs -o size=1500k none {tmp_path}/scratch\n"
        f"set +e; PYTHONPATH={tmp_path}/patch {command}; code=$?; echo $code\n"
        f"mount -o remount,size=400m {tmp_path}/scratch; {command}; echo $?"
    )
    assert done.stdout.splitlines()[0] == "5", done.stderr
    assert "the disk is full. Make room there" in done.stderr
    assert done.stdout.splitlines()[-1] == "0", done.stderr
    assert report_of(out)["size"] == [480, 360]
