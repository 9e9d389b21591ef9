"""Move originals out of a watched folder, after their result was delivered and checked, if the settings ask for it.

Nothing is ever written over, and no file goes before another one with the same contents is safely on the disk. What
cannot be moved stays where it is: the merge is done all the same.
"""

from __future__ import annotations

import errno
import hashlib
import logging
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

from nearfar.durable import sync
from nearfar.errors import SourceChanged
from nearfar.intake.answering import Answers, sign
from nearfar.intake.digests import PIECE, content_digest
from nearfar.intake.memory import Known, Memory
from nearfar.intake.names import SIDE_CARS
from nearfar.intake.scanning import said
from nearfar.intake.settling import Mark
from nearfar.jobs import Job, JobState

log = logging.getLogger(__name__)

Attempt = tuple[str, int | None]
"""Path of a stack, and number of its job."""
MOST_LATE = 8
"""Stacks that are moved in the background at a time; further ones wait."""
NO_LINKS = {errno.EXDEV, errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EACCES}
"""What the system says if a file cannot get a second name at the new place."""


class Mover:
    """Moves the frames of finished stacks below a folder.

    The files are read and moved in threads: a share that hangs holds up no other stack. What takes longer than is waited for
    goes on, and its outcome is taken by a later call.
    """

    def __init__(self, memory: Memory, target: Path) -> None:
        self.memory = memory
        self.target = target
        self._tried: set[Attempt] = set()
        self._placed: set[Attempt] = set()
        self._late: dict[Attempt, Job] = {}
        self._answers: Answers[str] = Answers()

    def move(self, known: Known, job: Job | None) -> Known:
        """Move the frames of a stack if its job is done and its result is there; what is known of it then."""
        if job is None or job.state is not JobState.DONE or known.moved or known.duplicate:
            return known
        attempt = known.path, known.job
        waits = attempt not in self._late and len(self._late) >= MOST_LATE
        if waits or attempt in self._tried:
            return self.memory.known.get(known.path, known)
        try:
            known = self._moved(attempt, known, job)
        except (OSError, SourceChanged) as error:
            if isinstance(error, TimeoutError) and error.errno is None:  # nobody answers yet
                self._late[attempt] = job
                return self.memory.known.get(known.path, known)
            self._over(attempt)  # what is denied now is denied again: the next start tries once more
            trouble = f"{error.filename}: {said(error)}" if isinstance(error, OSError) else str(error)
            log.warning(
                "%s: not moved: %s", known.path, trouble, extra={"job": job.id, "action": "stack.not-moved"}
            )
            return self.memory.note(self.memory.known.get(known.path, known), trouble=trouble)
        self._over(attempt)
        log.info("%s moved to %s", known.path, known.moving, extra={"job": job.id, "action": "stack.moved"})
        return self.memory.note(known, moved=True, trouble=None)

    def go_on(self) -> None:
        """Take the outcome of what was late; its folder may be gone by now, with all that lay in it."""
        for attempt, job in list(self._late.items()):
            known = self.memory.known.get(attempt[0])
            if known is None or known.job != job.id:  # somebody put something else there
                del self._late[attempt]
            else:
                self.move(known, job)

    def is_late(self, known: Known) -> bool:
        """Whether its frames are still being moved after the usual time."""
        return (known.path, known.job) in self._late

    def _moved(self, attempt: Attempt, known: Known, job: Job) -> Known:
        """Check and move; the folder is remembered before the first frame goes."""
        if attempt not in self._placed:
            target = self._asked(attempt, lambda: self._folder(known, job))
            known = self.memory.note(known, moving=target)
            self._placed.add(attempt)
        known = self.memory.known.get(known.path, known)
        self._asked(attempt, lambda: _move_all(known))
        return known

    def _asked(self, attempt: Attempt, call: Callable[[], str]) -> str:
        name = f"{attempt[0]} of job {attempt[1]}"
        self._answers.ask(name, call)
        return self._answers.take(name)

    def _over(self, attempt: Attempt) -> None:
        self._tried.add(attempt)
        self._placed.discard(attempt)
        self._late.pop(attempt, None)

    def _folder(self, known: Known, job: Job) -> str:
        self._check(known, job)
        return self._with_target(known, job)

    def _check(self, known: Known, job: Job) -> None:
        """See that the result is there, and that every frame is what it was merged from, before any is moved."""
        if not job.result or not Path(job.result).is_file() or not Path(job.result).stat().st_size:
            raise SourceChanged(f"the result of job {job.id} is not at its place ({job.result})")
        for name, digest in known.digests.items():
            path = Path(known.source, name)
            if not path.exists() and known.moving and Path(known.moving, name).exists():
                continue  # moved before the watch was stopped
            if content_digest(path, Mark.of(path.stat())) != digest:
                raise SourceChanged(f"{name} is not what was merged; it was changed since")

    def _with_target(self, known: Known, job: Job) -> str:
        """Choose and make a folder of its own, named like the result's."""
        if known.moving is not None:
            Path(known.moving).mkdir(parents=True, exist_ok=True)
            return known.moving
        name = Path(job.result or known.stack).parent.name
        self.target.mkdir(parents=True, exist_ok=True)
        for count in range(1, 100_000):
            folder = self.target / (name if count == 1 else f"{name}-{count}")
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            return str(folder)
        raise FileExistsError(errno.EEXIST, "too many folders of this name", str(self.target / name))


