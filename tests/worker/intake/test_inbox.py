"""What the watch makes of what lies in its folders: real files, and a clock that the test moves."""

from __future__ import annotations

import ctypes
import errno
import os
import time
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from nearfar.frames.ending import examine
from nearfar.intake import following
from nearfar.intake import inbox as module
from nearfar.intake.card.folders import card_id
from nearfar.intake.card.following import Sorting
from nearfar.intake.card.kept_card import CardFiles, Decided
from nearfar.intake.digests import Digests
from nearfar.intake.events import Events
from nearfar.intake.inbox import Found, Inbox, Look, Watched, read_state
from nearfar.intake.memory import Known, Memory, trace
from nearfar.intake.names import Sort, sorter, stack_name
from nearfar.intake.settling import Mark, Patience
from nearfar.intake.state import Entry, InboxState, StateWriter, readable
from nearfar.intake.wishes import Wishes
from nearfar.intake.writers import contained, hidden_users, open_writers, why_unseen
from nearfar.places import places_of
from nearfar.server_settings import load_server
from tests.worker.frames.makers import jpeg_bytes, picture, png_bytes, write_dng, write_tiff
from tests.worker.intake.together import TogetherSorts

QUIET, PATIENCE = 5.0, 120.0


def lay_frames(folder: Path, *names: str, first: int = 0) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    pixels = [picture(height=8, width=8, seed=first + number) for number in range(len(names))]
    return [write_tiff(folder / name, each) for name, each in zip(names, pixels, strict=True)]


class Watching:
    """An inbox in a folder that passes."""

    def __init__(self, tmp_path: Path, **options: Any) -> None:
        self.root = tmp_path / "inbox"
        self.root.mkdir(exist_ok=True)
        self.state = tmp_path / "state"
        self.state.mkdir(exist_ok=True)
        self.cards = CardFiles(self.state / "cards")
        self.now = 0.0
        self.options = options
        self.restart()

    def restart(self) -> None:
        self.memory = Memory.open(self.state / "stacks")
        self.digests = Digests(self.state / "digests")
        watched = self.options.get("watched", [Watched(path=str(self.root))])
        self.inbox = Inbox(
            watched,
            rules=Patience(quiet=QUIET, quiet_unseen=20, patience=PATIENCE),
            memory=self.memory,
            digests=self.digests,
            sorting=Sorting(files=self.cards, sorts=TogetherSorts(self.cards)),
            **{name: value for name, value in self.options.items() if name != "watched"},
        )

    def look(self, after: float = 0.0) -> Look:
        self.now += after
        return self.inbox.look(self.now)

    def settle(self, seconds: float = QUIET) -> dict[str, Found]:
        """By path below the inbox, what is found when nothing moves for a while."""
        self.look()
        look = self.look(seconds)
        return {os.path.relpath(found.entry.path, self.root): found for found in look.found}

    def take(self, found: Found, job: int = 1) -> Known:
        """Remember a stack as taken."""
        arrival = found.arrival
        assert arrival is not None
        found.known = self.memory.keep(
            Known(
                path=arrival.path,
                source=arrival.source,
                stack=arrival.stack,
                files={name: trace(mark) for name, mark in arrival.files.items()},
                digest="d",
                wishes=arrival.said.said(),
                loose=arrival.loose,
                refused=arrival.refused is not None,
                job=job,
            )
        )
        return found.known


@pytest.fixture
def watching(tmp_path: Path) -> Watching:
    return Watching(tmp_path)


def names_of(found: Found) -> list[str]:
    assert found.arrival is not None, found.entry
    return [Path(path).name for path in found.arrival.contents.frames]


def ignored(entry: Entry) -> dict[str, str]:
    return dict(entry.ignored)


# Stacks and their names


