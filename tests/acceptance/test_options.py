"""What each option of ``nearfar merge`` does, and the exit codes of the README."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import subprocess
import termios
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.acceptance.command import (
    anew,
    environment,
    merge,
    merged,
    nearfar,
    nothing_made,
    picture,
    quality,
    report_of,
    samples,
    side_files,
)
from tests.bench import baselines, metrics
from tests.bench.running import nearfar_command
from tests.scenes import Scene
from tests.scenes.resample import inverse


def test_help_and_version_end_well() -> None:
    top, merging, version = anew("--help"), anew("merge", "--help"), anew("--version")
    assert [d.code for d in (top, merging, version)] == [0, 0, 0]
    assert "merge the frames of one stack" in top.out
    for option in (
        "--out",
        "--report",
        "--recipe",
        "--memory",
        "--threads",
        "--scratch",
        "--reference",
        "--quiet",
    ):
        assert option in merging.out
    assert version.out.startswith("Nearfar ")


def test_the_report_goes_where_it_is_asked_for(frames: Callable[..., Path], tmp_path: Path) -> None:
    (tmp_path / "reports").mkdir()
    wanted = tmp_path / "reports" / "told.json"
    done = merge(frames(count=3), tmp_path / "picture.tif", "--report", wanted)
    assert done.code == 0
    assert str(wanted) in done.out
    assert wanted.is_file()
    assert not side_files(tmp_path / "picture.tif")["report.json"].exists()


@pytest.mark.parametrize("way", ["F0002.tif", "F0002", "path"])
def test_the_picture_takes_the_geometry_of_the_frame_that_is_asked_for(
    way: str, frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder = frames(count=3)
    wanted = folder / "F0002.tif" if way == "path" else way
    report = merged(folder, tmp_path / "picture.tif", "--reference", wanted)
    assert report["reference"] == "F0002.tif"
    assert report["frames"][1]["pose"] == [[1, 0, 0], [0, 1, 0]]


def test_the_geometry_follows_the_reference(scene: Scene, undisturbed: Any, tmp_path: Path) -> None:
    """Held against the truth as the last frame would see it: truth(inverse pose (x, y))."""
    merged(undisturbed.frames, tmp_path / "last.tif", "--reference", "F0007")
    moved = baselines.warp(scene.truth, inverse(scene.poses[6]))
    mask = metrics.interior(scene.truth.shape)
    assert metrics.psnr(picture(tmp_path / "last.tif"), moved, mask) > undisturbed.psnr - 1
    assert quality(scene, tmp_path / "last.tif") < undisturbed.psnr - 3


def test_a_reference_that_is_not_there_is_refused_with_the_names_that_are(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    done = merge(frames(count=3), tmp_path / "picture.tif", "--reference", "F0009")
    assert done.code == 2
    assert done.message.endswith("F0009: no frame has that name; there are F0001.tif, F0002.tif, F0003.tif")
    assert nothing_made(tmp_path / "picture.tif")


def test_a_recipe_is_taken_by_name_or_from_a_file(frames: Callable[..., Path], tmp_path: Path) -> None:
    folder = frames(count=3)
    assert merged(folder, tmp_path / "named.tif", "--recipe", "landscape")["recipe"] == "landscape"
    (tmp_path / "mine.toml").write_text('title = "Mine"\n[deliver]\npreview_edge = 120\n')
    report = merged(folder, tmp_path / "own.tif", "--recipe", tmp_path / "mine.toml")
    assert report["recipe"] == "mine"


def test_settings_of_a_recipe_reach_the_picture(frames: Callable[..., Path], tmp_path: Path) -> None:
    folder = frames(count=3)
    (tmp_path / "wide.toml").write_text("[render]\nagreement = 50.0\n")
    merged(folder, tmp_path / "plain.tif")
    merged(folder, tmp_path / "wide.tif", "--recipe", tmp_path / "wide.toml")
    assert (samples(tmp_path / "plain.tif") != samples(tmp_path / "wide.tif")).any()


def test_quiet_says_nothing_at_all(frames: Callable[..., Path], tmp_path: Path) -> None:
    done = merge(frames(count=2), tmp_path / "picture.tif", "--quiet")
    assert (done.code, done.out, done.err) == (0, "", "")


def test_otherwise_every_step_has_its_line_and_the_outcome_goes_to_standard_output(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    done = merge(frames(), tmp_path / "picture.tif")
    for step in ("identify", "survey", "register", "focus", "render", "deliver"):
        assert f"{step}: done in " in done.err
    assert "\r" not in done.err
    assert done.out == (
        f"{tmp_path / 'picture.tif'}: 7 of 7 frames; report in {tmp_path / 'picture.report.json'}\n"
    )


def on_terminal(*arguments: str | Path) -> tuple[int, str]:
    """Exit code and everything that a terminal would have been sent."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 90, 0, 0))
    command = [*nearfar_command(), *(str(a) for a in arguments)]
    with subprocess.Popen(command, stdout=theirs, stderr=theirs, stdin=theirs, env=environment()) as process:
        os.close(theirs)
        seen = b""
        while True:
            if select.select([ours], [], [], 0.05)[0]:
                try:
                    piece = os.read(ours, 65536)
                except OSError:  # how Linux says that the other end is closed
                    break
                if not piece:
                    break
                seen += piece
    os.close(ours)
    return process.returncode, seen.decode()


