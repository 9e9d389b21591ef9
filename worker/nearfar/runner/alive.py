"""Whether the processes of this machine or container make progress: ``python -m nearfar.runner.alive`` ends with 0 if so.

The process that started them touches the file that ``NEARFAR_ALIVE`` names, as long as all of them give signs of progress.
"""

from __future__ import annotations

import logging
import os
import sys
import time
from pathlib import Path

log = logging.getLogger(__name__)

VARIABLE = "NEARFAR_ALIVE"
EVERY = 2.0
"""Seconds between two touches."""
OLD = 20.0
"""Seconds after which a touch no longer counts."""
_told = [float("-inf")]


def tell(now: float) -> None:
    """Touch the file, if one is named and some time has passed; ``now`` is monotonic."""
    name = os.environ.get(VARIABLE)
    if not name or now - _told[0] < EVERY:
        return
    _told[0] = now
    try:
        Path(name).touch()
    except OSError as error:
        log.warning("%s=%s: %s", VARIABLE, name, error.strerror or error, extra={"action": "alive.not-told"})


def main() -> int:
    """0 if all make progress; else 1, with the reason on standard error."""
    name = os.environ.get(VARIABLE, "")
    try:
        age = time.time() - Path(name).stat().st_mtime
    except OSError:
        sys.stderr.write(f"{VARIABLE}={name}: no sign of progress yet\n")
        return 1
    if age > OLD:
        sys.stderr.write(f"no sign of progress for {age:.0f} s\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