def test_every_folder_with_frames_in_it_is_a_stack_at_any_depth(watching: Watching) -> None:
    lay_frames(watching.root / "moss", "1.tif", "2.tif")
    lay_frames(watching.root / "day" / "beetle" / "a", "1.tif", "2.tif", first=7)
    (watching.root / "empty").mkdir()
    found = watching.settle()
    assert {path: each.entry.stack for path, each in found.items()} == {
        "moss": "moss",
        "day/beetle/a": "day-beetle-a",
    }
    assert all(each.arrival for each in found.values())


def test_a_folder_moved_in_as_a_whole_is_found_with_all_that_is_in_it(
    watching: Watching, tmp_path: Path
) -> None:
    lay_frames(tmp_path / "elsewhere" / "deep" / "down", "1.tif", "2.tif")
    watching.look()
    (tmp_path / "elsewhere").rename(watching.root / "shoot")
    assert names_of(watching.settle()["shoot/deep/down"]) == ["1.tif", "2.tif"]


@pytest.mark.parametrize(
    "name",
    [
        "two\nlines",
        'it\'s "quoted"',
        unicodedata.normalize("NFD", "Käfer"),
        "50 % of; it",
        os.fsdecode(b"caf\xe9"),
    ],
)
def test_any_name_that_a_disk_can_hold_works(watching: Watching, name: str) -> None:
    lay_frames(watching.root / name, f"{name} 1.tif", f"{name} 2.tif")
    found = watching.settle()[name]
    assert len(names_of(found)) == 2
    found.entry.stack.encode("utf-8")
    assert "\n" not in found.entry.stack
    assert unicodedata.is_normalized("NFC", found.entry.stack)
    places = places_of(load_server({"server": {"data": watching.state.parent}}, environment={}))
    state = InboxState(entries=[found.entry])
    assert StateWriter(places).write(state, now=0.0, wall=1.0)
    assert [entry.path for entry in read_state(places).entries] == [readable(str(watching.root / name))]
    readable(str(watching.root / name)).encode("utf-8")


def test_a_name_for_people_keeps_what_can_be_read() -> None:
    assert stack_name(["a", "b\tc"]) == "a-b c"
    assert stack_name([os.fsdecode(b"caf\xe9")]) == "caf\N{REPLACEMENT CHARACTER}"
    assert stack_name(["\n"]) == "unnamed"


def test_frames_come_in_the_order_they_were_taken_past_the_roll_over_of_the_counter(
    watching: Watching,
) -> None:
    lay_frames(watching.root / "a", "DSC_9998.tif", "DSC_9999.tif", "DSC_0001.tif", "DSC_0002.tif")
    assert names_of(watching.settle()["a"]) == [
        "DSC_9998.tif",
        "DSC_9999.tif",
        "DSC_0001.tif",
        "DSC_0002.tif",
    ]


def test_ten_comes_after_two(watching: Watching) -> None:
    lay_frames(watching.root / "a", "10.tif", "2.tif", "1.tif")
    assert names_of(watching.settle()["a"]) == ["1.tif", "2.tif", "10.tif"]


def test_raw_and_jpeg_of_one_exposure_are_one_frame(watching: Watching) -> None:
    folder = watching.root / "a"
    folder.mkdir()
    for number in range(2):
        write_dng(folder / f"{number}.dng", height=32, width=32)
        (folder / f"{number}.jpg").write_bytes(jpeg_bytes(picture(height=8, width=8, seed=number)))
    (folder / "nearfar.expect").write_text("2\n")
    found = watching.settle()["a"]
    assert names_of(found) == ["0.dng", "1.dng"]
    assert "same exposure" in ignored(found.entry)["0.jpg"]
    assert found.arrival is not None
    assert [Path(path).name for path in found.arrival.contents.companions] == ["0.jpg", "1.jpg"]


def test_twins_that_differ_in_case_alone_are_two_frames(watching: Watching) -> None:
    folder = watching.root / "a"
    folder.mkdir()
    for number, name in enumerate(["1.JPG", "1.jpg"]):
        (folder / name).write_bytes(jpeg_bytes(picture(height=8, width=8, seed=number)))
    assert sorted(names_of(watching.settle()["a"])) == ["1.JPG", "1.jpg"]


