"""Which C sources there are, as a digest: a library of other sources may take structures for what they no longer are."""

from __future__ import annotations

import hashlib
from pathlib import Path


def digest_of(folder: Path) -> str:
    """Digest of the C files and headers in a folder, by name and content: 16 hexadecimal digits, "" where there are none."""
    files = sorted([*folder.glob("*.c"), *folder.glob("*.h")])
    found = hashlib.sha256()
    for path in files:
        found.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return found.hexdigest()[:16] if files else ""
