"""Frames that come over HTTP: bytes gather in a part file, whose size is the truth about how much is here.

A part is written by one request at a time, which the kernel's lock on the file sees to; it survives this process. It
gets its frame's name only when it is complete, matches its digests and is on the disk. Then the store is told, and with
the last frame the job begins.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import logging
import os
import re
import shutil
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from nearfar.errors import NearfarError, NotFound, StoreUnreachable
from nearfar.jobs import FrameEntry, FrameNote, FrameState, JobQuery, JobState
from nearfar.runner import planning
from nearfar.settings import format_size
from nearfar_api.context import Context
from nearfar_api.problems import Problem
from nearfar_api.transfer import beneath, digests

log = logging.getLogger(__name__)

PIECE = 1 << 20
"""Bytes that are written at a time."""
FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
CONTENT_RANGE = re.compile(r"bytes (\d{1,18})-(\d{1,18})/(\d{1,18})", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Awaited:
    """A frame of a job, as announced."""

    job: int
    number: int
    name: str
    size: int
    digest: bytes | None
    """SHA-256."""
    here: bool
    """Whether it is complete."""


@dataclass(frozen=True, kw_only=True)
class Piece:
    """What one request sends."""

    start: int
    stop: int
    whole: bool
    """Whether the body is the frame from its beginning, replacing what was here before."""


def sha256_of(entry: FrameEntry) -> bytes | None:
    """The digest on record, which is hexadecimal."""
    try:
        found = bytes.fromhex(entry.digest or "")
    except ValueError:
        return None
    return found if len(found) == 32 else None


def look_up(ctx: Context, job: int, number: int) -> Awaited:
    """The frame; raises `NotFound`, or `Problem` if the job no longer takes it."""
    found = ctx.store.job(job)
    entries = ctx.store.frames(job)
    if not 1 <= number <= len(entries):
        raise NotFound(f"job {job} has {len(entries)} frames; there is no number {number}")
    entry = entries[number - 1]
    awaited = entry.state is FrameState.EXPECTED
    if awaited and found.state is not JobState.HELD:
        raise Problem(
            "wrong-state",
            f"job {job} is {found.state} and takes no frames any longer.",
            state=found.state,
            possible=[],
        )
    return Awaited(
        job=job,
        number=number,
        name=Path(entry.path).name,
        size=entry.size or 0,
        digest=sha256_of(entry),
        here=not awaited,
    )


def received(ctx: Context, job: int, number: int, entry: FrameEntry) -> int:
    """Number of bytes of a frame that have arrived."""
    if entry.state is not FrameState.EXPECTED:
        return entry.size or 0
    for name in (Path(entry.path).name, f"{number}.part"):
        try:
            return min(os.lstat(ctx.places.uploads / str(job) / name).st_size, entry.size or 0)
        except OSError:
            continue
    return 0


def piece_of(headers: Mapping[str, str], frame: Awaited) -> Piece:
    """What the headers announce; raises `Problem` before a byte is read."""
    length = headers.get("content-length")
    field = headers.get("content-range")
    if field is None:
        if length is not None and int(length) > frame.size:
            raise _too_large(frame, int(length))
        if length is not None and int(length) < frame.size:
            raise Problem(
                "invalid",
                f"{frame.name}: the body has {length} bytes, the frame {frame.size}; send a piece with Content-Range.",
                errors=[{"parameter": "content-length", "in": "header", "detail": f"expected {frame.size}"}],
            )
        return Piece(start=0, stop=frame.size, whole=True)
    match = CONTENT_RANGE.fullmatch(field.strip())
    if match is None or int(match[2]) < int(match[1]):
        raise Problem(
            "malformed",
            f"Content-Range {field[:100]!r}: expected for example 'bytes 0-1048575/{frame.size}'.",
        )
    start, stop, total = int(match[1]), int(match[2]) + 1, int(match[3])
    if total > frame.size or stop > total:
        raise _too_large(frame, max(total, stop))
    if total < frame.size or (length is not None and int(length) != stop - start):
        raise Problem(
            "malformed",
            f"{frame.name}: Content-Range {field[:100]!r} does not go with a body of {length} bytes of a frame of "
            f"{frame.size}.",
        )
    return Piece(start=start, stop=stop, whole=False)


def _too_large(frame: Awaited, size: int) -> Problem:
    return Problem(
        "too-large", f"{frame.name}: {size} bytes, and {frame.size} were announced.", limit=frame.size
    )


class Part:
    """The part file of a frame, locked; made by `open_part`.

    A request that is given up may leave a thread behind that still writes: closing waits for it.
    """

    def __init__(self, fd: int, folder: int, frame: Awaited, uploads: Path) -> None:
        self.fd, self.folder, self.frame, self.uploads = fd, folder, frame, uploads
        self._busy = threading.RLock()
        self.name = f"{frame.number}.part"
        self.size = os.fstat(fd).st_size
        self.start = self.size

    def begin(self, piece: Piece, spare: int) -> None:
        """Go to where the piece belongs; raises `Problem` if it is not the next one, or the disk has no room."""
        if piece.whole:
            self.cut(0)
        if piece.start != self.size:
            raise Problem(
                "wrong-offset",
                f"{self.frame.name}: {self.size} bytes are here, and the piece begins at {piece.start}.",
                headers={"received": str(self.size)},
                received=self.size,
                size=self.frame.size,
            )
        self.start = self.size
        free, needed = shutil.disk_usage(self.uploads).free, piece.stop - piece.start
        if free - spare < needed:
            raise self.full(
                f"{format_size(free)} are free, {format_size(spare)} have to stay free (worker.spare_disk)"
            )

    def full(self, why: str) -> Problem:
        """The answer if the disk is full."""
        missing = self.frame.size - self.size
        return Problem(
            "no-space",
            f"{self.frame.name}: {format_size(missing)} are to come, and {why}; {self.size} bytes are here and stay. "
            f"Make room on the disk of {self.uploads} and send the same frames again: they continue from here.",
            headers={"received": str(self.size)},
            received=self.size,
            size=self.frame.size,
        )

    def write(self, data: bytes) -> None:
        """Add bytes at the end; raises `Problem` if the disk is full, having kept what went onto it."""
        view = memoryview(data)
        with self._busy:
            while view:
                try:
                    done = os.pwrite(self.fd, view, self.size)
                except OSError as error:
                    if error.errno in FULL:
                        raise self.full(f"the disk says: {error.strerror}") from error
                    raise
                self.size += done
                view = view[done:]

    def cut(self, size: int) -> None:
        """Remove everything behind a position."""
        with self._busy:
            os.ftruncate(self.fd, size)
            self.size = size

    def settle(self, content: digests.Check, announced: Mapping[str, bytes]) -> bool:
        """Sync what arrived to the disk; returns whether the frame is now complete and has its name.

        Raises
        ------
        Problem
            The bytes are not those announced; what does not match is thrown away.
        """
        with self._busy:
            return self._settle(content, announced)

    def _settle(self, content: digests.Check, announced: Mapping[str, bytes]) -> bool:
        why = content.mismatch()
        if why is not None:
            self.cut(self.start)
            raise self._mismatch(f"Content-Digest: {why}")
        os.fsync(self.fd)
        if self.size < self.frame.size:
            return False
        own = {"sha-256": self.frame.digest} if self.frame.digest is not None else {}
        for expected in (announced, own):
            why = self._wrong(expected)
            if why is not None:
                self.cut(0)
                raise self._mismatch(why)
        os.rename(self.name, self.frame.name, src_dir_fd=self.folder, dst_dir_fd=self.folder)
        os.fsync(self.folder)
        return True

    def _wrong(self, expected: Mapping[str, bytes]) -> str | None:
        check = digests.Check(expected)
        at = 0
        while expected and (data := os.pread(self.fd, PIECE, at)):
            check.update(data)
            at += len(data)
        return check.mismatch()

    def _mismatch(self, why: str) -> Problem:
        return Problem(
            "digest-mismatch",
            f"{self.frame.name}: {why}.",
            headers={"received": str(self.size)},
            received=self.size,
            size=self.frame.size,
        )

    def close(self) -> None:
        """Close the file and release its lock."""
        with self._busy:
            os.close(self.fd)
            os.close(self.folder)
            self.fd = self.folder = -1


def open_part(ctx: Context, frame: Awaited) -> Part:
    """The part file, made if it is missing, for this request alone; raises `Problem` while another one has it."""
    busy = Problem("frame-busy", f"{frame.name}: another request is sending it.")
    with beneath.opened(ctx.places.uploads, str(frame.job), make=True) as folder:
        name, flags = f"{frame.number}.part", os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
        fd = os.open(name, flags, 0o666, dir_fd=folder)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if not os.path.samestat(os.fstat(fd), os.stat(name, dir_fd=folder, follow_symlinks=False)):
                raise busy
            return Part(fd, os.dup(folder), frame, ctx.places.uploads)
        except (BlockingIOError, FileNotFoundError):
            os.close(fd)
            raise busy from None
        except BaseException:
            os.close(fd)
            raise


def overtaken(ctx: Context, part: Part) -> bool:
    """Whether another request brought the whole frame between `look_up` and `open_part`; the new, empty part goes.

    Raises what `look_up` does.
    """
    if part.size or not look_up(ctx, part.frame.job, part.frame.number).here:
        return False
    os.unlink(part.name, dir_fd=part.folder)
    return True


def note(ctx: Context, frame: Awaited, *, who: str) -> None:
    """Tell the store that a frame is here, and let the job begin with the last one; while its part is still locked."""
    ctx.store.note_frames(
        frame.job, [FrameNote(position=frame.number - 1, state=FrameState.PRESENT, size=frame.size)]
    )
    start(ctx, frame.job, who=who)


def start(ctx: Context, job: int, *, who: str) -> None:
    """Begin a job whose frames are all here, unless it began already or is to wait."""
    if planning.plan_upload(ctx.store, job, ctx.places, who=who):
        ctx.kick()


def arrived_unnoted(ctx: Context, job: int) -> list[Awaited]:
    """Frames that are complete but not recorded in the store, because a process was ended in between."""
    found = []
    for number, entry in enumerate(ctx.store.frames(job), 1):
        if entry.state is not FrameState.EXPECTED or os.path.isabs(entry.path):  # noqa: PTH117
            continue
        try:
            there = os.lstat(ctx.places.uploads / str(job) / Path(entry.path).name).st_size == entry.size
        except OSError:
            there = False
        if there:
            found.append(look_up(ctx, job, number))
    return found


def catch_up(ctx: Context) -> None:
    """Record what arrived and was not recorded, for all jobs that await frames; called when the server starts."""
    after = None
    while True:
        page = ctx.store.jobs(JobQuery(states=frozenset({JobState.HELD}), limit=200, after=after))
        for job in page.jobs:
            if (ctx.places.uploads / str(job.id)).is_dir():
                _catch_up(ctx, job.id)
        after = page.after
        if after is None:
            return


def _catch_up(ctx: Context, job: int) -> None:
    try:
        for frame in arrived_unnoted(ctx, job):
            note(ctx, frame, who="server")
        start(ctx, job, who="server")
    except StoreUnreachable:
        raise
    except (NearfarError, Problem) as error:
        log.warning(
            "job %d: its upload cannot go on: %s", job, error, extra={"job": job, "action": "upload.stuck"}
        )


def same_bytes(frame: Awaited, announced: Mapping[str, bytes], folder: Path) -> bool:
    """Whether a frame that is here has the digests of a request; False if the request has none."""
    if not announced:
        return False
    if frame.digest is not None and "sha-256" in announced:
        return frame.digest == announced["sha-256"]
    try:
        with open(folder / frame.name, "rb") as file:
            return all(
                hashlib.file_digest(file, digests.ALGORITHMS[name]).digest() == value
                for name, value in list(announced.items())[:1]
            )
    except OSError:
        return False
