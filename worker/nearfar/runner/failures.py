"""From errors to failures of units: a cause in a word, a reason in a sentence, and whether trying again may help."""

from __future__ import annotations

import errno
import logging
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from nearfar.errors import (
    DoesNotFit,
    FrameRefused,
    InputRefused,
    Interrupted,
    LostClaim,
    NearfarError,
    NotFound,
    SourceChanged,
    StoreError,
    StoreUnreachable,
    UsageError,
)
from nearfar.jobs import Claim

log = logging.getLogger(__name__)
FULL = {errno.ENOSPC, errno.EDQUOT}
SHUT = {errno.EROFS, errno.EACCES, errno.EPERM}
PASSING = {errno.EIO, errno.ESTALE, errno.EINTR, errno.EAGAIN, errno.ETIMEDOUT, errno.ENFILE, errno.EMFILE}
"""Errors of reading that may be gone at the next try: shares that come back, disks that retry."""
THREADLESS = (
    "the system gave no further thread: the memory of the process or the number of processes is limited too tightly; raise "
    "that limit of the service, of the container or of 'ulimit'"
)
PUT_BACK = "; put it back and run again"
"""What to do about a frame that is gone, at the end of the reason; idle once another job has the same frames."""


@dataclass(frozen=True, kw_only=True)
class Failure:
    """Why a unit failed: ``cause`` is a word for counting, ``reason`` a sentence for people."""

    cause: str
    reason: str
    retry: bool
    memory: int | None = None
    """Bytes that the unit needs, if this worker has too few."""


def failure_of(error: Exception, frames: Collection[Path] = ()) -> Failure:
    """The failure that an exception stands for.

    Parameters
    ----------
    frames
        Files that other people own. One that is gone while others still lie in its folder was taken away, and trying again
        does not help; a folder that is gone or empty may be that of a share which comes back.
    """
    text = str(error) or type(error).__name__
    missing = _missing(error, frames)
    if missing is not None:
        return Failure(
            cause="missing",
            reason=f"{missing.name}: there is no such file any longer in {missing.parent}{PUT_BACK}",
            retry=missing.exists() or not _holds_anything(missing.parent),
        )
    if isinstance(error, SourceChanged):
        return Failure(cause="changed", reason=text, retry=False)
    if isinstance(error, FrameRefused) and is_passing(error):
        return Failure(cause="work", reason=text, retry=True)
    if isinstance(error, InputRefused | UsageError):  # some words are those of the command's options
        return Failure(cause="input", reason=text.removeprefix("--"), retry=False)
    if isinstance(error, DoesNotFit):
        return Failure(cause="room", reason=text, retry=False)
    if isinstance(error, MemoryError):
        return Failure(cause="memory", reason=f"memory ran out: {text}", retry=True)
    if is_threadless(error):
        return Failure(cause="memory", reason=THREADLESS, retry=True)
    if isinstance(error, NearfarError) and not isinstance(error, StoreError):
        return Failure(cause="work", reason=text, retry=True)
    if isinstance(error, OSError):
        return Failure(cause="work", reason=in_words(error), retry=True)
    return Failure(cause="mistake", reason=f"{type(error).__name__}: {text}", retry=True)


def is_passing(error: BaseException) -> bool:
    """Whether an error is one that may be gone at the next attempt."""
    return any(e.errno in PASSING for e in _system(error))


def is_threadless(error: BaseException) -> bool:
    """Whether the system gave no further thread; Python has no exception of its own for that (from memory)."""
    return isinstance(error, RuntimeError) and "can't start new thread" in str(error)


def is_full(error: BaseException) -> bool:
    """Whether a disk or a quota is full."""
    return any(e.errno in FULL for e in _system(error))


def shut_folder(error: BaseException, folders: Collection[Path]) -> str | None:
    """Why one of the server's own folders cannot be written to, if that caused the error; else None."""
    for each in _system(error):
        if each.errno in SHUT and each.filename is not None:
            path = Path(each.filename)
            if any(path.is_relative_to(folder) for folder in folders):
                return f"{path}: {each.strerror}; let the user of the server write there. Work continues as soon as it may"
    return None


def _system(error: BaseException) -> Iterator[OSError]:
    """Errors of the operating system among an error and its causes."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, OSError):
            yield cause
        cause = cause.__cause__


def _missing(error: Exception, frames: Collection[Path]) -> Path | None:
    """The frame that is gone, if that caused the error; else None."""
    for each in _system(error):
        gone = isinstance(each, FileNotFoundError) and each.filename is not None
        if gone and Path(each.filename) in frames:
            return Path(each.filename)
    return None


def _holds_anything(folder: Path) -> bool:
    try:
        return any(folder.iterdir())
    except OSError:
        return False


def in_words(error: Exception) -> str:
    """An error of the system as its words and the file, without the number; any other error in its own words."""
    if not isinstance(error, OSError):
        return str(error) or type(error).__name__
    where = f"{error.filename}: " if error.filename else ""
    return f"{where}{error.strerror or error}"


@contextmanager
def told_by_another(claim: Claim) -> Iterator[None]:
    """For a unit that only helps another one: errors are logged and swallowed, since the other unit will report them."""
    try:
        yield
    except (Interrupted, StoreUnreachable, LostClaim, NotFound):
        raise
    except Exception as error:  # noqa: BLE001 - the other unit reports it
        log.warning(
            "cannot help: %s",
            in_words(error) or type(error).__name__,
            extra={"action": "unit.cannot-help", **claim.log_context()},
        )
