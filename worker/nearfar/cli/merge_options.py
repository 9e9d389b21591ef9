"""The options of ``nearfar merge``; the work itself is in `nearfar.cli.merge`, which takes half a second to load."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nearfar.cli.command import Commands, Signals

HELP = """\
Merge the frames of one stack into one picture that is sharp from near to far.

Frames are only read. Beside PICTURE.tif (16 bit, with the frames' colour profile and camera data) lie its preview,
the map of frames, and the report. A run that was stopped goes on where it was when the same command is given again.
"""


def add_parsers(commands: Commands) -> None:
    """Add ``merge`` to the command line."""
    merge = commands.add_parser(
        "merge",
        help="merge the frames of one stack",
        description=HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    merge.add_argument(
        "frames",
        nargs="+",
        type=Path,
        metavar="FRAME_OR_FOLDER",
        help="the frames of one stack, or the folder in which they lie",
    )
    merge.add_argument("--out", required=True, type=Path, metavar="PICTURE.tif", help="the picture to make")
    merge.add_argument(
        "--report",
        type=Path,
        metavar="REPORT.json",
        help="what happened to each frame (default: beside the picture)",
    )
    merge.add_argument(
        "--recipe",
        default="standard",
        metavar="NAME|FILE",
        help="merge settings: standard, landscape, macro, microscope, flicker, or a TOML file (default: %(default)s)",
    )
    merge.add_argument(
        "--memory", metavar="SIZE", help="the most memory to use, like 2GiB (default: half of what is free)"
    )
    merge.add_argument("--threads", metavar="N", help="threads that work at once (default: all processors)")
    merge.add_argument(
        "--scratch", metavar="DIR", help="folder for what is made on the way (default: in ~/.cache)"
    )
    merge.add_argument(
        "--reference",
        metavar="FRAME",
        help="frame whose geometry the picture takes (default: the middle one)",
    )
    merge.add_argument(
        "--keep-scratch", action="store_true", help="keep what was made on the way to a finished picture"
    )
    merge.add_argument(
        "--quiet", action="store_true", help="only errors on standard error, nothing on standard output"
    )
    merge.set_defaults(run=run)


def run(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar merge``."""
    from nearfar.cli import merge

    return merge.run(options, signals)
