"""Small pictures of a card's frames, to be shown to a person: made of the looks that sorting took, no frame is opened."""

from __future__ import annotations

import contextlib
import hashlib
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import simplejpeg

from nearfar.frames.orient import of_most, upright
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

    A picture that is there already stays; one whose frame is gone goes. Frames of a stack are turned as a merge turns
    them: those of one stored size alike, whatever their orientation tags say.
    """
    folder = files.folder / name
    folder.mkdir(parents=True, exist_ok=True)
    found: dict[str, str] = {}
    with CardCache(files.folder) as cache:
        frames = list(_looked_at(card, cache))
        for frame in frames:
            frame.turn = frame.own
        for stack in _with_what_was_left_out(card):
            within = [frame for frame in frames if frame.path in stack]
            turns = of_most((f.stored, f.own) for f in within if stack[f.path])
            for frame in within:
                frame.turn = turns.get(frame.stored, frame.own)
        for frame in frames:
            with contextlib.suppress(OSError):
                file = files.small_file(name, frame.picture)
                if file.exists() or _write(cache, frame, file):
                    found[str(frame.path)] = frame.picture
    wanted = {f"{picture}.jpg" for picture in found.values()}
    for old in folder.iterdir():
        if old.name not in wanted:
            old.unlink(missing_ok=True)
    return found


@dataclass(kw_only=True)
class _Frame:
    """A frame, what is known of the file that shows it, and the orientation to show it by."""

    path: Path
    key: str
    stored: tuple[int, int]
    own: int
    turn: int = 1

    @property
    def picture(self) -> str:
        """The name of its small picture: another one for another turn."""
        told = self.key if self.turn == self.own else f"{self.key}:{self.turn}"
        return hashlib.blake2b(told.encode(), digest_size=12).hexdigest()


def _looked_at(card: SortedCard, cache: CardCache) -> Iterator[_Frame]:
    """Every exposure once for each file that its picture may have been looked at in."""
    for path, shown in _shown(card):
        with contextlib.suppress(OSError):
            key = file_key(shown.stat())
            glance = cache.glance(key)
            stored, own = ((glance.width, glance.height), glance.orientation) if glance else ((0, 0), 1)
            yield _Frame(path=path, key=key, stored=stored, own=own)


def _with_what_was_left_out(card: SortedCard) -> Iterator[dict[Path, bool]]:
    """Of each stack its frames, and those left out of it; whether they count as frames."""
    left: dict[str, list[Path]] = defaultdict(list)
    for entry in card.left_out:
        if entry.stack is not None:
            left[entry.stack].append(entry.path)
    for stack in card.stacks:
        yield dict.fromkeys(left[stack.name], False) | dict.fromkeys(stack.frames, True)


def _write(cache: CardCache, frame: _Frame, file: Path) -> bool:
    look = cache.look(frame.key, CHEAP) or cache.look(frame.key, CLOSE)
    if look is None:
        return False
    shape = frame.stored[0] / frame.stored[1] if all(frame.stored) else 1.5
    part = file.with_suffix(".part")
    part.write_bytes(small_picture(look, min(max(shape, 0.25), 4.0), frame.turn))
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
