"""Who gives a command on the server's own machine."""

from __future__ import annotations

import getpass


def who() -> str:
    """The user of the system, as the trail names whoever sits at the console."""
    return f"{getpass.getuser()} (console)"
