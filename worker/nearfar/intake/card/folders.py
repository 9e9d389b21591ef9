"""Which folders are cards: all that was taken on a day, to be sorted into stacks, instead of one stack.

A card is what lies loose in a watched folder, a folder with ``DCIM`` in it, or one with the marker ``nearfar.card``, with
all that lies below; and a camera's own folders without ``DCIM`` around them, together with those that lie beside them.
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
# Outside DCIM only as the standard spells them: a person's folder may well be called '120beans'.
CAMERAS_OWN = re.compile(r"[1-9]\d\d[0-9A-Z_]{5}")

Parts = tuple[str, ...]


def card_id(path: str) -> str:
    """A name for programs: the same for the same folder at every start."""
    return hashlib.blake2b(os.fsencode(path), digest_size=8).hexdigest()


def card_name(parts: Parts) -> str:
    """A name for people; empty for loose frames, and for a camera's folders without one around them."""
    return "" if not parts or parts[-1].casefold() == ROOT else stack_name(parts)


def apart(folders: Sequence[Folder], *, all_cards: bool = False) -> tuple[list[Folder], list[Folder]]:
    """Divide folders into cards and stacks.

    Parameters
    ----------
    folders
        A watched folder and all below, as `scan` found them.
    all_cards
        Whether every folder with frames is a card.

    Returns
    -------
    Cards, each as one folder whose files are named by their paths within it; and all other folders as they are. The
    watched folder itself is always a card.
    """
    homes = _homes(folders, all_cards)
    inside: dict[Parts, list[Folder]] = {top: [] for top in homes.values()}
    rest: list[Folder] = []
    loose: list[Folder] = []
    for folder in folders:
        top = next((homes[part] for part in _from_the_top(folder.parts) if part in homes), None)
        if top is not None:
            inside[top].append(folder)
        elif folder.parts in inside:
            inside[folder.parts].append(folder)
        elif folder.parts:
            rest.append(folder)
        else:
            loose.append(folder)
    return [*loose, *(_gathered(found) for found in inside.values())], rest


def _from_the_top(parts: Parts) -> list[Parts]:
    return [parts[:n] for n in range(len(parts) + 1)]


def _homes(folders: Sequence[Folder], all_cards: bool) -> dict[Parts, Parts]:
    """Folders all of which belongs to a card, and which card that is: the folder itself or one above."""
    whole = {folder.parts for folder in folders if CARD in folder.ours}
    for folder in folders:
        above = folder.parts[:-1]
        if above and above[-1].casefold() == ROOT and NUMBERED.fullmatch(folder.parts[-1]):
            whole.add(above[:-1] or above)
    homes = {top: top for top in whole if not any(part in whole for part in _from_the_top(top)[:-1])}
    stacks = {folder.parts for folder in folders if folder.frames}
    for folder in folders:
        if folder.parts and CAMERAS_OWN.fullmatch(folder.parts[-1]):
            above = folder.parts[:-1]
            if not any(part in homes for part in _from_the_top(folder.parts)):
                homes[folder.parts] = folder.parts if not above or above in stacks else above
    for top in sorted(stacks if all_cards else (), key=len):
        if top and not any(part in homes for part in _from_the_top(top)):
            homes[top] = top
    return homes


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
