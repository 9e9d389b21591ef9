"""The command ``nearfar``."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from types import FrameType

from nearfar import __version__, settings
from nearfar.errors import Interrupted, NearfarError, StackRefused, UsageError
from nearfar.frames.decode import read_header
from nearfar.intake.listing import in_sequence, list_frames
from nearfar.merge import recipe
from nearfar.merge.deliver import Outputs
from nearfar.merge.stack import Job, Merge, Stop
from nearfar.progress import Progress

MERGE_HELP = """\
Merge the frames of one stack into one picture that is sharp from near to far.

Frames are only read. Beside PICTURE.tif (16 bit, with the frames' colour profile and camera data) lie its preview,
the map of frames, and the report. A run that was stopped goes on where it was when the same command is given again.
"""


class _Parser(argparse.ArgumentParser):
    """An argument parser whose complaints are errors of ours."""

    def error(self, message: str) -> None:  # type: ignore[override]
        raise UsageError(f"{message}. Try '{self.prog} --help'.")


def parser() -> argparse.ArgumentParser:
    """The command line of ``nearfar``."""
    top = _Parser(prog="nearfar", description="From frames focused from near to far to one sharp picture.")
    top.add_argument("--version", action="version", version=f"Nearfar {__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    merge = commands.add_parser(
        "merge",
        help="merge the frames of one stack",
        description=MERGE_HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    merge.add_argument("frames", nargs="+", type=Path, metavar="FRAME_OR_FOLDER")
    merge.add_argument("--out", required=True, type=Path, metavar="PICTURE.tif", help="the picture to make")
    merge.add_argument("--report", type=Path, metavar="REPORT.json", help="default: beside the picture")
    merge.add_argument(
        "--recipe",
        default=recipe.DEFAULT,
        metavar="NAME|FILE",
        help=f"merge settings: {', '.join(recipe.names())}, or a TOML file",
    )
    merge.add_argument(
        "--memory", metavar="SIZE", help="memory allowed, like 2GiB (default: half of what is free)"
    )
    merge.add_argument("--threads", metavar="N", help="threads (default: all processors)")
    merge.add_argument("--scratch", metavar="DIR", help="folder for what is made on the way")
    merge.add_argument("--reference", metavar="FRAME", help="frame whose geometry the picture takes")
    merge.add_argument(
        "--keep-scratch", action="store_true", help="keep the scratch files of a finished picture"
    )
    merge.add_argument("--quiet", action="store_true", help="no progress on standard error")
    merge.set_defaults(run=run_merge)
    return top


def _check_outputs(outputs: Outputs, frames: Sequence[Path]) -> None:
    """Refuse outputs that cannot be written or would lie on a frame."""
    if outputs.picture.suffix.casefold() not in (".tif", ".tiff"):
        raise UsageError(
            f"--out {outputs.picture}: found the ending {outputs.picture.suffix!r}; expected .tif"
        )
    for target in (outputs.picture, *outputs.side_files()):
        if not target.absolute().parent.is_dir():
            raise UsageError(f"{target}: there is no folder {target.absolute().parent}; make it first")
        if target.is_dir():
            raise UsageError(f"{target} is a folder; give the name of a file")
        for frame in frames:
            if target.exists() and frame.exists() and target.samefile(frame):
                raise UsageError(
                    f"{target} is one of the frames; frames are never written to. Give another name"
                )


def run_merge(options: argparse.Namespace) -> int:
    """``nearfar merge``."""
    limits = settings.load(memory=options.memory, threads=options.threads, scratch=options.scratch)
    chosen = recipe.load(options.recipe)
    outputs = Outputs.beside(options.out, options.report)
    listing = list_frames(options.frames)
    _check_outputs(outputs, listing.frames)
    own = {p.absolute() for p in (outputs.picture, *outputs.side_files())}
    frames = [p for p in listing.frames if p.absolute() not in own]
    if not frames:
        raise StackRefused("no frames are left besides the picture itself; give the folder of the frames")
    progress = Progress(quiet=options.quiet)
    for path, reason in listing.passed_over:
        progress.note(f"passed over {path.name!r}: {reason}")
    stop = Stop()
    job = Job(
        headers=in_sequence([read_header(p) for p in frames]),
        outputs=outputs,
        recipe=chosen,
        memory=limits.memory,
        threads=limits.threads,
        scratch=limits.scratch,
        reference=options.reference,
        keep_scratch=options.keep_scratch,
        notes=tuple(f"passed over {p.name}: {reason}" for p, reason in listing.passed_over),
    )
    with _signals(stop):
        report = Merge(job, progress, stop).run()
    if not options.quiet:
        _say(report.content, outputs)
    return 0


def _say(content: dict[str, object], outputs: Outputs) -> None:
    frames = content["frames"]
    assert isinstance(frames, list)  # noqa: S101 - the report's own form
    used = sum(bool(f["used"]) for f in frames)
    print(f"{outputs.picture}: {used} of {len(frames)} frames; report in {outputs.report}")
    for f in frames:
        if not f["used"]:
            print(f"left out {f['name']}: {f['why']}")
    for kind in ("gaps", "warnings"):
        for entry in content[kind]:  # type: ignore[attr-defined]
            print(entry["text"] if isinstance(entry, dict) else entry)


class _signals:  # noqa: N801 - used like a function
    """While the block runs, SIGINT and SIGTERM ask the work to stop; a second one ends it at once."""

    def __init__(self, stop: Stop) -> None:
        self.stop = stop
        self.before: dict[int, Callable[[int, FrameType | None], object] | int | None] = {}

    def __enter__(self) -> None:
        for number in (signal.SIGINT, signal.SIGTERM):
            self.before[number] = signal.signal(number, self._ask)

    def _ask(self, number: int, _frame: FrameType | None) -> None:
        self.stop.ask("Ctrl-C" if number == signal.SIGINT else "SIGTERM")
        signal.signal(number, signal.SIG_DFL)

    def __exit__(self, *_: object) -> None:
        for number, handler in self.before.items():
            signal.signal(number, handler)


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point; returns the exit code of nearfar.errors."""
    try:
        options = parser().parse_args(arguments)
        return int(options.run(options))
    except Interrupted as error:
        print(f"nearfar: {error}", file=sys.stderr)
        return error.exit_code
    except NearfarError as error:
        print(f"nearfar: {error}", file=sys.stderr)
        return error.exit_code
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        print(f"nearfar: {name}{error.strerror or error}", file=sys.stderr)
        return 4


if __name__ == "__main__":
    sys.exit(main())
