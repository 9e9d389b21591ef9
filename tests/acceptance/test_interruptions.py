"""Runs that are killed, stopped, started twice or disturbed: never half a picture, and the next run goes on."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.acceptance.command import (
    SIDE_FILES,
    digests,
    lay,
    merge,
    merged,
    nearfar,
    nothing_made,
    report_of,
    side_files,
    start,
)
from tests.scenes import Scene

KILLS = 15
TOLD_ANEW = {"report.json", "report.txt"}
"""Side files that tell seconds and memory of their own run."""


def _same_as(made: Path, wanted: Path) -> bool:
    """All bytes of picture and side files, and all of the report but seconds and peak of memory."""
    ours, theirs = side_files(made), side_files(wanted)
    pairs = [(made, wanted), *((ours[e], theirs[e]) for e in SIDE_FILES if e not in TOLD_ANEW)]
    told = [report_of(made), report_of(wanted)]
    for report in told:
        del report["seconds"], report["memory"]
    return all(a.read_bytes() == b.read_bytes() for a, b in pairs) and told[0] == told[1]


@pytest.fixture(scope="module")
def laid(scene: Scene, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with JPEG frames, which are laid out in scratch, and picture.tif made of them undisturbed."""
    folder = tmp_path_factory.mktemp("laid")
    lay(scene.frames, folder / "frames", format="jpeg")
    merged(folder / "frames", folder / "picture.tif")
    return folder


def _began(process: subprocess.Popen[str], line: str) -> None:
    """Wait until a run writes that line."""
    assert process.stderr is not None
    for text in process.stderr:
        if text.startswith(line):
            return
    raise AssertionError(f"ended without {line!r}")


def test_killed_at_random_moments_it_ends_with_the_same_bytes(laid: Path, tmp_path: Path) -> None:
    """Each run is started again by the same command; once a picture is finished, the next one begins from nothing."""
    moments = random.Random(15)
    out, scratch = tmp_path / "picture.tif", tmp_path / "scratch"
    arguments = ("merge", laid / "frames", "--out", out, "--scratch", scratch, "--quiet")
    before = digests(laid / "frames")
    killed = finished = 0
    first = nearfar(*arguments)
    assert first.code == 0
    while killed < KILLS or not out.exists():
        if out.exists():
            assert _same_as(out, laid / "picture.tif")
            finished += 1
            for path in (out, *side_files(out).values()):
                path.unlink()
        after = moments.uniform(0, first.seconds) if killed < KILLS else None
        code = nearfar(*arguments, after=after).code
        assert code in (0, -signal.SIGKILL)
        # Killed after the last rename it is there: whole, as is tested above.
        assert out.exists() or code != 0
        killed += code != 0
        for ending, path in side_files(out).items():
            if path.exists() and ending not in TOLD_ANEW:
                assert path.read_bytes() == side_files(laid / "picture.tif")[ending].read_bytes()
        assert digests(laid / "frames") == before
    # The last kill may have come between the last rename and the removal of scratch: that is the next run's.
    assert nearfar(*arguments).code == 0
    assert _same_as(out, laid / "picture.tif")
    assert finished > 0
    assert list(tmp_path.glob(".nearfar-*")) == []
    assert list(scratch.iterdir()) == []