def test_on_a_terminal_there_is_a_bar_that_makes_way(frames: Callable[..., Path], tmp_path: Path) -> None:
    code, seen = on_terminal("merge", frames(count=3), "--out", tmp_path / "picture.tif")
    assert code == 0
    assert "\rsurvey: 0 % |" in seen
    told = seen[seen.index(str(tmp_path / "picture.tif")) :]
    assert "\r" not in told.replace("\r\n", "")


def test_on_a_terminal_an_error_stands_on_a_line_of_its_own(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder = frames(count=3, format="jpeg")
    damaged = folder / "F0002.jpg"
    data = bytearray(damaged.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 4000] = bytes(4000)
    damaged.write_bytes(data)
    code, seen = on_terminal("merge", folder, "--out", tmp_path / "picture.tif")
    assert code == 3
    before, _, message = seen.rpartition("nearfar: ")
    assert before.endswith(("\r", "\n"))
    assert message.startswith("F0002.jpg: found damaged data")
    assert message.count("\n") == 1


def test_a_reader_who_left_does_no_harm(frames: Callable[..., Path], tmp_path: Path) -> None:
    folder, out = frames(count=2), tmp_path / "picture.tif"
    command = [*nearfar_command(), "merge", str(folder), "--out", str(out), "--quiet"]
    for shell in ('"$@" 1>&- 2>&-', '"$@" | true', '"$@" 2>&1 | true'):
        left = subprocess.run(
            ["sh", "-c", f"set -- {' '.join(command[:-1])}; {shell}"],
            env=environment(),
            capture_output=True,
            timeout=60,
        )
        assert b"Traceback" not in left.stderr
        assert report_of(out)["size"] == [480, 360]
        out.unlink()


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ((), 2, "COMMAND"),
        (("merge",), 2, "FRAME_OR_FOLDER, --out"),
        (("merge", "FOLDER"), 2, "--out"),
        (("merge", "--out", "PICTURE"), 2, "FRAME_OR_FOLDER"),
        (("mrege", "FOLDER", "--out", "PICTURE"), 2, "merge"),
        (("merge", "FOLDER", "--out", "PICTURE", "--sharpen"), 2, "--sharpen"),
        (("merge", "FOLDER", "--out", "PICTURE", "--rep", "x.json"), 2, "--rep"),
        (("merge", "FOLDER", "--out", "PICTURE", "--threads", "0"), 2, "a whole number from 1 to 1024"),
        (("merge", "FOLDER", "--out", "PICTURE", "--threads", "two"), 2, "'two' is not a number of threads"),
        (("merge", "FOLDER", "--out", "PICTURE", "--memory", "plenty"), 2, "like 2GiB, 400MiB or 1.5 GB"),
        (("merge", "FOLDER", "--out", "PICTURE", "--memory", "3 parsecs"), 2, "there is no unit 'parsecs'"),
        (("merge", "FOLDER", "--out", "PICTURE", "--memory", "0"), 2, "no memory at all"),
        (("merge", "FOLDER", "--out", "PICTURE", "--memory", "64MiB"), 5, "the least that would do is"),
        (("merge", "FOLDER", "--out", "PICTURE", "--scratch", ""), 2, "the scratch folder is empty text"),
        (
            ("merge", "FOLDER", "--out", "PICTURE", "--scratch", "/proc/here"),
            4,
            "name another one with --scratch",
        ),
        (("merge", "FOLDER", "--out", "PICTURE", "--recipe", "macrro"), 3, "did you mean macro?"),
        (("merge", "FOLDER", "--out", "PICTURE", "--recipe", "no.toml"), 3, "recipe no.toml: No such file"),
        (
            ("merge", "FOLDER", "--out", "PICTURE", "--report", "r.txt"),
            2,
            "found the ending '.txt'; expected .json",
        ),
        (
            ("merge", "FOLDER", "--out", "PICTURE", "--report", "/no/r.json"),
            2,
            "there is no folder /no; make it",
        ),
        (("merge", "FOLDER", "--out", "picture.jpg"), 2, "found the ending '.jpg'; expected .tif"),
        (("merge", "FOLDER", "--out", "picture"), 2, "found the ending ''; expected .tif"),
        (("merge", "FOLDER", "--out", "/no/picture.tif"), 2, "there is no folder /no; make it first"),
        (("merge", "FOLDER", "--out", f"{'x' * 250}.tif"), 2, "File name too long; give another name"),
        (("merge", "FOLDER", "--out", "/proc/picture.tif"), 4, "the folder cannot be written to"),
        (("merge", "nothing-here", "--out", "PICTURE"), 3, "no such file or folder"),
        (("sort", "nothing-here"), 3, "no such file or folder"),
        (("send", "nothing-here", "--to", "http://127.0.0.1:9"), 3, "no such file or folder"),
    ],
)
def test_each_slip_of_the_keyboard_has_its_exit_code_and_words(
    arguments: tuple[str, ...], code: int, words: str, undisturbed: Any, tmp_path: Path
) -> None:
    places = {"FOLDER": str(undisturbed.frames), "PICTURE": str(tmp_path / "picture.tif")}
    done = nearfar(*(places.get(a, a) for a in arguments))
    assert done.code == code
    assert words in done.message
    assert done.out == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[render\n", "not readable as TOML"),
        (
            "[render]\nagrement = 1\n",
            "render.agrement is not a setting of a recipe; did you mean render.agreement?",
        ),
        ("[rendr]\ntile = 64\n", "rendr is not a setting of a recipe; did you mean render?"),
        ("[render]\ntile = 100\n", "render.tile is 100; expected one of 64, 128, 256"),
        ("[focus]\nadmit = 7\n", "focus.admit is 7.0; expected a number from 0.05 to 1"),
        ("[register]\ngains = 1\n", "register.gains is 1; expected true or false"),
        ("render = 3\n", "expected a table"),
    ],
)
def test_a_bad_recipe_is_refused_with_the_key_and_what_would_do(
    text: str, words: str, undisturbed: Any, tmp_path: Path
) -> None:
    (tmp_path / "mine.toml").write_text(text)
    done = merge(undisturbed.frames, tmp_path / "picture.tif", "--recipe", tmp_path / "mine.toml")
    assert done.code == 3
    assert done.message.startswith(f"recipe {tmp_path / 'mine.toml'}: ")
    assert words in done.message
    assert nothing_made(tmp_path / "picture.tif")


def test_the_limit_that_would_do_does(undisturbed: Any, tmp_path: Path) -> None:
    refused = merge(undisturbed.frames, tmp_path / "picture.tif", "--memory", "64MiB")
    assert refused.code == 5
    limit = refused.message.rpartition("Give --memory ")[2].split()[0]
    report = merged(undisturbed.frames, tmp_path / "picture.tif", "--memory", limit)
    assert report["memory"]["peak"] <= report["memory"]["limit"] < 512 << 20


def test_the_environment_says_the_same_as_the_options(undisturbed: Any, tmp_path: Path) -> None:
    done = merge(undisturbed.frames, tmp_path / "picture.tif", env={"NEARFAR_MEMORY": "64MiB"})
    assert done.code == 5
    done = merge(
        undisturbed.frames, tmp_path / "picture.tif", "--memory", "1GiB", env={"NEARFAR_MEMORY": "64MiB"}
    )
    assert done.code == 0