def _move_all(known: Known) -> str:
    """Move all files of a stack to the folder that was chosen; that folder."""
    target = Path(known.moving or "")
    for name in _all_of(known):
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        move_file(Path(known.source, name), target / name, known.digests.get(name))
        sign()
    _remove_empty(known)
    return str(target)


def _all_of(known: Known) -> Iterator[str]:
    """Names of frames and of what goes with them; side-cars of frames first, so that none is left alone."""
    own = {*known.digests, *known.companions}
    stems = {str(Path(name).with_suffix("")) for name in own} | own
    for inner in sorted({Path(name).parent for name in own}):
        try:
            entries = sorted(Path(known.source, inner).iterdir())
        except FileNotFoundError:
            continue
        for entry in entries:
            if entry.suffix.casefold() in SIDE_CARS and str(inner / entry.stem) in stems:
                yield str(inner / entry.name)
    yield from sorted(own)


def _remove_empty(known: Known) -> None:
    """Remove the folder of a stack if nothing at all is left in it."""
    if known.loose:
        return
    with suppress(OSError):  # something else lies in it, or we may not: it stays
        Path(known.source).rmdir()


def move_file(source: Path, target: Path, digest: str | None) -> None:
    """Move one file to a path at which there is none.

    On one file system it gets its second name before it loses the first. Otherwise it is copied, synced, and read again
    before the original goes. A target with the same contents, left by a move that was stopped, is taken for the copy.

    Raises
    ------
    OSError, SourceChanged
        The source is as it was.
    """
    if source.is_symlink() or (not source.exists() and target.exists()):
        return
    try:
        os.link(source, target, follow_symlinks=False)
    except FileExistsError:
        if not target.samefile(source) and digest_of(target) != (digest or digest_of(source)):
            raise
    except OSError as error:
        if error.errno not in NO_LINKS:
            raise
        _copy(source, target, digest or digest_of(source))
    sync(target.parent)
    source.unlink()
    sync(source.parent)


def digest_of(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal digits."""
    digest = hashlib.sha256()
    with open(path, "rb", buffering=0) as file:
        while piece := file.read(PIECE):
            digest.update(piece)
            sign()
    return digest.hexdigest()


def _copy(source: Path, target: Path, digest: str) -> None:
    part = target.with_name(f".nearfar-{os.getpid()}.part")
    try:
        with open(source, "rb") as reading, open(part, "xb") as writing:
            shutil.copyfileobj(reading, writing, PIECE)
            writing.flush()
            os.fsync(writing.fileno())
            # So that the disk is read, not memory.
            os.posix_fadvise(writing.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        shutil.copystat(source, part)
        if digest_of(part) != digest:
            raise SourceChanged(
                f"{source.name}: its copy in {target.parent} is not the same; the original stays"
            )
        _name(part, target)
    finally:
        part.unlink(missing_ok=True)


def _name(part: Path, target: Path) -> None:
    """Give a finished copy its name, if no other file has it."""
    try:
        os.link(part, target)
    except OSError as error:
        if error.errno not in NO_LINKS:
            raise
        # No links there: reserve the name, then replace what was reserved.
        os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        part.replace(target)
