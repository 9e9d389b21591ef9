"""Which folders are cards: all that was taken on a day, to be sorted into stacks, instead of one stack.

A card is what lies loose in a watched folder, a folder with a camera's own folders in it, or one with the marker
``nearfar.card``. All that lies below belongs to it.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Sequence
from dataclasses import replace

from nearfar.intake.names import CARD, stack_name
from nearfar.intake.scanning import Folder

# DCF 2.0 (JEITA CP-3461), 3.2: folders of a camera lie in DCIM, are numbered 100 to 999 and go on with five characters.
ROOT = "dcim"
NUMBERED = re.compile(r"[1-9]\d\d[0-9A-Za-z_]{5}")

Parts = tuple[str, ...]


def card_id(path: str) -> str:
    """A name for programs: the same for the same folder at every start."""
    return hashlib.blake2b(os.fsencode(path), digest_size=8).hexdigest()


def card_name(parts: Parts) -> str:
    """A name for people; empty for loose frames, and for a camera's folders without one around them."""
    return "" if not parts or parts[-1].casefold() == ROOT else stack_name(parts)


def apart(folders: Sequence[Folder]) -> tuple[list[Folder], list[Folder]]:
    """Divide folders into cards and stacks.

    Parameters
    ----------
    folders
        A watched folder and all below, as `scan` found them.

    Returns
    -------
    Cards, each as one folder whose files are named by their paths within it; and all other folders as they are. The
    watched folder itself is always a card.
    """
    tops = _tops(folders)
    inside: dict[Parts, list[Folder]] = {top: [] for top in tops}
    rest: list[Folder] = []
    loose: list[Folder] = []
    for folder in folders:
        top = next((folder.parts[:n] for n in range(len(folder.parts) + 1) if folder.parts[:n] in tops), None)
        if top is not None:
            inside[top].append(folder)
        elif folder.parts:
            rest.append(folder)
        else:
            loose.append(folder)
    return [*loose, *(_gathered(found) for found in inside.values())], rest


def _tops(folders: Sequence[Folder]) -> set[Parts]:
    """Topmost folders of cards."""
    found = {folder.parts for folder in folders if CARD in folder.ours}
    for folder in folders:
        above = folder.parts[:-1]
        if above and above[-1].casefold() == ROOT and NUMBERED.fullmatch(folder.parts[-1]):
            found.add(above[:-1] or above)
    return {top for top in found if not any(top[:n] in found for n in range(len(top)))}


def _gathered(folders: Sequence[Folder]) -> Folder:
    """A folder and those below it as one, the first of them being the topmost."""
    top = min(folders, key=lambda folder: len(folder.parts))
    card = replace(top, frames={}, temporary={}, side_cars={}, ignored=[])
    for folder in sorted(folders, key=lambda folder: folder.parts):
        before = "".join(f"{part}/" for part in folder.parts[len(top.parts) :])
        card.frames |= {before + name: mark for name, mark in folder.frames.items()}
        card.temporary |= {before + name: mark for name, mark in folder.temporary.items()}
        card.side_cars |= {before + name: mark for name, mark in folder.side_cars.items()}
        card.ignored += [(before + name, why) for name, why in folder.ignored]
        if folder.problem and not card.problem:
            card.problem = f"{folder.path}: {folder.problem}"
    return card
