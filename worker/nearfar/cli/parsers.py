"""What the parsers of all commands have in common."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nearfar.cli.command import Commands


def add_command(commands: Commands, name: str, short: str, description: str) -> argparse.ArgumentParser:
    """Add a command: ``short`` for the list of commands, ``description`` for its help, line breaks kept."""
    return commands.add_parser(
        name,
        help=short,
        description=description,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
