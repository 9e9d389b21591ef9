"""``python -m nearfar.cli``: the command, if it is not installed as `nearfar`."""

from __future__ import annotations

import sys

from nearfar.cli.command import main

if __name__ == "__main__":
    sys.exit(main())
