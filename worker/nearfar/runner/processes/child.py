"""Start a process of the server so that it ends with the one that started it: ``child MODULE PARENT``."""

from __future__ import annotations

import gc
import importlib
import os
import sys

from nearfar.runner.processes import here


def command(module: str) -> list[str]:
    """Command line that runs the `main` of a module as a child of this process."""
    return [sys.executable, "-m", "nearfar.runner.processes.child", module, str(os.getpid())]


def main() -> int:
    """Tie this process to its parent, load the module, run it; its exit code."""
    module, parent = sys.argv[1:3]
    here.die_with_parent(int(parent))
    sys.argv[1:] = []
    gc.disable()  # what is loaded stays: looking for what nobody needs any longer took a tenth of each start
    try:
        run = importlib.import_module(module).main
    finally:
        gc.freeze()
        gc.enable()
    return int(run())


if __name__ == "__main__":
    sys.exit(main())
