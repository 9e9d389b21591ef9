"""What a folder itself says about its stacks: who owns them, which recipe, and whether all of it has arrived.

``nearfar.toml`` in a stack's folder, or in any folder above it within the watched one, may hold ``recipe``, ``owner``,
``priority`` and ``reference``; the nearest folder that says something wins, for each of them. ``nearfar.expect`` holds
the number of frames to come.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from nearfar.errors import InputRefused

LARGEST = 64 << 10
"""Bytes of a settings file of a folder."""
MOST_FRAMES = 1_000_000


@dataclass(frozen=True, kw_only=True)
class Wishes:
    """What was said, and None if nothing was."""

    owner: str | None = None
    recipe: str | None = None
    priority: int | None = None
    reference: str | None = None

    def over(self, other: Wishes) -> Wishes:
        """These, and the other's if nothing is said here."""
        said = {name: value for name, value in asdict(self).items() if value is not None}
        return Wishes(**asdict(other) | said)

    def said(self) -> str:
        """All of it in one line, to be compared."""
        return json.dumps({k: v for k, v in asdict(self).items() if v is not None}, sort_keys=True)


def read_wishes(files: Sequence[Path]) -> Wishes:
    """Wishes of several settings files, from the watched folder down to the stack's.

    Raises
    ------
    InputRefused
        If one cannot be read, or says something that is not known.
    """
    wishes = Wishes()
    for file in files:
        wishes = _one(file).over(wishes)
    return wishes


def _one(file: Path) -> Wishes:
    try:
        with open(file, "rb") as opened:
            content = tomllib.loads(opened.read(LARGEST).decode("utf-8"))
    except FileNotFoundError:
        return Wishes()
    except OSError as error:
        raise InputRefused(f"{file}: cannot be read ({error.strerror}); change its permissions") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputRefused(
            f"{file}: not readable as TOML ({error}); correct the file or remove it"
        ) from error
    for name, value in content.items():
        _check(file, name, value)
    return Wishes(**content)


def _check(file: Path, name: str, value: Any) -> None:
    known = {"owner": str, "recipe": str, "priority": int, "reference": str}
    if name not in known:
        raise InputRefused(
            f"{file}: {name} is not a setting of a folder; known are {', '.join(known)}. Correct the file or remove it."
        )
    if type(value) is not known[name]:
        expected = "a whole number" if known[name] is int else "text in quotes"
        raise InputRefused(f"{file}: {name}: found {value!r}; expected {expected}")
    if isinstance(value, str) and not 1 <= len(value.strip()) <= 200:
        raise InputRefused(f"{file}: {name}: found {value[:50]!r}; expected text of 1 to 200 characters")
    if isinstance(value, int) and not -9 <= value <= 9:
        raise InputRefused(f"{file}: {name}: found {value}; expected -9 to 9")
    if name == "recipe" and not re.fullmatch(r"[\w-]+", str(value)):
        raise InputRefused(f"{file}: recipe: found {value!r}; expected the name of a recipe of this server")


def read_expected(file: Path) -> int:
    """The number of frames that a marker says are to come.

    Raises
    ------
    InputRefused
        If there is no number in it.
    """
    try:
        with open(file, "rb") as opened:
            text = opened.read(100).decode("ascii", "replace").strip()
    except OSError as error:
        raise InputRefused(f"{file}: cannot be read ({error.strerror}); change its permissions") from error
    if not re.fullmatch(r"\d{1,7}", text) or not 1 <= int(text) <= MOST_FRAMES:
        raise InputRefused(f"{file}: found {text[:30]!r}; expected the number of frames to come, like 40")
    return int(text)
