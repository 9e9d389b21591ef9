"""What ``nearfar merge`` does: from options to a request, and from its outcome to words."""

from __future__ import annotations

import argparse
import ctypes
import errno
import os
import signal
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nearfar import settings
from nearfar.cli.say import say, together
from nearfar.errors import FrameRefused, UsageError, WorkFailed
from nearfar.frames.decode import is_picture, read_header
from nearfar.frames.headers import FrameHeader
from nearfar.intake.listing import gather, made_by_nearfar, too_few
from nearfar.merge import recipe
from nearfar.merge.deliver.outputs import Outputs
from nearfar.merge.stack import Merge, Request, Stop
from nearfar.progress import Progress

if TYPE_CHECKING:
    from nearfar.cli.command import Signals


def run(options: argparse.Namespace, signals: Signals) -> int:
    """Merge what the options name; returns the exit code."""
    limits = settings.load(memory=options.memory, threads=options.threads, scratch=options.scratch)
    chosen = recipe.load(options.recipe)
    outputs = Outputs.beside(options.out, options.report)
    check_names(outputs)
    found = gather(options.frames, own=[outputs.picture, *outputs.side_files(height=True)])
    if len(found.headers) < 2:
        raise too_few(len(found.headers))
    check_targets(outputs, found.headers)
    progress = Progress(quiet=options.quiet)
    for line in together((repr(path.name), why) for path, why in found.passed_over):
        progress.note(f"passed over {line}")
    stop = Stop()
    signals.ask(stop.ask)
    request = Request(
        headers=found.headers,
        outputs=outputs,
        recipe=chosen,
        memory=limits.memory,
        threads=limits.threads,
        scratch=limits.scratch,
        reference=options.reference,
        keep_scratch=options.keep_scratch,
        notes=tuple(f"passed over {line}" for line in together((p.name, w) for p, w in found.passed_over)),
    )
    with progress, mapped_files_may_vanish():
        report = Merge(request, progress, stop).run()
    if not options.quiet:
        say(*told(report.content, outputs))
    return 0


VANISHED = b"""\
nearfar: a frame or a scratch file became shorter, or its disk went away, while it was read. \
Put the card or the disk back, let copies arrive completely, then run the same command again.
"""


@contextmanager
def mapped_files_may_vanish() -> Iterator[None]:
    """While the block runs, a mapped page that cannot be read (SIGBUS) ends the process in words, with exit code 4.

    Nothing can be mended there: the page is asked for again and again. The handler only writes and leaves, since it
    may run in the middle of anything.
    """

    def tell(_number: int) -> None:
        os.write(2, b"\n" + VANISHED if os.isatty(2) else VANISHED)
        os._exit(4)

    handler = ctypes.CFUNCTYPE(None, ctypes.c_int)(tell)
    set_handler = ctypes.CDLL(None).signal
    set_handler.argtypes, set_handler.restype = (ctypes.c_int, ctypes.c_void_p), ctypes.c_void_p
    before = set_handler(signal.SIGBUS, ctypes.cast(handler, ctypes.c_void_p))
    try:
        yield
    finally:
        set_handler(signal.SIGBUS, before)


def check_names(outputs: Outputs) -> None:
    """Refuse outputs that cannot be written, before any frame is read."""
    if outputs.picture.suffix.casefold() not in (".tif", ".tiff"):
        raise UsageError(
            f"--out {outputs.picture}: found the ending {outputs.picture.suffix!r}; expected .tif"
        )
    if outputs.report.suffix.casefold() != ".json":
        raise UsageError(
            f"--report {outputs.report}: found the ending {outputs.report.suffix!r}; expected .json"
        )
    for target in (outputs.picture, *outputs.side_files(height=True)):
        folder = target.absolute().parent
        try:
            if target.is_dir():
                raise UsageError(f"{target} is a folder; give the name of a file")
            if not folder.is_dir():
                raise UsageError(f"{target}: there is no folder {folder}; make it first")
        except OSError as error:  # a name that is too long, above all
            raise UsageError(f"{target}: {error.strerror}; give another name") from error
    for folder in {target.absolute().parent for target in (outputs.picture, outputs.report)}:
        check_writable(folder)


def check_writable(folder: Path) -> None:
    """Refuse a folder in which no file can be made, by making one that has no name. Raises `WorkFailed`.

    Rights alone do not tell: root may write anywhere, but not to a read-only disk or below /proc.
    """
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise
        raise WorkFailed(
            f"{folder}: the folder cannot be written to ({error.strerror}); give another one"
        ) from error


def check_targets(outputs: Outputs, headers: Sequence[FrameHeader]) -> None:
    """Refuse to overwrite a frame, or any picture that is not a result of ours: it may be somebody's original."""
    for target in (outputs.picture, *outputs.side_files(height=True)):
        if not target.exists():
            continue
        if any(target.samefile(header.path) for header in headers):
            raise UsageError(f"{target} is one of the frames; frames are never written to. Give another name")
        if _foreign_picture(target):
            raise UsageError(
                f"{target} is a picture that Nearfar did not make, or that is damaged; it is not overwritten. "
                "Give another name, or move it away"
            )


def _foreign_picture(path: Path) -> bool:
    try:
        return not made_by_nearfar(read_header(path))
    except FrameRefused:
        return is_picture(path)


def told(report: Mapping[str, Any], outputs: Outputs) -> Iterator[str]:
    """What was made, which frames are not in it, and what to look at."""
    frames = report["frames"]
    used = sum(bool(f["used"]) for f in frames)
    yield f"{outputs.picture}: {used} of {len(frames)} frames; report in {outputs.report}"
    yield from (f"left out {f['name']}: {f['why']}" for f in frames if not f["used"])
    yield from (gap["text"] for gap in report["gaps"])
    yield from report["warnings"]
