"""Start a process of the server so that it ends with the one that started it: ``child MODULE PARENT``."""

from __future__ import annotations

import os
import runpy
import sys

from nearfar.runner.processes import here


def command(module: str) -> list[str]:
    """Command line that runs a module as a child of this process."""
    return [sys.executable, "-m", "nearfar.runner.processes.child", module, str(os.getpid())]


def main() -> None:
    """Tie this process to its parent, then be the module."""
    module, parent = sys.argv[1:3]
    here.die_with_parent(int(parent))
    sys.argv[1:] = []
    runpy.run_module(module, run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
