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
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from nearfar.durable import sync
from nearfar.errors import SourceChanged
from nearfar.intake.digests import PIECE, content_digest
from nearfar.intake.memory import Known, Memory
from nearfar.intake.names import SIDE_CARS
from nearfar.intake.scanning import said
from nearfar.intake.settling import Mark
from nearfar.jobs import Job, JobState

log = logging.getLogger(__name__)

NO_LINKS = {errno.EXDEV, errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EACCES}
"""What the system says if a file cannot get a second name at the new place."""


class Mover:
    """Moves the frames of finished stacks below a folder."""

    def __init__(self, memory: Memory, target: Path) -> None:
        self.memory = memory
        self.target = target
        self._tried: set[tuple[str, int | None]] = set()

    def move(self, known: Known, job: Job | None) -> Known:
        """Move the frames of a stack if its job is done and its result is there; what is known of it then."""
        if job is None or job.state is not JobState.DONE or known.moved or known.duplicate:
            return known
        attempt = known.path, known.job
        if attempt in self._tried:
            return known
        self._tried.add(attempt)  # what is denied now is denied again: the next start tries once more
        try:
            self._check(known, job)
            known = self._with_target(known, job)
            target = Path(known.moving or "")
            for name in _all_of(known):
                (target / name).parent.mkdir(parents=True, exist_ok=True)
                move_file(Path(known.source, name), target / name, known.digests.get(name))
            _remove_empty(known)
        except (OSError, SourceChanged) as error:
            trouble = f"{error.filename}: {said(error)}" if isinstance(error, OSError) else str(error)
            log.warning(
                "%s: not moved: %s", known.path, trouble, extra={"job": job.id, "action": "stack.not-moved"}
            )
            return self.memory.note(known, trouble=trouble)
        log.info("%s moved to %s", known.path, known.moving, extra={"job": job.id, "action": "stack.moved"})
        return self.memory.note(known, moved=True, trouble=None)

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

    def _with_target(self, known: Known, job: Job) -> Known:
        """Choose and make a folder of its own, named like the result's."""
        if known.moving is not None:
            Path(known.moving).mkdir(parents=True, exist_ok=True)
            return known
        name = Path(job.result or known.stack).parent.name
        self.target.mkdir(parents=True, exist_ok=True)
        for count in range(1, 100_000):
            folder = self.target / (name if count == 1 else f"{name}-{count}")
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            return self.memory.note(known, moving=str(folder))
        raise FileExistsError(errno.EEXIST, "too many folders of this name", str(self.target / name))


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
