"""The contents of a card: which files are exposures, by which camera, in what order, and what the other files are.

Folders are walked through and through; nothing is followed out of them by a link. Every file ends up in one place:
among the exposures, or passed over with the reason.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

from nearfar.errors import FrameRefused, InputRefused
from nearfar.frames.camera import CameraData
from nearfar.frames.glance import Glance, glance
from nearfar.frames.side_car import read_side_car
from nearfar.frames.xmp import read_key
from nearfar.intake.card.cache import CardCache, file_key
from nearfar.intake.card.ordering import Place, body_of, in_order, place_of, seconds_of
from nearfar.intake.listing import DEVELOPED, JUNK, OUR_MARK, PICTURES, RAW, why_twin

SIDE_CAR = ".xmp"
ENDS = 64 << 10
"""Bytes at both ends that must be equal for one file to count as a copy of another."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Exposure:
    """One exposure: the file that represents it, and what is known without decoding the picture."""

    path: Path
    key: str
    found: Glance
    body: str
    place: Place
    seconds: float | None
    """When it was taken, on its camera's clock; None if the file does not say."""
    resolution: float
    """Resolution of that clock, seconds."""
    shown_by: Path
    """The file whose picture is previewed: the developed copy of a raw file, otherwise the file itself."""
    sizes: frozenset[tuple[int, int]]
    """Width and height as stored of each file of this exposure that tells them."""

    @property
    def has_copy(self) -> bool:
        """Whether this is a raw file with a developed copy."""
        return self.shown_by != self.path

    def by_copy(self) -> Exposure:
        """The same exposure, represented by its developed copy."""
        return replace(self, path=self.shown_by)


@dataclass(frozen=True, kw_only=True)
class Card:
    """Exposures of each camera in the order they were taken, and all other files with the reason."""

    cameras: tuple[tuple[Exposure, ...], ...]
    left_out: tuple[tuple[Path, str], ...]


def read_card(paths: Iterable[Path], cache: CardCache) -> Card:
    """Find and order everything on a card.

    Raises
    ------
    InputRefused
        If a path does not exist, or a folder that was given cannot be read.
    """
    left: list[tuple[Path, str]] = []
    pictures, side_cars = _sift(paths, left)
    looked = _glances(pictures, cache, left)
    looked = _without_copies(looked, left)
    looked = _with_side_cars(looked, side_cars, left)
    exposures = _exposures(looked, left)
    cameras: dict[str, list[Exposure]] = defaultdict(list)
    for exposure in exposures:
        cameras[exposure.body].append(exposure)
    ordered = [
        in_order(found, lambda e: e.place, lambda e: (e.seconds, e.resolution)) for found in cameras.values()
    ]
    return Card(cameras=tuple(tuple(c) for c in ordered), left_out=tuple(left))


def _sift(paths: Iterable[Path], left: list[tuple[Path, str]]) -> tuple[list[Path], list[Path]]:
    """Files that may be pictures, and side-cars; all others are noted as left out."""
    pictures: list[Path] = []
    side_cars: list[Path] = []
    for path, top in _files(paths, left):
        reason = None if path == top else _why_not(path, top)
        if reason is None and path.suffix.casefold() == SIDE_CAR:
            side_cars.append(path)
        elif reason is None:
            pictures.append(path)
        else:
            left.append((path, reason))
    return pictures, side_cars


def _files(paths: Iterable[Path], left: list[tuple[Path, str]]) -> Iterator[tuple[Path, Path]]:
    """All files, each once, with the argument that each lies below (or the file itself, if it was named)."""
    seen: set[Path] = set()
    for given in paths:
        if not given.exists() and not given.is_symlink():
            raise InputRefused(f"{given}: there is no such file or folder; give the folder of a card")
        below = _walk(given, left) if given.is_dir() else [given]
        for path in below:
            if path not in seen:
                seen.add(path)
                yield path, given


def _walk(top: Path, left: list[tuple[Path, str]]) -> Iterator[Path]:
    def complain(error: OSError) -> None:
        if error.filename is not None and Path(error.filename) == top:
            raise InputRefused(
                f"{top}: the folder cannot be read ({error.strerror}); change its permissions, or copy the card"
            ) from error
        left.append((Path(error.filename), f"a folder that cannot be read ({error.strerror})"))

    for folder, inner, names in os.walk(top, onerror=complain, followlinks=False):
        inner.sort()
        links = [Path(folder) / name for name in inner if (Path(folder) / name).is_symlink()]
        left += [(link, "a link to a folder; it is not followed") for link in links]
        for name in sorted(names):
            yield Path(folder) / name


def _is_junk(name: str) -> bool:
    return any(fnmatch(name.casefold(), pattern.casefold()) for pattern in JUNK)


def _why_not(path: Path, top: Path) -> str | None:
    """Why a file is no picture by its name, or by a folder that it lies in below ``top``; None if it may be one."""
    if any(_is_junk(part) for part in path.relative_to(top).parts):
        return "left behind by a system or a copy program"
    if path.suffix.casefold() not in PICTURES | {SIDE_CAR}:
        return f"not a picture by its ending ({path.suffix or 'none'})"
    return None


@dataclass(frozen=True, kw_only=True)
class _Looked:
    path: Path
    key: str
    identity: tuple[int, int]
    size: int
    found: Glance


