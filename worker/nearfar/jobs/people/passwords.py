"""Passwords: what counts as one, and how they are kept and checked.

Kept as Argon2id with the second set of parameters of RFC 9106, section 4 (64 MiB, 3 passes, 4 lanes), which is what the
library takes by itself. No more than two are reckoned at a time, so that tries to log in cannot use up the memory.
"""

from __future__ import annotations

import threading
import unicodedata
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from nearfar.errors import UsageError

SHORTEST = 15
"""Characters, if nothing but the password is asked for (NIST SP 800-63B-4, 3.1.1.2; from memory)."""
LONGEST = 256
DIFFERENT = 5
"""Characters that differ, at least: common practice, no source."""
AT_ONCE = 2

_hasher = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)
_turns = threading.BoundedSemaphore(AT_ONCE)


def check(password: str, *, name: str) -> None:
    """Refuse a password that is easily guessed. No mixture of kinds of characters is asked for. Raises `UsageError`."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise UsageError(
            f"the password has {len(password)} characters; expected {SHORTEST} to {LONGEST}. Some words in a row will do"
        )
    if len(set(password)) < DIFFERENT or name.casefold() == password.casefold():
        raise UsageError(
            "the password is the account's name or the same few characters again and again; choose another"
        )


def kept(password: str) -> str:
    """What is stored of a password."""
    with _turns:
        return _hasher.hash(_normal(password))


def holds(password: str, stored: str | None) -> bool:
    """Whether a password is the one that ``stored`` was made from; takes equally long if nothing is stored."""
    with _turns:
        try:
            _hasher.verify(stored or _nobodys(), _normal(password))
        except (VerificationError, InvalidHashError):
            return False
    return stored is not None


def ageing(stored: str) -> bool:
    """Whether it was stored with weaker parameters than are used today."""
    return _hasher.check_needs_rehash(stored)


@cache
def _nobodys() -> str:
    return _hasher.hash("nobody has this password")


def _normal(password: str) -> bytes:
    """However the keyboard composes its characters (NIST SP 800-63B: NFKC); no more than is of use."""
    return unicodedata.normalize("NFKC", password[: 4 * LONGEST]).encode("utf-8", "surrogatepass")
