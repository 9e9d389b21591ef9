"""The process that makes frames ready: real, killed, hung, starved; and the folder of what it made, which is bounded."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
import tifffile

from nearfar.errors import FrameRefused, WorkFailed
from nearfar.merge.keys import file_digest
from nearfar.runner.looking import ready as looking
from nearfar.runner.looking.ready import Looking, TooManyAsked, Wish
from nearfar.runner.processes import here

PATIENCE = 60.0
STILL = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
SIZE = (96, 64)
HANGS = "tests.worker.runner.looking.hangs"


@pytest.fixture
def look(tmp_path: Path) -> Iterator[Callable[..., Looking]]:
    made: list[Looking] = []

    def start(**options: Any) -> Looking:
        made.append(Looking(tmp_path / "looked", **{"memory": 1 << 30, "room": 1 << 30} | options))
        return made[-1]

    yield start
    for each in made:
        each.close()


def frame(path: Path, seed: int = 0) -> Path:
    rng = np.random.default_rng(seed)
    tifffile.imwrite(path, rng.integers(0, 256, (SIZE[1], SIZE[0], 3), np.uint8), photometric="rgb")
    return path


def wish(path: Path, *, shift: float = 0.0, digest: str | None = None) -> Wish:
    return Wish(
        path=str(path),
        digest=digest or file_digest(path),
        pose=((1.0, 0.0, shift), (0.0, 1.0, 0.0)),
        gain_ev=0.0,
        size=SIZE,
    )


def ready(found: Path | Future[Path]) -> Path:
    return found if isinstance(found, Path) else found.result(PATIENCE)


def process_of(one: Looking) -> psutil.Process:
    assert one._process is not None
    return psutil.Process(one._process.pid)


def test_a_frame_is_made_once_and_found_from_then_on(look: Callable[..., Looking], tmp_path: Path) -> None:
    one = look()
    asked = wish(frame(tmp_path / "f.tif"))
    first, second = one.frame(7, asked), one.frame(7, asked)
    assert first is second, "whoever asks meanwhile waits for the same"
    path = ready(first)
    assert path.parent == tmp_path / "looked" / "7"
    assert one.frame(7, asked) == path
    assert [file.name for file in path.parent.iterdir()] == [path.name], "nothing half made is left"


def test_a_damaged_frame_is_refused_and_the_next_one_is_made(
    look: Callable[..., Looking], tmp_path: Path
) -> None:
    one = look()
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"\xff\xd8\xff\xe0 no picture" * 20)
    with pytest.raises(FrameRefused, match=r"broken\.jpg: found .*expected"):
        ready(one.frame(1, wish(broken)))
    process = process_of(one)
    assert ready(one.frame(1, wish(frame(tmp_path / "f.tif")))).is_file()
    assert process_of(one) == process, "it lives on"


def test_a_process_that_was_killed_is_started_anew(look: Callable[..., Looking], tmp_path: Path) -> None:
    one = look()
    path = frame(tmp_path / "f.tif")
    ready(one.frame(1, wish(path)))
    before = process_of(one)
    os.kill(before.pid, signal.SIGKILL)
    before.wait(PATIENCE)
    assert ready(one.frame(1, wish(path, shift=1.0))).is_file()
    assert process_of(one) != before


def test_a_frame_that_takes_too_long_is_given_up(look: Callable[..., Looking], tmp_path: Path) -> None:
    one = look(module=HANGS, longest=1.0)
    with pytest.raises(WorkFailed, match=r"f\.tif: it was not ready .* within 1 s"):
        ready(one.frame(1, wish(frame(tmp_path / "f.tif"))))
    assert one._process is None


def test_a_frame_that_kills_the_process_is_told_of(
    look: Callable[..., Looking], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HANGS_AND", "dies")
    one = look(module=HANGS)
    with pytest.raises(WorkFailed, match=r"f\.tif: the process .* was ended twice"):
        ready(one.frame(1, wish(frame(tmp_path / "f.tif"))))


def test_the_process_has_a_bound_of_memory(look: Callable[..., Looking], tmp_path: Path) -> None:
    one = look()
    ready(one.frame(1, wish(frame(tmp_path / "f.tif"))))
    assert process_of(one).rlimit(psutil.RLIMIT_DATA) == (1 << 30, 1 << 30)


def test_the_process_ends_when_nobody_asks_and_comes_back(
    look: Callable[..., Looking], tmp_path: Path
) -> None:
    one = look(idle=0.2)
    path = frame(tmp_path / "f.tif")
    ready(one.frame(1, wish(path)))
    end = time.monotonic() + PATIENCE
    while one._process is not None:
        assert time.monotonic() < end
        time.sleep(0.05)
    assert ready(one.frame(1, wish(path, shift=2.0))).is_file()


def test_what_was_not_looked_at_for_the_longest_goes_first(
    look: Callable[..., Looking], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(looking, "IN_USE", 0.0)
    path = frame(tmp_path / "f.tif")
    size = ready(look().frame(1, wish(path))).stat().st_size
    one = look(room=3 * size)
    made = [ready(one.frame(1, wish(path, shift=float(k)))) for k in range(3)]
    for age, file in zip((50, 40, 30), made, strict=True):
        os.utime(file, (time.time() - age, time.time() - age))
    assert one.frame(1, wish(path)) == made[0], "looked at again"
    new = ready(one.frame(2, wish(path)))
    left = {file for folder in (tmp_path / "looked").iterdir() for file in folder.iterdir()}
    assert new in left
    assert made[0] in left
    assert made[1] not in left
    assert sum(file.stat().st_size for file in left) <= 3 * size


def test_what_is_of_an_earlier_start_or_half_made_goes(look: Callable[..., Looking], tmp_path: Path) -> None:
    folder = tmp_path / "looked" / "3"
    folder.mkdir(parents=True)
    (folder / "0123.00000000.tif").write_bytes(b"of an earlier start of the machine")
    (folder / f".0123.{here.boot()}.tif.part").write_bytes(b"half")
    ready(look().frame(1, wish(frame(tmp_path / "f.tif"))))
    assert not folder.exists()


def test_more_than_can_be_made_soon_is_refused_at_once(look: Callable[..., Looking], tmp_path: Path) -> None:
    one = look(module=HANGS)
    path = frame(tmp_path / "f.tif")
    for k in range(looking.MOST_WAITING):
        one.frame(1, wish(path, shift=float(k)))
    with pytest.raises(TooManyAsked, match="ask again"):
        one.frame(1, wish(path, shift=0.5))


def test_too_little_disk_is_told(look: Callable[..., Looking], tmp_path: Path) -> None:
    one = look(spare=1 << 60)
    with pytest.raises(WorkFailed, match="its disk lacks .* Make room there"):
        ready(one.frame(1, wish(frame(tmp_path / "f.tif"))))
