"""What the name of an entry in a watched folder tells: frame, temporary, left behind, or for Nearfar itself."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from enum import Enum
from fnmatch import translate
from functools import lru_cache

from nearfar.intake.listing import JUNK, PICTURES

TEMPORARY = (
    *("*.part", "*.filepart", "*.crdownload", "*.tmp", "*.partial", "*.download", "*.opdownload"),
    *("~syncthing~*", ".syncthing.*", ".unison.*"),
)
"""Names under which copy programs and sync clients write until a file is whole; `_RSYNC` besides."""
JUNK_FOLDERS = (".*", "@eaDir", "#recycle", "$RECYCLE.BIN", "lost+found", "System Volume Information")
READY, EXPECT, WISHES, CARD = "nearfar.ready", "nearfar.expect", "nearfar.toml", "nearfar.card"
"""An empty file: all is here. A number: so many frames are to come. Settings for this folder and those below. An empty
file: all below is to be sorted into stacks."""
WATCHED_BY = ".nearfar.watched"
"""In a watched folder: which server watches it, and holds a lock on this file."""
OURS = frozenset({READY, EXPECT, WISHES, CARD})
SIDE_CARS = frozenset({".xmp"})
# A dot, the name, a dot and six letters; "._" begins what a Mac leaves behind.
_RSYNC = re.compile(r"\.(?!_).+\.[A-Za-z0-9]{6}", re.DOTALL)


class Sort(Enum):
    """Sorts of entries that are files."""

    FRAME = 1
    TEMPORARY = 2
    OURS = 3
    SIDE_CAR = 4
    IGNORED = 5


def _any_of(patterns: Sequence[str]) -> Callable[[str], object]:
    return re.compile("|".join(translate(p.casefold()) for p in patterns) or r"(?!)").match


_temporary = _any_of(TEMPORARY)
_junk = _any_of(JUNK)
_junk_folder = _any_of(JUNK_FOLDERS)


def junk_folder(name: str) -> bool:
    """Whether a folder is one that systems leave behind, and never looked into."""
    return bool(_junk_folder(name.casefold()))


def sorter(ignore: Sequence[str] = ()) -> Callable[[str], tuple[Sort, str]]:
    """What sorts file names, with patterns of names to be ignored besides: the sort, and the reason to ignore it."""
    own = _any_of(ignore)

    @lru_cache(maxsize=1 << 16)
    def sort(name: str) -> tuple[Sort, str]:
        plain = name.casefold()
        if name in OURS:
            return Sort.OURS, ""
        if own(plain):
            return Sort.IGNORED, "by the pattern of inbox.ignore"
        if _temporary(plain) or _RSYNC.fullmatch(name):
            return Sort.TEMPORARY, ""
        if _junk(plain):
            return Sort.IGNORED, "left behind by a system or a copy program"
        ending = plain[plain.rfind(".") :] if "." in plain else ""
        if ending in PICTURES:
            return Sort.FRAME, ""
        if ending in SIDE_CARS:
            return Sort.SIDE_CAR, "a side-car, not a picture"
        return Sort.IGNORED, f"not a picture by its ending ({ending or 'none'})"

    return sort


TURNING = {"LRE", "RLE", "PDF", "LRO", "RLO", "LRI", "RLI", "FSI", "PDI"}
TURNING_MARKS = "\u200e\u200f\u061c"
"""Characters that turn the direction of text (Unicode Standard Annex 9, 2): a name could pass for another one."""


def stack_name(parts: Sequence[str]) -> str:
    """A name for people: the folder's parts in one spelling, joined by '-', without what cannot be printed."""
    name = unicodedata.normalize("NFC", "-".join(parts))
    kept = (c for c in name if unicodedata.bidirectional(c) not in TURNING and c not in TURNING_MARKS)
    clean = "".join(" " if unicodedata.category(c) in {"Cc", "Zl", "Zp"} else c for c in kept)
    clean = clean.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    return " ".join(clean.split()) or "unnamed"