def _glances(pictures: Sequence[Path], cache: CardCache, left: list[tuple[Path, str]]) -> list[_Looked]:
    """Headers of all pictures, from the cache if they were read before; links and results are left out."""
    looked: list[_Looked] = []
    fresh: list[tuple[str, Glance]] = []
    first: dict[tuple[int, int], Path] = {}
    for path in sorted(pictures, key=lambda p: (p.is_symlink(), p)):
        try:
            status = path.stat()
            key = file_key(status)
            kept = cache.glance(key)
            found = kept or glance(path)
        except FrameRefused as error:
            left.append((path, f"cannot be used: found {error.found}"))
            continue
        except OSError as error:
            left.append((path, f"cannot be read ({error.strerror})"))
            continue
        identity = status.st_dev, status.st_ino
        twin = first.setdefault(identity, path)
        if twin != path:
            left.append((path, f"the same file as {twin.name}"))
        elif _ours(path, found):
            left.append((path, "a result of Nearfar, not a frame"))
        else:
            looked.append(_Looked(path=path, key=key, identity=identity, size=status.st_size, found=found))
            if kept is None:
                fresh.append((key, found))
    cache.keep_glances(fresh)
    return looked


def _ours(path: Path, found: Glance) -> bool:
    software = found.camera.software or ""
    return software.startswith(OUR_MARK) or (found.kind == "tiff" and read_key(path) is not None)


def _without_copies(looked: Sequence[_Looked], left: list[tuple[Path, str]]) -> list[_Looked]:
    """Of files that are byte for byte the same under one name, the first; the same card may lie there twice."""
    kept: list[_Looked] = []
    groups: dict[tuple[str, int], list[_Looked]] = defaultdict(list)
    for item in looked:
        alike = groups[item.path.name.casefold(), item.size]
        twin = next((o for o in alike if o.found == item.found and _same_ends(o.path, item.path)), None)
        if twin is None:
            alike.append(item)
            kept.append(item)
        else:
            left.append((item.path, f"a copy of {twin.path}"))
    return kept


def _same_ends(one: Path, other: Path) -> bool:
    def ends(path: Path) -> tuple[bytes, bytes]:
        with path.open("rb") as file:
            head = file.read(ENDS)
            file.seek(max(0, path.stat().st_size - ENDS))
            return head, file.read(ENDS)

    try:
        return ends(one) == ends(other)
    except OSError:
        return False


def _with_side_cars(
    looked: Sequence[_Looked], side_cars: Sequence[Path], left: list[tuple[Path, str]]
) -> list[_Looked]:
    """Add what side-car files say where the file itself says nothing."""
    whose: dict[tuple[Path, str], list[int]] = defaultdict(list)
    for index, item in enumerate(looked):
        for name in {item.path.stem.casefold(), item.path.name.casefold()}:
            whose[item.path.parent, name].append(index)
    done = list(looked)
    for path in side_cars:
        belongs = whose.get((path.parent, path.stem.casefold()), [])
        if not belongs:
            left.append((path, "a side-car of no picture that is here"))
            continue
        told = read_side_car(path)
        for index in belongs:
            item = done[index]
            done[index] = replace(item, found=replace(item.found, camera=_filled(item.found, told)))
        left.append((path, f"the side-car of {done[belongs[0]].path.name}; read, and left as it is"))
    return done


def _filled(found: Glance, told: Mapping[str, Any]) -> CameraData:
    missing = {name: value for name, value in told.items() if getattr(found.camera, name) is None}
    return replace(found.camera, **missing)


def _exposures(looked: Sequence[_Looked], left: list[tuple[Path, str]]) -> list[Exposure]:
    """One exposure for each file, or for a raw file together with its developed copy."""
    by_stem: dict[tuple[Path, str], list[_Looked]] = defaultdict(list)
    for item in looked:
        by_stem[item.path.parent, item.path.stem.casefold()].append(item)
    found = []
    for group in by_stem.values():
        masters = [i for i in group if i.path.suffix.casefold() in RAW]
        developed = [i for i in group if i.path.suffix.casefold() in DEVELOPED]
        shown: _Looked | None = None
        kept = group
        if len(masters) == 1 and developed and all(_one_exposure(masters[0], d) for d in developed):
            shown = developed[0]
            left += [(twin.path, why_twin(masters[0].path)) for twin in developed]
            kept = [i for i in group if i not in developed]
        found += [_exposure(item, shown if item in masters else None) for item in kept]
    return found


def _one_exposure(master: _Looked, other: _Looked) -> bool:
    """Whether nothing that both files tell speaks against one exposure."""
    one, two = master.found.camera, other.found.camera
    for name in ("date_time", "body_serial", "model"):
        a, b = getattr(one, name), getattr(two, name)
        if a is not None and b is not None and a != b:
            return False
    return True


def _exposure(item: _Looked, shown: _Looked | None) -> Exposure:
    camera = item.found.camera
    seen = shown or item
    seconds, resolution = seconds_of(camera)
    return Exposure(
        path=item.path,
        key=seen.key,
        found=replace(item.found, embedded=seen.found.embedded, kind=seen.found.kind)
        if shown
        else item.found,
        body=body_of(item.path, camera),
        place=place_of(item.path),
        seconds=seconds,
        resolution=resolution,
        shown_by=seen.path,
        sizes=frozenset((i.found.width, i.found.height) for i in (item, seen) if i.found.width),
    )
