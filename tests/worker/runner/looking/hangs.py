"""Takes the place of the process that makes frames ready: it reads a question and hangs or, asked to, dies."""

from __future__ import annotations

import os
import sys
import time


def main() -> int:
    sys.stdin.readline()
    sys.stdin.readline()
    if os.environ.get("HANGS_AND") == "dies":
        os._exit(3)
    time.sleep(600)
    return 0