@pytest.mark.parametrize(("number", "name"), [(signal.SIGINT, "Ctrl-C"), (signal.SIGTERM, "SIGTERM")])
@pytest.mark.parametrize("step", ["register", "render"])
def test_stopped_by_a_signal_it_says_so_and_the_next_run_makes_only_what_is_missing(
    step: str, number: signal.Signals, name: str, laid: Path, tmp_path: Path
) -> None:
    out, scratch = tmp_path / "picture.tif", tmp_path / "scratch"
    arguments = (
        "merge",
        laid / "frames",
        "--out",
        out,
        "--scratch",
        scratch,
        "--threads",
        "1",
        "--keep-scratch",
    )
    with start(*arguments) as process:
        _began(process, step)
        process.send_signal(number)
        told, said = process.communicate()
    if process.returncode == 0:
        pytest.skip("the run was quicker than the signal")
    assert process.returncode == 130
    assert told == ""
    assert (
        said.splitlines()[-1] == f"nearfar: stopped by {name}; run the same command again to go on from here"
    )
    assert nothing_made(out)
    (folder,) = scratch.iterdir()
    kept = {p.name: p.stat().st_mtime_ns for p in folder.glob("*.survey")}
    assert len(kept) == 7
    done = nearfar(*arguments)
    assert done.code == 0
    assert {p.name: p.stat().st_mtime_ns for p in folder.glob("*.survey")} == kept
    assert _same_as(out, laid / "picture.tif")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_before_anything_began_it_says_so_too(
    number: signal.Signals, laid: Path, tmp_path: Path
) -> None:
    """While libraries are loaded; a signal that comes before even Python is up ends the process as for any program."""
    for wait in (0.1, 0.2, 0.3, 0.4, 0.8):
        with start("merge", laid / "frames", "--out", tmp_path / "picture.tif", "--quiet") as process:
            time.sleep(wait)
            process.send_signal(number)
            _, said = process.communicate()
        python_itself = process.returncode == 1 and said.startswith("Fatal Python error: init_")
        assert process.returncode in (130, 0, -number) or python_itself
        # Before ours listens the interpreter has words of its own, also for a signal that meets the lock of a module.
        ours = "/nearfar/cli/" in said
        early = said.startswith("Exception ignored in: <function _get_module_lock") or not ours
        assert early or "Traceback" not in said
        if process.returncode == 130:
            assert said.startswith("nearfar: stopped by ")


def _steps(said: str) -> set[str]:
    return {line.split()[0] for line in said.splitlines() if line.endswith(" ...")}


def test_after_a_finished_run_the_next_one_does_no_pixel_work(laid: Path, tmp_path: Path) -> None:
    out = tmp_path / "picture.tif"
    merged(laid / "frames", out)
    made = digests(tmp_path)
    again = merge(laid / "frames", out)
    assert again.code == 0
    assert _steps(again.err) == {"identify"}
    assert "picture.tif is there already, made from these frames" in again.err
    assert again.out.startswith(f"{out}: 7 of 7 frames")
    assert digests(tmp_path) == made


def test_a_new_date_of_a_frame_is_no_change(frames: Callable[..., Path], tmp_path: Path) -> None:
    folder, out = frames(count=3), tmp_path / "picture.tif"
    merged(folder, out)
    for path in folder.iterdir():
        os.utime(path, (1_000_000_000, 1_000_000_000))
    assert _steps(merge(folder, out).err) == {"identify"}


@pytest.mark.parametrize("change", ["option", "frame", "side file", "picture"])
def test_but_what_is_another_picture_or_not_whole_is_made_again(
    change: str, frames: Callable[..., Path], scene: Scene, tmp_path: Path
) -> None:
    folder, out = frames(count=3), tmp_path / "picture.tif"
    merged(folder, out)
    options: tuple[str, ...] = ()
    if change == "option":
        options = ("--recipe", "landscape")
    elif change == "frame":
        lay(scene.frames[3:4], folder, names=["F0004.tif"])
    elif change == "side file":
        side_files(out)["focus.png"].unlink()
    else:
        out.unlink()
    done = merge(folder, out, *options)
    assert done.code == 0
    assert _steps(done.err) >= {"survey", "register", "focus", "render", "deliver"}
    assert all(p.exists() for p in side_files(out).values())


