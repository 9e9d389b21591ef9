"""The first lines of the command: until it listens to signals itself, Ctrl-C ends it as it ends any program."""

from __future__ import annotations

import signal


def main() -> int:
    """Entry point; returns the exit code of nearfar.errors."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    from nearfar.cli.command import main as command

    return command()
