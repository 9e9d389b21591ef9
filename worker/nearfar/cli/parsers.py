"""What the parsers of all commands have in common."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nearfar.cli.command import Commands


class _Help(argparse.HelpFormatter):
    """Paragraphs of a description are as wide as the terminal; one that is indented keeps its lines."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        fill = super()._fill_text
        parts = text.strip("\n").split("\n\n")
        return "\n\n".join(part if part.startswith(" ") else fill(part, width, indent) for part in parts)


def add_command(commands: Commands, name: str, short: str, description: str) -> argparse.ArgumentParser:
    """Add a command: ``short`` for the list of commands, ``description`` for its help, a blank line between paragraphs."""
    return commands.add_parser(
        name,
        help=short,
        description=description,
        formatter_class=_Help,
        allow_abbrev=False,
    )