# Junk, links, the server's own files

JUNK = ["._1.tif", ".DS_Store", "Thumbs.db", "desktop.ini", "notes.txt", "~$doc", "1.xmp", "1.tif.xmp"]


def test_junk_is_passed_over_and_listed_with_the_reason(watching: Watching) -> None:
    folder = watching.root / "a"
    lay_frames(folder, "1.tif", "2.tif")
    for name in JUNK:
        (folder / name).write_bytes(b"x")
    for name in (".AppleDouble", ".Trashes", ".Spotlight-V100", "@eaDir", "#recycle", ".stfolder"):
        lay_frames(folder / name, "1.tif")
    found = watching.settle()
    assert list(found) == ["a"]
    assert names_of(found["a"]) == ["1.tif", "2.tif"]
    listed = ignored(found["a"].entry)
    assert listed.keys() >= {*JUNK, ".AppleDouble", "@eaDir", "#recycle"}
    assert all(listed.values())


def test_own_patterns_are_passed_over_too(tmp_path: Path) -> None:
    watching = Watching(tmp_path, ignore=["*_Proof.tif"])
    lay_frames(watching.root / "a", "1.tif", "2.tif", "1_proof.tif")
    found = watching.settle()["a"]
    assert names_of(found) == ["1.tif", "2.tif"]
    assert "inbox.ignore" in ignored(found.entry)["1_proof.tif"]


def test_a_folder_of_junk_alone_says_so(watching: Watching) -> None:
    (watching.root / "a").mkdir()
    (watching.root / "a" / "notes.txt").write_text("x")
    entry = watching.settle()["a"].entry
    assert (entry.state, entry.why) == ("ignored", "there is no frame in it")


def test_links_out_of_the_tree_are_not_followed_and_named(watching: Watching, tmp_path: Path) -> None:
    outside = lay_frames(tmp_path / "outside", "x.tif")[0]
    folder = watching.root / "a"
    frames = lay_frames(folder, "1.tif", "2.tif")
    (folder / "out.tif").symlink_to(outside)
    (folder / "out").symlink_to(outside.parent)
    (folder / "nowhere.tif").symlink_to(watching.root / "gone.tif")
    (folder / "loop").symlink_to(watching.root)
    (folder / "in.tif").symlink_to(frames[0])
    found = watching.settle()
    assert list(found) == ["a"]
    assert names_of(found["a"]) == [
        "1.tif",
        "2.tif",
    ]  # a link within the tree shows a frame that is there already
    listed = ignored(found["a"].entry)
    assert "leads out" in listed["out.tif"]
    assert "leads out" in listed["out"]
    assert "link to nothing" in listed["nowhere.tif"]
    assert "link to a folder" in listed["loop"]
    assert "same file" in listed["in.tif"]


def test_results_of_nearfar_are_no_frames(watching: Watching) -> None:
    folder = watching.root / "a"
    lay_frames(folder, "1.tif", "2.tif")
    write_tiff(folder / "sharp.tif", picture(height=8, width=8, seed=9), software="Nearfar 1.0")
    found = watching.settle()["a"]
    assert names_of(found) == ["1.tif", "2.tif"]
    assert ignored(found.entry)["sharp.tif"] == "a result of Nearfar, not a frame"
    for name in ("1.tif", "2.tif"):
        (folder / name).unlink()
    assert watching.settle()["a"].entry.state == "ignored"


def test_folders_that_are_excluded_are_not_looked_into(tmp_path: Path) -> None:
    inner = tmp_path / "inbox" / "inner"
    watching = Watching(tmp_path, excluded=[str(inner)])
    lay_frames(inner, "1.tif")
    assert "inner" not in watching.settle()


# Arrival


