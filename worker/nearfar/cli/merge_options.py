"""The options of ``nearfar merge``; the work itself is in `nearfar.cli.merge`, which takes half a second to load."""

from __future__ import annotations

import argparse
import gc
from pathlib import Path
from typing import TYPE_CHECKING

from nearfar.cli.parsers import add_command

if TYPE_CHECKING:
    from nearfar.cli.command import Commands, Signals

HELP = """\
Merge the frames of one stack into one picture that is sharp from near to far.

Frames are only read. Beside PICTURE.tif (16 bit, with the frames' colour profile and camera data) lie its preview,
the map of frames, and the report. If a run is interrupted, the same command continues from there.
"""


def add_parsers(commands: Commands) -> None:
    """Add ``merge`` to the command line."""
    merge = add_command(commands, "merge", "merge the frames of one stack", HELP)
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
        "--memory", metavar="SIZE", help="memory limit, e.g. 2GiB (default: half of what is free)"
    )
    merge.add_argument("--threads", metavar="N", help="number of threads (default: all processors)")
    merge.add_argument(
        "--scratch", metavar="DIR", help="folder for intermediate files (default: in ~/.cache)"
    )
    merge.add_argument(
        "--reference",
        metavar="FRAME",
        help="frame whose geometry the picture takes (default: the middle one)",
    )
    merge.add_argument("--keep-scratch", action="store_true", help="keep intermediate files after success")
    merge.add_argument("--quiet", action="store_true", help="print errors only")
    merge.set_defaults(run=run)


def run(options: argparse.Namespace, signals: Signals) -> int:
    """``nearfar merge``."""
    gc.disable()  # what is loaded stays: a fifth of the time went into looking for what nobody needs any longer
    try:
        from nearfar.cli import merge
    finally:
        gc.freeze()
        gc.enable()
    return merge.run(options, signals)
