"""``nearfar why``: with and without a server, for files and folders."""

from __future__ import annotations

import json
import os
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from nearfar.cli import command
from nearfar.intake.card.kept_card import card_files
from nearfar.places import Places, places_of
from nearfar.runner.processes.turn import alone
from nearfar.runner.watching.process import Watch, lock_file
from nearfar.server_settings import ServerSettings
from tests.worker.frames.makers import picture, write_tiff
from tests.worker.intake.together import TogetherSorts
from tests.worker.runner.serving import settings_for, store_of


@pytest.fixture
def settings(tmp_path: Path) -> ServerSettings:
    return settings_for(tmp_path / "data")


@pytest.fixture
def places(settings: ServerSettings) -> Places:
    found = places_of(settings)
    found.make()
    return found


def lay_frames(folder: Path, *names: str) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    return [
        write_tiff(folder / n, picture(height=8, width=8, seed=ord(n[0]) + k)) for k, n in enumerate(names)
    ]


class Asked:
    def __init__(self, places: Places, capsys: pytest.CaptureFixture[str]) -> None:
        self.places, self.capsys = places, capsys

    def text(self, path: Path) -> str:
        assert command.main(["why", str(path), "--data", str(self.places.data)]) == 0
        return self.capsys.readouterr().out

    def json(self, path: Path) -> dict[str, Any]:
        assert command.main(["why", str(path), "--data", str(self.places.data), "--json"]) == 0
        found: dict[str, Any] = json.loads(self.capsys.readouterr().out)
        return found


@pytest.fixture
def asked(places: Places, capsys: pytest.CaptureFixture[str]) -> Asked:
    return Asked(places, capsys)


def everything(folder: Path) -> dict[str, tuple[float, bytes]]:
    return {str(p): (p.stat().st_mtime, p.read_bytes()) for p in folder.rglob("*") if p.is_file()}


def take_all(settings: ServerSettings, places: Places) -> None:
    """Let a watch take what is there, with a clock that jumps over the quiet time."""
    now = [0.0]
    sorts = TogetherSorts(card_files(places))
    watch = Watch(settings, places, store_of(settings), clock=lambda: now[0], sorts=sorts)
    for _ in range(4):
        watch.look()
        now[0] += 60.0


def test_without_a_server_the_rules_are_gone_through_once_and_nothing_is_changed(
    places: Places, asked: Asked
) -> None:
    folder = places.inbox / "beetle" / "a"
    lay_frames(folder, "1.tif", "2.tif")
    (folder / ".DS_Store").write_bytes(b"x")
    (folder / "nearfar.expect").write_text("2")
    before = everything(places.data)
    text = asked.text(folder)
    assert everything(places.data) == before
    for part in (
        "one stack, called beetle-a",
        "2 files are complete",
        "Frames: 2 of 2",
        ".DS_Store",
        "No server runs",
    ):
        assert part in text
    found = asked.json(folder / "1.tif")
    assert (found["server"], found["entry"]["stack"], found["job"]) == (False, "beetle-a", None)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("notes.txt", "not a picture by its ending (.txt)"),
        ("2.tif.part", "a copy is under way"),
        ("._1.tif", "left behind by a system"),
        ("nearfar.ready", "tells the server about its folder"),
        ("1.tif", "the file is a frame"),
    ],
)
def test_a_file_is_told_what_holds_for_it_by_its_name(
    places: Places, asked: Asked, name: str, told: str
) -> None:
    folder = places.inbox / "a"
    lay_frames(folder, "1.tif")
    (folder / name).touch()
    assert told in asked.text(folder / name)


def test_a_broken_frame_is_named_with_what_is_wrong(places: Places, asked: Asked) -> None:
    (frame,) = lay_frames(places.inbox / "a", "1.tif")
    frame.write_bytes(frame.read_bytes()[:50])
    text = asked.text(frame)
    assert "arriving" in text
    assert "1.tif: found" in text
    assert "s to go" in text


def test_files_passed_over_for_one_reason_share_a_line(places: Places, asked: Asked) -> None:
    lay_frames(places.inbox / "wall", "a.tif", "b.tif")
    for name in ("x.txt", "y.txt", "z.txt", "zz.dat"):
        (places.inbox / "wall" / name).write_text("notes")
    told = asked.text(places.inbox / "wall")
    assert "x.txt, y.txt, z.txt: not a picture by its ending (.txt)" in told
    assert "zz.dat: not a picture by its ending (.dat)" in told


