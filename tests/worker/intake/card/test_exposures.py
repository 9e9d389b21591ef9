"""What lies on a card: every file in one place, one exposure for each press of the shutter, in the order taken."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from nearfar.errors import InputRefused
from nearfar.frames.glance import Glance, glance
from nearfar.intake.card.cache import CardCache
from nearfar.intake.card.exposures import Card, read_card
from tests.scenes import files, tags
from tests.scenes.tags import Camera
from tests.worker.frames.makers import write_dng

AT = datetime(2031, 6, 9, 7, 30)


def shot(path: Path, *, at: datetime = AT, seed: int = 0, **camera: object) -> Path:
    """A small frame by a camera."""
    path.parent.mkdir(parents=True, exist_ok=True)
    pixels = np.random.default_rng(seed).integers(0, 255, (24, 36, 3), np.uint8)
    exif = tags.exif_block(replace(Camera(start=at, interval=0.0), **camera), 0)  # type: ignore[arg-type]
    path.write_bytes(files.jpeg(pixels, quality=80, exif=exif, profile=tags.srgb_profile()))
    return path


def read(folder: Path) -> Card:
    with CardCache(None) as cache:
        return read_card([folder], cache)


def order(folder: Path) -> list[list[str]]:
    return [[e.path.name for e in camera] for camera in read(folder).cameras]


@pytest.fixture
def dcim(tmp_path: Path) -> Path:
    return tmp_path / "DCIM" / "100NRFAR"


def test_every_file_is_in_one_place(tmp_path: Path, dcim: Path) -> None:
    frames = [shot(dcim / f"NF_000{k}.JPG", seed=k) for k in range(1, 4)]
    others = [
        tmp_path / n
        for n in (".DS_Store", "MISC/x.dat", "DCIM/100NRFAR/NF_0009.MOV", ".Trashes/1/NF_0001.JPG")
    ]
    for path in others:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    empty = dcim / "NF_0004.JPG"
    empty.write_bytes(b"")
    card = read(tmp_path)
    assert [e.path for c in card.cameras for e in c] == frames
    reasons = dict(card.left_out)
    assert set(reasons) == {*others, empty}
    assert len(card.left_out) == len(reasons)
    assert "empty" in reasons[empty]
    assert "system" in reasons[others[3]]


def test_counting_starts_again_in_the_next_folder(tmp_path: Path) -> None:
    for number, folder, name in (
        (1, "101NRFAR", "NF_0001"),
        (0, "100NRFAR", "NF_9999"),
        (2, "101NRFAR", "NF_0002"),
    ):
        shot(tmp_path / "DCIM" / folder / f"{name}.JPG", seed=number)
    assert order(tmp_path) == [["NF_9999.JPG", "NF_0001.JPG", "NF_0002.JPG"]]


def test_counting_starts_again_within_a_folder(dcim: Path) -> None:
    for k, name in enumerate(["NF_9998", "NF_9999", "NF_0001", "NF_0002"]):
        shot(dcim / f"{name}.JPG", seed=k)
    assert order(dcim) == [["NF_9998.JPG", "NF_9999.JPG", "NF_0001.JPG", "NF_0002.JPG"]]


def test_frames_of_one_second_keep_the_order_of_their_numbers(dcim: Path) -> None:
    for k in (3, 1, 2):
        shot(dcim / f"NF_000{k}.JPG", seed=k)
    assert order(dcim) == [["NF_0001.JPG", "NF_0002.JPG", "NF_0003.JPG"]]


def test_a_clock_that_was_set_back_does_not_change_the_order(dcim: Path) -> None:
    times = [
        AT,
        AT + timedelta(seconds=5),
        AT - timedelta(days=900),
        AT - timedelta(days=900) + timedelta(seconds=5),
    ]
    for k, at in enumerate(times, 1):
        shot(dcim / f"NF_000{k}.JPG", at=at, seed=k)
    assert order(dcim) == [[f"NF_000{k}.JPG" for k in range(1, 5)]]


def test_names_that_count_nothing_give_way_to_the_clock(tmp_path: Path) -> None:
    for k, name in enumerate(["pear", "apple", "plum"]):
        shot(tmp_path / f"{name}.jpg", at=AT + timedelta(minutes=k), seed=k, serial="7")
    assert order(tmp_path) == [["pear.jpg", "apple.jpg", "plum.jpg"]]


def test_two_bodies_are_told_apart_by_their_serial_numbers(dcim: Path) -> None:
    for k in range(1, 5):
        shot(dcim / f"NF_000{k}.JPG", at=AT + timedelta(seconds=k), seed=k, serial=f"NF-{k % 2}")
    assert order(dcim) == [["NF_0001.JPG", "NF_0003.JPG"], ["NF_0002.JPG", "NF_0004.JPG"]]


def test_bodies_without_serial_numbers_are_told_apart_by_their_names(dcim: Path) -> None:
    for k, name in enumerate(["AA_0001", "BB_0001", "AA_0002", "BB_0002"]):
        shot(dcim / f"{name}.JPG", at=AT + timedelta(seconds=k), seed=k, serial="")
    assert order(dcim) == [["AA_0001.JPG", "AA_0002.JPG"], ["BB_0001.JPG", "BB_0002.JPG"]]


def test_a_raw_file_and_its_jpeg_are_one_exposure(dcim: Path) -> None:
    twin = shot(dcim / "NF_0001.JPG", model="", serial="")
    write_dng(dcim / "NF_0001.dng")
    card = read(dcim)
    (exposure,) = card.cameras[0]
    assert exposure.path.name == "NF_0001.dng"
    assert exposure.shown_by == twin
    assert card.left_out == ((twin, "the same exposure as its raw file (.dng), which is taken"),)


def test_the_same_card_twice_is_read_once(tmp_path: Path, dcim: Path) -> None:
    for k in range(1, 4):
        shot(dcim / f"NF_000{k}.JPG", seed=k)
    shutil.copytree(tmp_path / "DCIM", tmp_path / "copy" / "DCIM")
    card = read(tmp_path)
    assert sum(len(c) for c in card.cameras) == 3
    assert [w.split(" of ")[0] for _, w in card.left_out] == ["a copy"] * 3


def test_links_are_not_followed_out_of_the_card(tmp_path: Path, dcim: Path) -> None:
    first = shot(dcim / "NF_0001.JPG")
    elsewhere = tmp_path / "elsewhere"
    shot(elsewhere / "NF_0002.JPG", seed=2)
    (dcim / "away").symlink_to(elsewhere)
    (dcim / "NF_0003.JPG").symlink_to(first)
    card = read(dcim)
    assert [e.path for c in card.cameras for e in c] == [first]
    assert dict(card.left_out) == {
        dcim / "away": "a link to a folder; it is not followed",
        dcim / "NF_0003.JPG": "the same file as NF_0001.JPG",
    }


@pytest.mark.parametrize("name", ["NF_0001.xmp", "NF_0001.JPG.xmp"])
def test_a_side_car_fills_in_what_the_file_does_not_say(dcim: Path, name: str) -> None:
    path = shot(dcim / "NF_0001.JPG", serial="")
    side = dcim / name
    side.write_text('<x xmlns:a="http://ns.adobe.com/exif/1.0/aux/" a:SerialNumber="417" a:Lens="another"/>')
    before = side.read_bytes()
    card = read(dcim)
    (exposure,) = card.cameras[0]
    assert exposure.path == path
    assert exposure.found.camera.body_serial == "417"
    assert exposure.found.camera.lens == Camera().lens
    assert card.left_out == ((side, "the side-car of NF_0001.JPG; read, and left as it is"),)
    assert side.read_bytes() == before


def test_results_of_nearfar_are_no_frames(dcim: Path) -> None:
    from tests.worker.frames.makers import exif_bytes, jpeg_bytes, picture

    dcim.mkdir(parents=True)
    (dcim / "a.jpg").write_bytes(jpeg_bytes(picture(), exif=exif_bytes(t305="Nearfar 9.9")))
    assert read(dcim).left_out == ((dcim / "a.jpg", "a result of Nearfar, not a frame"),)


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="no such file or folder"):
        read(tmp_path / "nowhere")


def test_a_hidden_folder_above_the_card_hides_nothing(tmp_path: Path) -> None:
    path = shot(tmp_path / ".mount" / "~card" / "DCIM" / "100NRFAR" / "NF_0001.JPG")
    assert order(tmp_path / ".mount" / "~card") == [[path.name]]
    assert order(tmp_path) == []


def test_a_name_with_a_newline_is_just_a_name(tmp_path: Path) -> None:
    path = shot(tmp_path / "NF\n0001.JPG")
    assert [e.path for c in read(tmp_path).cameras for e in c] == [path]


@pytest.fixture
def cached(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[Path], tuple[Card, int]]:
    """Reads a card through a cache; returns it and how many files were opened for their headers."""
    opened: list[Path] = []

    def counting(path: Path) -> Glance:
        opened.append(path)
        return glance(path)

    monkeypatch.setattr("nearfar.intake.card.exposures.glance", counting)

    def read_cached(folder: Path) -> tuple[Card, int]:
        opened.clear()
        with CardCache(tmp_path / "cache") as cache:
            return read_card([folder], cache), len(opened)

    return read_cached


def test_a_card_is_read_once(dcim: Path, cached: Callable[[Path], tuple[Card, int]]) -> None:
    for k in range(1, 4):
        shot(dcim / f"NF_000{k}.JPG", seed=k, distance=Fraction(3, 10), at=AT.replace(microsecond=250_000))
    cold, first = cached(dcim)
    warm, second = cached(dcim)
    assert (first, second) == (3, 0)
    assert [e.found for c in warm.cameras for e in c] == [e.found for c in cold.cameras for e in c]


def test_a_file_that_changed_is_read_again(dcim: Path, cached: Callable[[Path], tuple[Card, int]]) -> None:
    path = shot(dcim / "NF_0001.JPG", serial="NF-1")
    cached(dcim)
    shot(path, serial="NF-0002")
    card, opened = cached(dcim)
    assert opened == 1
    assert card.cameras[0][0].found.camera.body_serial == "NF-0002"


@pytest.mark.parametrize("damage", [b"", b"not a database" * 400, b"\0" * 8192])
def test_a_damaged_cache_is_read_past(
    tmp_path: Path, dcim: Path, cached: Callable[[Path], tuple[Card, int]], damage: bytes
) -> None:
    shot(dcim / "NF_0001.JPG")
    cached(dcim)
    (tmp_path / "cache" / "cards.sqlite").write_bytes(damage)
    for end in ("-wal", "-shm"):
        (tmp_path / "cache" / f"cards.sqlite{end}").unlink(missing_ok=True)
    card, opened = cached(dcim)
    assert opened == 1
    assert len(card.cameras[0]) == 1
    assert cached(dcim)[1] == 0


def test_damage_in_the_middle_of_the_cache_costs_no_card(
    tmp_path: Path, dcim: Path, cached: Callable[[Path], tuple[Card, int]]
) -> None:
    for k in range(1, 30):
        shot(dcim / f"NF_{k:04d}.JPG", seed=k)
    cached(dcim)
    path = tmp_path / "cache" / "cards.sqlite"
    data = bytearray(path.read_bytes())
    data[4096 * 2 : 4096 * 4] = b"\x5a" * (4096 * 2)
    path.write_bytes(bytes(data))
    assert len(cached(dcim)[0].cameras[0]) == 29


def test_a_cache_folder_that_cannot_be_made_costs_nothing(tmp_path: Path, dcim: Path) -> None:
    shot(dcim / "NF_0001.JPG")
    (tmp_path / "file").write_text("")
    with CardCache(tmp_path / "file" / "cache") as cache:
        assert len(read_card([dcim], cache).cameras) == 1