def test_every_temporary_name_is_known() -> None:
    sort = sorter()
    for name in (
        *("a.tif.part", "a.tif.filepart", "a.tif.crdownload", "a.tmp", "~syncthing~a.tif.tmp"),
        *(".unison.a.tif.1234.unison.tmp", ".a.tif.Xy12Zw", ".syncthing.a.tif.tmp"),
    ):
        assert sort(name)[0] is Sort.TEMPORARY, name
    assert sort("._a.tif.Xy12Zw")[0] is Sort.IGNORED
    assert sort("A.TIF")[0] is Sort.FRAME


def test_a_temporary_file_holds_its_own_stack_back_and_no_other(watching: Watching) -> None:
    for name in ("a", "b"):
        lay_frames(watching.root / name, "1.tif", "2.tif")
    (watching.root / "a" / ".3.tif.Xy12Zw").write_bytes(b"x")
    found = watching.settle()
    assert found["a"].entry.state == "arriving"
    assert ".3.tif.Xy12Zw" in found["a"].entry.why
    assert found["b"].arrival is not None
    assert watching.settle(PATIENCE)["a"].arrival is not None  # stale


def test_the_word_that_all_is_here_and_the_count_of_frames_are_kept_to(watching: Watching) -> None:
    folder = watching.root / "a"
    lay_frames(folder, "1.tif", "2.tif")
    (folder / "nearfar.expect").write_text("3")
    entry = watching.settle(1000)["a"].entry
    assert (entry.state, entry.expected, entry.why) == ("arriving", 3, "2 of 3 frames are here")
    lay_frames(folder, "3.tif", first=5)
    (folder / "nearfar.ready").touch()
    found = watching.look().found[0]
    assert len(names_of(found)) == 3  # at once


@pytest.mark.parametrize("said", ["", "many", "-3", "0", "99999999"])
def test_an_expected_count_that_is_none_is_told(watching: Watching, said: str) -> None:
    lay_frames(watching.root / "a", "1.tif")
    (watching.root / "a" / "nearfar.expect").write_text(said)
    entry = watching.settle()["a"].entry
    assert entry.state == "waiting"
    assert "nearfar.expect" in entry.why


def cut(path: Path, share: float) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])


def zeros_behind(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2] + bytes(len(data) - len(data) // 2))


MAKERS: dict[str, Callable[[Path], object]] = {
    "a.tif": lambda p: write_tiff(p, picture(height=100, width=100)),
    "deflate.tif": lambda p: write_tiff(
        p, picture(height=100, width=100), compression="zlib", rowsperstrip=10
    ),
    "a.jpg": lambda p: p.write_bytes(jpeg_bytes(picture(height=100, width=100))),
    "a.png": lambda p: p.write_bytes(png_bytes(picture(height=100, width=100))),
}


@pytest.mark.parametrize("name", MAKERS)
def test_a_whole_file_is_taken_and_one_that_ends_early_is_not(watching: Watching, name: str) -> None:
    path = watching.root / "a" / name
    path.parent.mkdir()
    MAKERS[name](path)
    assert names_of(watching.settle()["a"]) == [name]
    for share in (0.01, 0.5, 0.99):
        cut(path, share)
        entry = watching.settle()["a"].entry
        assert (entry.state, entry.seconds) == ("arriving", PATIENCE - QUIET), entry.why
        assert name in entry.why
        MAKERS[name](path)


@pytest.mark.parametrize("name", MAKERS)
def test_a_file_that_has_its_size_before_its_contents_is_waited_for(watching: Watching, name: str) -> None:
    path = watching.root / "a" / name
    path.parent.mkdir()
    MAKERS[name](path)
    zeros_behind(path)
    assert watching.settle()["a"].arrival is None
    size = path.stat().st_size
    with open(path, "wb") as file:
        file.truncate(size)  # nothing but a hole
    assert watching.settle()["a"].entry.state == "arriving"
    MAKERS[name](path)
    assert watching.settle()["a"].arrival is not None


def test_a_frame_with_a_black_edge_is_taken_after_patience(watching: Watching) -> None:
    black = picture(height=100, width=100)
    black[50:] = 0
    (watching.root / "a").mkdir()
    write_tiff(watching.root / "a" / "1.tif", black)
    assert examine(watching.root / "a" / "1.tif")[1] == "the last 4096 bytes are zeros"
    found = watching.settle()["a"]
    assert found.entry.state == "settling"
    assert watching.settle(PATIENCE)["a"].arrival is not None


def test_a_jpeg_with_bytes_behind_its_end_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg_bytes(picture()) + bytes(3_000_000))  # what some cameras and phones append
    assert examine(path)[1] is None


