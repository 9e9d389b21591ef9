"""Small pictures of a card's frames, to be shown to a person: made of the looks that sorting took, no frame is opened."""

from __future__ import annotations

import contextlib
import hashlib
from collections import defaultdict
from pathlib import Path

import cv2
import numpy as np
import simplejpeg

from nearfar.frames.orient import upright
from nearfar.intake.card.cache import CardCache, file_key
from nearfar.intake.card.kept_card import CardFiles
from nearfar.intake.card.previews import CHEAP, CLOSE, SMALL, Look
from nearfar.intake.card.sorted_card import SortedCard

QUALITY = 80


def small_picture(look: Look, shape: float = 1.5, orientation: int = 1) -> bytes:
    """A look as a JPEG, upright: brightness as fine as it is, colour by block.

    ``shape`` is width over height as stored, ``orientation`` that of Exif (1 to 8).
    """
    rows, columns = SMALL
    colour = cv2.resize(look.colour, (columns, rows), interpolation=cv2.INTER_LINEAR)
    mixed = np.asarray(cv2.cvtColor(colour, cv2.COLOR_RGB2YCrCb), np.uint8)
    mixed[..., 0] = look.small
    pixels = cv2.cvtColor(mixed, cv2.COLOR_YCrCb2RGB)
    width, height = (round(rows * shape), rows) if shape >= 1 else (rows, round(rows / shape))
    pixels = cv2.resize(pixels, (width, height), interpolation=cv2.INTER_AREA)
    turned = upright(np.asarray(pixels, np.uint8), orientation)
    return bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(turned), QUALITY))


def keep_small(card: SortedCard, files: CardFiles, name: str) -> dict[str, str]:
    """Write small pictures of all frames that were looked at; their names by the frame's path, escapes and all.

    A picture that is there already stays; one whose frame is gone goes.
    """
    folder = files.folder / name
    folder.mkdir(parents=True, exist_ok=True)
    found: dict[str, str] = {}
    with CardCache(files.folder) as cache:
        for path, shown in _shown(card):
            with contextlib.suppress(OSError):
                key = file_key(shown.stat())
                picture = hashlib.blake2b(key.encode(), digest_size=12).hexdigest()
                if _keep(cache, key, shown, files.small_file(name, picture)):
                    found[str(path)] = picture
    wanted = {f"{picture}.jpg" for picture in found.values()}
    for old in folder.iterdir():
        if old.name not in wanted:
            old.unlink(missing_ok=True)
    return found


def _keep(cache: CardCache, key: str, path: Path, file: Path) -> bool:
    if file.exists():
        return True
    look = cache.look(key, CHEAP) or cache.look(key, CLOSE)
    if look is None:
        return False
    glance = cache.glance(key)
    shape = glance.width / glance.height if glance and glance.width and glance.height else 1.5
    part = file.with_suffix(".part")
    part.write_bytes(small_picture(look, min(max(shape, 0.25), 4.0), glance.orientation if glance else 1))
    part.replace(file)
    return True


def _shown(card: SortedCard) -> list[tuple[Path, Path]]:
    """Every exposure, with the files that its picture may have been looked at in."""
    twins: dict[tuple[Path, str], list[Path]] = defaultdict(list)
    for entry in card.left_out:
        twins[entry.path.parent, entry.path.stem.casefold()].append(entry.path)
    return [
        (path, shown)
        for path in card.order
        for shown in (path, *twins.get((path.parent, path.stem.casefold()), ()))
    ]