def test_a_link_out_of_the_inbox_says_that_it_is_one(places: Places, asked: Asked, tmp_path: Path) -> None:
    lay_frames(places.inbox / "a", "1.tif")
    (outside,) = lay_frames(tmp_path / "outside", "2.tif")
    link = places.inbox / "a" / "2.tif"
    link.symlink_to(outside)
    assert "leads out of the watched folder" in asked.text(link)


def test_forty_links_that_lead_out_share_a_line(places: Places, asked: Asked, tmp_path: Path) -> None:
    lay_frames(places.inbox / "a", "z.tif")
    (tmp_path / "outside").mkdir()
    for k in range(40):
        target = tmp_path / "outside" / f"{k:02}.tif"
        target.touch()
        (places.inbox / "a" / f"{k:02}.tif").symlink_to(target)
    told = [line.strip() for line in asked.text(places.inbox / "a").splitlines() if "leads out" in line]
    why = f"a link that leads out of the watched folder, into {tmp_path / 'outside'}"
    assert told == [f"00.tif, 01.tif, 02.tif, 03.tif and 36 more: {why}"]


def test_the_job_of_a_stack_is_told_also_of_loose_frames(
    settings: ServerSettings, places: Places, asked: Asked
) -> None:
    lay_frames(places.inbox / "a", "1.tif", "2.tif")
    loose = lay_frames(places.inbox, "x.tif", "y.tif")
    take_all(settings, places)
    found = asked.json(places.inbox / "a" / "2.tif")
    assert found["job"] is not None
    assert (found["job"]["state"], found["entry"]["state"]) == ("waiting", "queued")
    assert asked.json(loose[1])["entry"]["path"] == str(loose[0])
    assert f"Job {found['job']['id']} is waiting" in asked.text(places.inbox / "a")
    assert "sorted into stacks" in asked.text(loose[1])


def test_with_a_server_its_own_words_are_told(settings: ServerSettings, places: Places, asked: Asked) -> None:
    (frame,) = lay_frames(places.inbox / "a", "1.tif")
    with alone(lock_file(places), "watch", Event()):
        now = [0.0]
        watch = Watch(settings, places, store_of(settings), clock=lambda: now[0])
        watch.look()
        now[0] = 2.0
        watch.look()
        found = asked.json(frame)
    assert found["server"] is True
    assert found["entry"]["state"] == "settling"
    assert found["entry"]["seconds"] == settings.inbox.quiet - 2 or found["entry"]["seconds"] == (
        settings.inbox.quiet_unseen - 2
    )


def test_a_folder_whose_frames_were_moved_away_is_still_known(
    settings: ServerSettings, places: Places, asked: Asked
) -> None:
    folder = places.inbox / "a"
    lay_frames(folder, "1.tif")
    take_all(settings, places)
    folder.rename(places.data / "away")
    now = Watch(settings, places, store_of(settings))
    now.look()
    with alone(lock_file(places), "watch", Event()):
        found = asked.json(folder)
    assert "one stack, called a" in found["rule"]
    assert (found["entry"]["state"], found["job"]["state"]) == ("waiting", "waiting")


def test_a_path_outside_of_all_watched_folders_says_so(asked: Asked, tmp_path: Path, places: Places) -> None:
    (frame,) = lay_frames(tmp_path / "elsewhere", "1.tif")
    text = asked.text(frame)
    assert "lies in no watched folder" in text
    assert (str(places.inbox) in text, "--data" in text) == (True, True)


def test_a_path_that_is_not_there_is_wrong_usage(places: Places, capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main(["why", str(places.inbox / "nothing"), "--data", str(places.data)]) == 3
    assert "there is no such file or folder" in capsys.readouterr().err


def test_names_with_control_characters_do_no_harm(places: Places, asked: Asked) -> None:
    folder = places.inbox / "two\nlines\x1b[31m"
    lay_frames(folder, "1.tif")
    text = asked.text(folder)
    assert "\x1b" not in text
    assert asked.json(folder)["path"] == str(folder)
    latin = places.inbox / os.fsdecode(b"caf\xe9")  # no UTF-8
    lay_frames(latin, "1.tif")
    assert asked.json(latin)["entry"]["frames"] == 1
