"""A rendered day's card: stacks, dividers, single frames, brackets, panoramas and bursts, and the truth about them."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import numpy as np
from PIL import Image

from tests.scenes import card_events, files, tags
from tests.scenes.card_events import Event, Taken


@dataclass(frozen=True, kw_only=True)
class Body:
    """What one camera writes into its files, and what it leaves out."""

    prefix: str = "NF_"
    serial: str | None = "NF-0001"
    subsec: bool = True
    exif: bool = True
    thumbnail: bool = False
    first: int = 1
    folder: int = 100
    clock: timedelta = timedelta(0)
    size: tuple[int, int] = (480, 320)
    raw: bool = False
    """Writes a raw file beside each JPEG."""


@dataclass
class Truth:
    """``stacks``: lists of paths in order. ``kinds``: what each file is. ``either``: frames that may be in or out."""

    stacks: list[list[Path]] = field(default_factory=list)
    kinds: dict[Path, str] = field(default_factory=dict)
    either: set[Path] = field(default_factory=set)
    names: list[str] = field(default_factory=list)


def any_body(random: np.random.Generator, number: int) -> Body:
    """A camera of any habits."""
    return Body(
        prefix=("NF_", "QX", "_BEN", "P")[number % 4],
        serial=f"NF-{number:04d}" if random.random() < 0.7 else None,
        subsec=bool(random.random() < 0.6),
        exif=bool(random.random() < 0.93),
        thumbnail=bool(random.random() < 0.4),
        first=int(random.choice([1, 37, 9960, 9990])),
        clock=timedelta(seconds=float(random.choice([0, 0, 3600, -86400 * 900]))),
        size=((480, 320), (448, 336), (320, 480), (640, 426))[int(random.integers(4))],
    )


def write_card(folder: Path, *, seed: int, events: int = 12, bodies: int | None = None) -> Truth:
    """Make a card of random events by one or two cameras, junk and side-cars included; the same seed, the same card."""
    random = np.random.default_rng([seed, 41])
    truth = Truth()
    count = bodies or int(random.choice([1, 1, 2]))
    for number in range(count):
        body = any_body(random, number + 1)
        day = card_events.day(random, max(2, events // count), body.size)
        write_events(
            folder, body, day, truth, start=datetime(2031, 6, 9, 7, 30) + timedelta(minutes=7 * number)
        )
    add_junk(folder, truth)
    return truth


def write_events(
    folder: Path, body: Body, day: list[Event], truth: Truth, *, start: datetime = datetime(2031, 6, 9, 7, 30)
) -> None:
    """Write the frames of a day as a camera would, and return the truth about them."""
    at, number = start + body.clock, body.first - 1
    for event in day:
        stack: list[Path] = []
        for taken in event.frames:
            at += timedelta(seconds=taken.after)
            number += 1
            inner = folder / "DCIM" / f"{body.folder + number // 10000:03d}NRFAR"
            inner.mkdir(parents=True, exist_ok=True)
            path = inner / f"{body.prefix}{(number - 1) % 9999 + 1:04d}.JPG"
            path.write_bytes(frame_file(body, taken, at))
            if body.raw:
                truth.kinds[path] = "twin"
                path = path.with_suffix(".DNG")
                path.write_bytes(raw_file(camera_of(body, taken, at), number))
            truth.kinds[path] = taken.kind
            if taken.kind == "frame":
                stack.append(path)
            elif taken.kind == "repeat":
                truth.either.add(path)
            at += timedelta(seconds=float(taken.exposure))
        if stack:
            truth.stacks.append(stack)
            truth.names.append(event.name)


def frame_file(body: Body, taken: Taken, at: datetime) -> bytes:
    """One frame as that camera writes it."""
    pixels = taken.place.frame(taken.shot)
    exif = exif_block(body, camera_of(body, taken, at), pixels) if body.exif else b""
    return _jpeg(pixels, exif)


def camera_of(body: Body, taken: Taken, at: datetime) -> tags.Camera:
    """What the camera knows of a frame."""
    return tags.Camera(
        serial=body.serial or "",
        exposure=taken.exposure,
        f_number=taken.f_number,
        focal_length=taken.focal_length,
        iso=taken.iso,
        orientation=taken.orientation,
        start=at,
        interval=0.0,
    )


def raw_file(camera: tags.Camera, number: int) -> bytes:
    """A small DNG with the camera's data: bare sensor data behind a mosaic, no picture in it (DNG 1.7, chapter 4)."""
    rows, columns = 32, 48
    mosaic = (64 + np.random.default_rng(number).integers(0, 4096, (rows, columns))).astype("<u2").tobytes()
    main, exif = camera.tags(0)
    own: dict[int, tuple[int, tags.Value]] = {
        0x00FE: (tags.LONG, 0),
        0x0100: (tags.LONG, columns),
        0x0101: (tags.LONG, rows),
        0x0102: (tags.SHORT, 16),
        0x0103: (tags.SHORT, 1),
        0x0106: (tags.SHORT, 32803),
        0x0111: (tags.LONG, 0),
        0x0115: (tags.SHORT, 1),
        0x0116: (tags.LONG, rows),
        0x0117: (tags.LONG, len(mosaic)),
        0x828D: (tags.SHORT, (2, 2)),
        0x828E: (tags.UNDEFINED, bytes([0, 1, 1, 2])),
        tags.EXIF_IFD: (tags.LONG, 0),
        0xC612: (tags.UNDEFINED, bytes([1, 4, 0, 0])),
        0xC614: (tags.ASCII, f"{camera.make} {camera.model}"),
    }
    main = {**main, **own}
    second = 8 + len(tags.directory(main, 8))
    rest = tags.directory(exif, second)
    main |= {tags.EXIF_IFD: (tags.LONG, second), 0x0111: (tags.LONG, second + len(rest))}
    return b"II*\0\x08\0\0\0" + tags.directory(main, 8) + rest + mosaic