def test_a_file_that_may_not_be_read_is_waited_for_then_told_with_the_systems_words(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    frames = lay_frames(watching.root / "a", "1.tif", "2.tif")
    real = os.open

    def denied(path: Any, *rest: Any, **more: Any) -> int:
        if str(path) == str(frames[1]):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return real(path, *rest, **more)

    monkeypatch.setattr(os, "open", denied)
    assert watching.settle()["a"].entry.state == "arriving"
    found = watching.settle(PATIENCE)["a"]
    assert found.arrival is not None
    for part in (str(frames[1]), "Permission denied", f"errno {errno.EACCES}", f"user {os.geteuid()}"):
        assert part in (found.arrival.refused or "")
    watching.take(found)
    assert watching.settle(1000)["a"].known is not None  # not tried day and night
    monkeypatch.undo()
    frames[1].chmod(0o600)
    assert watching.settle()["a"].arrival is not None  # something of the file changed


def test_a_file_that_is_busy_for_a_while_is_looked_at_again_by_itself(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay_frames(watching.root / "a", "1.tif")
    real, busy = os.open, [True]

    def open_busy(path: Any, *rest: Any, **more: Any) -> int:
        if busy and str(path).endswith("1.tif"):
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY), str(path))
        return real(path, *rest, **more)

    monkeypatch.setattr(os, "open", open_busy)
    assert watching.settle()["a"].entry.state == "arriving"
    busy.clear()
    assert watching.settle(6)["a"].arrival is not None


# Cards


def test_loose_frames_are_sorted_and_stay_the_stacks_that_they_became(watching: Watching) -> None:
    lay_frames(watching.root, "1.tif", "2.tif")
    assert {each.entry.state for each in watching.settle().values()} == {"settling"}
    first = watching.settle()["1.tif"]
    assert (names_of(first), first.entry.stack) == (["1.tif", "2.tif"], "1")
    watching.take(first, job=1)
    lay_frames(watching.root, "3.tif", "4.tif", first=5)
    watching.settle()
    second = watching.settle()["3.tif"]
    assert names_of(second) == ["3.tif", "4.tif"]
    watching.take(second, job=2)
    watching.restart()
    again = watching.settle()
    assert {path: each.known and each.known.job for path, each in again.items() if path != "."} == {
        "1.tif": 1,
        "3.tif": 2,
    }
    (watching.root / "1.tif").unlink()  # what is left of a stack makes no new one
    assert not any(each.arrival for each in watching.settle().values())


def test_a_stack_that_was_about_to_be_taken_when_the_watch_was_stopped_stays_that_stack(
    watching: Watching,
) -> None:
    lay_frames(watching.root, "1.tif", "2.tif")
    watching.settle()
    known = watching.take(watching.settle()["1.tif"])
    watching.memory.note(known, job=None)
    lay_frames(watching.root, "3.tif", first=5)
    watching.restart()
    watching.settle()
    found = watching.settle()
    assert [names_of(found["1.tif"]), names_of(found["3.tif"])] == [["1.tif", "2.tif"], ["3.tif"]]