def test_with_scratch_kept_other_settings_make_only_what_they_change(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder, out, scratch = frames(count=3), tmp_path / "picture.tif", tmp_path / "scratch"
    merged(folder, out, "--scratch", scratch, "--keep-scratch")
    (place,) = scratch.iterdir()
    made = {p.name: p.stat().st_mtime_ns for p in place.iterdir() if p.suffix in (".survey", ".register")}
    assert len(made) == 4
    merged(folder, out, "--scratch", scratch, "--keep-scratch", "--recipe", "landscape")
    assert {n: (place / n).stat().st_mtime_ns for n in made} == made
    assert len(list(place.glob("*.focus"))) == 2


@contextmanager
def _held(process: subprocess.Popen[str], line: str) -> Iterator[None]:
    """The run stands still while the block runs, from that line on."""
    _began(process, line)
    process.send_signal(signal.SIGSTOP)
    yield
    process.send_signal(signal.SIGCONT)


@pytest.mark.parametrize("kind", ["tiff16", "jpeg"])
def test_a_frame_that_changes_on_the_way_is_an_error_and_leaves_no_picture(
    kind: str, frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder, out = frames(format=kind), tmp_path / "picture.tif"
    changed = sorted(folder.iterdir())[3]
    with start("merge", folder, "--out", out) as process:
        with _held(process, "register"):
            data = bytearray(changed.read_bytes())
            data[-2000:-1000] = bytes(1000)
            changed.write_bytes(data)
        _, said = process.communicate()
    assert process.returncode == 4
    assert said.splitlines()[-1].startswith(
        f"nearfar: {changed.name}: found other contents than at the start; expected"
    )
    assert nothing_made(out)


@pytest.mark.parametrize("step", ["register", "render"])
def test_a_mapped_frame_that_is_cut_off_on_the_way_ends_the_run_in_words(
    step: str, frames: Callable[..., Path], tmp_path: Path
) -> None:
    """Reading beyond the end of a mapped file is SIGBUS, which ends most programs without a word."""
    folder, out = frames(), tmp_path / "picture.tif"
    with start("merge", folder, "--out", out) as process:
        with _held(process, step):
            os.truncate(folder / "F0004.tif", 5000)
        _, said = process.communicate()
    assert process.returncode == 4
    assert said.splitlines()[-1].startswith(
        (
            "nearfar: a frame or a scratch file became shorter, or its disk went away",
            "nearfar: F0004.tif: found other contents than at the start",
        )
    )
    assert not out.exists()


def test_a_frame_that_is_only_touched_on_the_way_is_no_error(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder, out = frames(), tmp_path / "picture.tif"
    with start("merge", folder, "--out", out) as process:
        with _held(process, "register"):
            os.utime(folder / "F0003.tif")
        process.communicate()
    assert process.returncode == 0


def test_a_second_run_for_the_same_picture_is_refused_in_words(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder, out = frames(), tmp_path / "picture.tif"
    with start("merge", folder, "--out", out) as first:
        with _held(first, "register"):
            second = merge(folder, out)
            other = merge(folder, tmp_path / "other.tif")
        first.communicate()
    assert second.code == 4
    assert second.message.startswith("picture.tif: another run is at work on this picture (scratch folder ")
    assert (first.returncode, other.code) == (0, 0)


def test_what_was_there_stays_until_the_new_picture_is_whole(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder, out = frames(), tmp_path / "picture.tif"
    merged(folder, out)
    old = out.read_bytes()
    with start("merge", folder, "--out", out, "--recipe", "flicker") as process:
        _began(process, "render")
        process.kill()
        process.communicate()
    assert out.read_bytes() == old


def test_scratch_is_gone_after_a_finished_run_and_stays_if_asked(
    frames: Callable[..., Path], tmp_path: Path
) -> None:
    folder = frames(count=2)
    merged(folder, tmp_path / "a.tif", "--scratch", tmp_path / "scratch")
    assert list((tmp_path / "scratch").iterdir()) == []
    merged(folder, tmp_path / "b.tif", "--scratch", tmp_path / "scratch", "--keep-scratch")
    (kept,) = (tmp_path / "scratch").iterdir()
    assert kept.name.startswith("b-")


def test_a_spoilt_scratch_is_told_and_not_believed(frames: Callable[..., Path], tmp_path: Path) -> None:
    folder, out, scratch = frames(count=2), tmp_path / "picture.tif", tmp_path / "scratch"
    merged(folder, out, "--scratch", scratch, "--keep-scratch")
    out.unlink()
    (place,) = scratch.iterdir()
    survey = next(place.glob("*.survey"))
    survey.write_bytes(survey.read_bytes()[:500])
    done = merge(folder, out, "--scratch", scratch)
    assert done.code == 4
    assert "not readable" in done.message
    assert f"remove the folder {place} and run again" in done.message
    assert not out.exists()