def exif_block(body: Body, camera: tags.Camera, pixels: np.ndarray) -> bytes:
    """The camera's Exif, without what it leaves out, with a thumbnail if it makes them."""
    main, exif = camera.tags(0)
    if body.serial is None:
        del exif[0xA431]
    for fraction in (0x9290, 0x9291, 0x9292):
        if not body.subsec:
            del exif[fraction]
    second = 8 + len(tags.directory({**main, tags.EXIF_IFD: (tags.LONG, 0)}, 8))
    rest = tags.directory(exif, second)
    whole = tags.directory({**main, tags.EXIF_IFD: (tags.LONG, second)}, 8)
    head = b"II*\0\x08\0\0\0" + whole + rest
    if not body.thumbnail:
        return head
    third = len(head) + len(head) % 2
    small = thumbnail(pixels)
    first = len(tags.directory({0x0201: (tags.LONG, 0), 0x0202: (tags.LONG, 0)}, third)) + third
    last = tags.directory({0x0201: (tags.LONG, first), 0x0202: (tags.LONG, len(small))}, third)
    next_at = 8 + 2 + 12 * (len(main) + 1)
    head = head[:next_at] + third.to_bytes(4, "little") + head[next_at + 4 :]
    return head.ljust(third, b"\0") + last + small


def thumbnail(pixels: np.ndarray) -> bytes:
    """160 x 120 with black bars where the frame has another shape, as Exif thumbnails are (common practice)."""
    picture = Image.fromarray(pixels)
    picture.thumbnail((160, 120), Image.Resampling.BOX)
    page = Image.new("RGB", (160, 120))
    page.paste(picture, ((160 - picture.width) // 2, (120 - picture.height) // 2))
    out = io.BytesIO()
    page.save(out, "JPEG", quality=85)
    return out.getvalue()


def _jpeg(pixels: np.ndarray, exif: bytes) -> bytes:
    if exif:
        return files.jpeg(pixels, quality=92, exif=exif, profile=tags.srgb_profile())
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=92)
    return out.getvalue()


def add_junk(folder: Path, truth: Truth) -> None:
    """What systems and people leave on a card."""
    for name, data in (
        (".DS_Store", b"\0\0\0\1"),
        ("DCIM/._NF_0001.JPG", b"\0\5\x16\7"),
        ("MISC/index.dat", b"x"),
        ("DCIM/100NRFAR/notes.txt", b"lens: the long one"),
        ("DCIM/100NRFAR/empty.JPG", b""),
    ):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        truth.kinds[path] = "junk"


def exposures(taken: Iterator[Taken]) -> list[Fraction]:
    """Exposure times, for tests that look at them."""
    return [t.exposure for t in taken]