@pytest.mark.parametrize("top", ["shoot", "."])
def test_a_folder_with_a_cameras_own_folders_is_a_card(watching: Watching, top: str) -> None:
    card = watching.root / top / "DCIM"
    lay_frames(card / "100NRFAR", "NF_9998.tif", "NF_9999.tif")
    lay_frames(card / "101NRFAR", "NF_0001.tif", first=5)
    (card / "101NRFAR" / "notes.txt").write_text("the long lens")
    lay_frames(watching.root / "moss", "1.tif", first=9)
    watching.settle()
    found = watching.settle()
    path = "DCIM" if top == "." else top
    assert found[path].entry.card is not None
    assert ("101NRFAR/notes.txt" in str(ignored(found[path].entry))) is True
    (stack,) = [each for place, each in found.items() if each.arrival and place != "moss"]
    assert names_of(stack) == ["NF_9998.tif", "NF_9999.tif", "NF_0001.tif"]
    assert stack.entry.card == found[path].entry.card
    assert names_of(found["moss"]) == ["1.tif"]


def test_a_folder_with_the_marker_is_a_card_with_all_below(watching: Watching) -> None:
    lay_frames(watching.root / "day" / "a", "1.tif")
    lay_frames(watching.root / "day" / "b", "2.tif", first=5)
    assert set(watching.settle()) == {"day/a", "day/b"}
    (watching.root / "day" / "nearfar.card").touch()
    watching.settle()
    found = watching.settle()
    assert set(found) == {"day", "day/a/1.tif"}
    assert found["day/a/1.tif"].entry.stack == "day-1"


def test_what_a_person_decided_is_taken_when_that_person_says_go(watching: Watching) -> None:
    frames = lay_frames(watching.root, "1.tif", "2.tif", "3.tif")
    card = card_id(str(watching.root))
    watching.settle()
    watching.cards.decide(
        card, str(watching.root), Decided(decisions=({"do": "split", "before": str(frames[1])},))
    )
    waiting = watching.settle()
    assert "go" in waiting["2.tif"].entry.why
    assert not any(each.arrival for each in waiting.values() if each.entry.path == str(frames[1]))
    decided = watching.cards.decided(card)
    watching.cards.decide(card, str(watching.root), replace(decided, gone=1))
    assert names_of(watching.settle()["2.tif"]) == ["2.tif", "3.tif"]


def test_decisions_that_cannot_be_read_hold_the_card_and_lose_nothing(watching: Watching) -> None:
    lay_frames(watching.root, "1.tif", "2.tif")
    file = watching.cards.decisions_file(card_id(str(watching.root)))
    file.parent.mkdir()
    file.write_text("{")
    entry = watching.settle()["."].entry
    assert (entry.state, str(file) in entry.why) == ("waiting", True)
    assert file.read_text() == "{"


# What was taken before


def test_a_stack_that_was_taken_is_left_alone_until_a_frame_comes(watching: Watching) -> None:
    folder = watching.root / "a"
    lay_frames(folder, "1.tif", "2.tif")
    watching.take(watching.settle()["a"])
    watching.restart()
    assert watching.look().found[0].known is not None  # at once, and no file was opened
    assert watching.digests.read == 0
    (folder / "1.xmp").write_text("edited")
    (folder / "1.tif").unlink()
    assert watching.settle()["a"].arrival is None
    lay_frames(folder, "3.tif", first=5)
    assert names_of(watching.settle()["a"]) == ["2.tif", "3.tif"]


def test_an_empty_or_vanished_folder_deletes_nothing_that_is_remembered(watching: Watching) -> None:
    frames = lay_frames(watching.root / "a", "1.tif", "2.tif")
    kept = [path.read_bytes() for path in frames]
    known = watching.take(watching.settle()["a"])
    for path in frames:
        path.rename(path.with_name(f"{path.name}.away"))
    watching.settle()
    for path in frames:
        path.with_name(f"{path.name}.away").rename(path)
    watching.restart()
    assert watching.settle()["a"].known == known
    assert [path.read_bytes() for path in frames] == kept


