"""Digest fields of RFC 9530: what ``Repr-Digest``, ``Content-Digest`` and announced digests say, and whether it is true."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import re
from collections.abc import Mapping
from typing import Any

ALGORITHMS: Mapping[str, str] = {"sha-256": "sha256", "sha-512": "sha512"}
"""Active ones of the registry that RFC 9530 makes (section 7.2), by hashlib's names; others are passed over (section 2)."""
MEMBER = re.compile(r"([a-z*][a-z0-9_\-.*]*)=:([A-Za-z0-9+/]*={0,2}):(?:;[^,]*)?")
"""A member of a dictionary whose value is a byte sequence (RFC 9651, 3.2 and 3.3.5)."""


def parse(field: str) -> dict[str, bytes]:
    """Digests of a field by algorithm; algorithms that are not known here are left out.

    Raises
    ------
    ValueError
        If it is no such field, or a digest has the wrong length; says what was found.
    """
    found: dict[str, bytes] = {}
    for part in field.split(","):
        match = MEMBER.fullmatch(part.strip(" \t"))
        if match is None:
            raise ValueError(f"{part.strip()[:100]!r} is not a digest; write for example sha-256=:BASE64:")
        name, text = match[1], match[2]
        if name not in ALGORITHMS:
            continue
        try:
            value = base64.b64decode(text, validate=True)
        except binascii.Error as error:
            raise ValueError(f"{text[:100]!r} is not base64") from error
        expected = hashlib.new(ALGORITHMS[name]).digest_size
        if len(value) != expected:
            raise ValueError(f"a {name} digest has {expected} bytes; found {len(value)}")
        found[name] = value
    return found


def written(digests: Mapping[str, bytes]) -> str:
    """The field for these digests."""
    return ", ".join(f"{name}=:{base64.b64encode(value).decode()}:" for name, value in digests.items())


class Check:
    """Digests bytes as they arrive, and compares at the end with what was announced."""

    def __init__(self, expected: Mapping[str, bytes]) -> None:
        self.expected = expected
        self._sums: dict[str, Any] = {name: hashlib.new(ALGORITHMS[name]) for name in expected}

    def update(self, data: bytes | memoryview) -> None:
        """Take the next bytes."""
        for running in self._sums.values():
            running.update(data)

    def mismatch(self) -> str | None:
        """What was announced and what was found, if they differ."""
        for name, running in self._sums.items():
            if not hmac.compare_digest(running.digest(), self.expected[name]):
                found, announced = (written({name: v}) for v in (running.digest(), self.expected[name]))
                return f"announced {announced}, found {found}"
        return None
