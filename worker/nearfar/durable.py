"""What has to survive a power cut is forced to the disk before anything relies on it."""

from __future__ import annotations

import os
from pathlib import Path


def sync(path: Path) -> None:
    """Force the contents of a file, or the names in a folder, to the disk (fsync(2)). Raises `OSError`."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