def test_a_share_that_is_gone_gives_one_message_and_everything_waits(watching: Watching) -> None:
    for name in ("a", "b"):
        lay_frames(watching.root / name, "1.tif")
    lay_frames(watching.root / "c", "1.tif")
    watching.look()
    away = watching.root.with_name("away")
    watching.root.rename(away)
    look = watching.look(10)
    assert len([folder for folder in look.folders if folder.problem]) == 1
    assert "No such file" in (look.folders[0].problem or "")
    assert {found.entry.state for found in look.found} == {"waiting"}
    away.rename(watching.root)
    assert all(found.arrival for found in watching.look(0).found)  # it was quiet before, and nothing changed


def test_a_mount_point_without_its_mount_counts_as_gone(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay_frames(watching.root / "a", "1.tif")
    mounted = [True]
    monkeypatch.setattr(os.path, "ismount", lambda _path: bool(mounted))
    watching.take(watching.settle()["a"])
    mounted.clear()
    (watching.root / "a").rename(watching.root.parent / "hidden")
    look = watching.look()
    assert "not mounted" in (look.folders[0].problem or "")
    watching.restart()
    assert "not mounted" in (watching.look().folders[0].problem or "")
    assert [found.known is not None for found in look.found] == [True]


def test_a_folder_that_cannot_be_read_is_told_and_the_others_go_on(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a", "b"):
        lay_frames(watching.root / name, "1.tif")
    real = os.scandir

    def denied(path: Any) -> Any:
        if str(path).endswith("/a"):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", denied)
    found = watching.settle()
    assert (found["a"].entry.state, found["b"].arrival is not None) == ("waiting", True)
    assert f"Permission denied (errno 13), as user {os.geteuid()}" in found["a"].entry.why


# Wishes


def test_the_nearest_folder_that_says_something_wins(tmp_path: Path) -> None:
    root = str(tmp_path / "inbox")
    watching = Watching(
        tmp_path, watched=[Watched(path=root, wishes=Wishes(owner="studio", recipe="landscape"))]
    )
    deep = watching.root / "anna" / "beetle"
    lay_frames(deep, "1.tif")
    (watching.root / "anna" / "nearfar.toml").write_text('owner = "anna"\nrecipe = "macro"\npriority = 3\n')
    (deep / "nearfar.toml").write_text('recipe = "flicker"\nreference = "1.tif"\n')
    found = watching.settle()["anna/beetle"]
    assert found.arrival is not None
    assert found.arrival.wishes == Wishes(owner="anna", recipe="flicker", priority=3, reference="1.tif")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("recipe = ", "not readable as TOML"),
        ('colour = "red"', "colour is not a setting"),
        ('priority = "high"', "a whole number"),
        ("priority = 12", "-9 to 9"),
        ("priority = true", "a whole number"),
        ('recipe = "../evil.toml"', "the name of a recipe"),
        ('owner = " "', "1 to 200 characters"),
    ],
)
def test_a_wish_that_cannot_be_is_the_reason_to_wait(watching: Watching, text: str, told: str) -> None:
    lay_frames(watching.root / "a", "1.tif")
    (watching.root / "a" / "nearfar.toml").write_text(text)
    entry = watching.settle()["a"].entry
    assert entry.state == "waiting"
    assert told in entry.why
    (watching.root / "a" / "nearfar.toml").unlink()
    assert watching.settle()["a"].arrival is not None


# Other programs and events


def test_a_writer_and_a_mapping_are_seen(tmp_path: Path) -> None:
    path = tmp_path / "a\nb.tif"
    path.write_bytes(bytes(5000))
    mark = Mark.of(path.stat())
    assert open_writers([mark]) == {}
    with open(path, "rb"):
        assert open_writers([mark]) == {}  # a reader is none
    libc = ctypes.CDLL(None, use_errno=True)
    libc.mmap.restype = ctypes.c_void_p
    with open(path, "r+b") as file:
        assert str(os.getpid()) in open_writers([mark])[mark.identity]
        address = libc.mmap(
            None, ctypes.c_size_t(5000), 3, 1, file.fileno(), ctypes.c_long(0)
        )  # shared, read and write
    assert str(os.getpid()) in open_writers([mark])[mark.identity]  # the file is closed, the mapping stays
    libc.munmap(ctypes.c_void_p(address), ctypes.c_size_t(5000))
    assert open_writers([mark]) == {}


def test_it_is_told_when_writers_cannot_be_seen(tmp_path: Path) -> None:
    assert why_unseen({1000}, frozenset(), user=0) is None
    assert why_unseen({1000}, frozenset({0}), user=1000) is None
    assert "1000" in (why_unseen({1000}, frozenset({1000}), user=1000) or "")  # a file server in our name
    assert "1001" in (why_unseen({1001}, frozenset({0}), user=1000) or "")
    assert why_unseen({1000}, None) is not None
    assert hidden_users(proc=tmp_path) is None
    (tmp_path / "self" / "ns").mkdir(parents=True)
    (tmp_path / "self" / "ns" / "pid").symlink_to("pid:[4026532000]")
    assert contained("/data", "ext4", proc=tmp_path)
    assert not contained("/", "overlay", proc=tmp_path)


def test_events_are_tested_and_wake(tmp_path: Path) -> None:
    woken: list[float] = []
    events = Events(str(tmp_path), lambda: woken.append(time.monotonic()))
    events.start(within=10.0)
    try:
        assert events.working, events.problem
        (tmp_path / "a").mkdir()
        deadline = time.monotonic() + 10
        while not woken and time.monotonic() < deadline:
            time.sleep(0.02)
        assert woken
    finally:
        events.stop()


def test_the_limit_of_the_system_on_watches_is_told_by_the_name_of_its_setting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from watchdog.observers.inotify import InotifyObserver

    def full(*_: Any, **__: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(InotifyObserver, "start", full)
    events = Events(str(tmp_path), lambda: None)
    events.start()
    assert "fs.inotify.max_user_watches" in (events.problem or "")
    assert not events.working


def test_time_stamps_in_the_future_are_warned_of_and_change_nothing(watching: Watching) -> None:
    (frame,) = lay_frames(watching.root / "a", "1.tif")
    os.utime(frame, (4e9, 4e9))
    found = watching.settle()["a"]
    assert found.arrival is not None
    assert "check the clock" in found.entry.why


def test_a_mistake_about_one_folder_keeps_no_other_from_being_taken(
    watching: Watching, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    for name in ("a", "b"):
        lay_frames(watching.root / name, "1.tif")
    real = examine

    def mistaken(path: str) -> Any:
        if "/a/" in path:
            raise ZeroDivisionError
        return real(path)

    monkeypatch.setattr(following, "examine", mistaken)
    found = watching.settle()
    assert (found["a"].entry.state, found["b"].arrival is not None) == ("waiting", True)
    assert "a mistake in Nearfar" in found["a"].entry.why
    assert "ZeroDivisionError" in caplog.text


def test_two_thousand_frames_are_one_stack(watching: Watching) -> None:
    folder = watching.root / "a"
    folder.mkdir()
    data = write_tiff(folder / "0.tif", picture(height=4, width=4)).read_bytes()
    for number in range(1, 2000):
        (folder / f"{number}.tif").write_bytes(data + number.to_bytes(4, "little"))
    watching.look()
    watching.now += QUIET
    look = watching.look()
    while look.hurry:
        look = watching.look()
    assert len(names_of(look.found[0])) == 2000
    assert names_of(look.found[0])[:3] == ["0.tif", "1.tif", "2.tif"]


def test_reading_goes_on_in_the_next_look_where_it_takes_long(
    watching: Watching, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "READING", 0.0)
    lay_frames(watching.root / "a", "1.tif", "2.tif", "3.tif")
    watching.look()
    look = watching.look(QUIET)
    assert (look.hurry, look.found[0].arrival) == (True, None)
    watching.look()
    assert watching.look().found[0].arrival is not None
    assert watching.digests.read == 3
