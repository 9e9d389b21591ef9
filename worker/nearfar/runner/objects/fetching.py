"""Bring the frames of a stack out of a bucket: each whole, checked and under its name, or not at all.

Bytes gather in the same part files as those that come over HTTP, whose size says where to continue. That what comes later
belongs to what came before the storage sees to: it is asked for the object of one ETag alone.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from nearfar.durable import sync
from nearfar.errors import BucketAway, Interrupted
from nearfar.runner.objects.buckets import Bucket, Changed, Stored

PIECE = 1 << 20
"""Bytes that are read at a time for digests."""
READS = 3
"""How often a frame is read whose bytes are not those that its ETag or checksum announces."""

Check = Callable[[], None]
"""Called now and then; raises to end the work."""


@dataclass(frozen=True, kw_only=True)
class Awaited:
    """A frame that is to come."""

    position: int
    """From 0."""
    name: str
    stored: Stored


def fetch_all(
    bucket: Bucket,
    frames: Sequence[Awaited],
    folder: Path,
    *,
    parallel: int,
    check: Check,
    arrived: Callable[[Awaited, str], None],
) -> None:
    """Bring frames, some at a time; the first that fails ends the others, and what came of them stays.

    Parameters
    ----------
    folder
        Where they go; made if it is missing.
    check
        Called from several threads.
    arrived
        Called for each frame that is here, with its SHA-256 as hexadecimal digits; from several threads.

    Raises
    ------
    BucketAway, BucketRefused, Changed, OSError
        What the first one failed with, and what ``check`` and ``arrived`` raise.
    """
    folder.mkdir(exist_ok=True)
    failed: list[BaseException] = []
    lock = threading.Lock()

    def go_on() -> None:
        if failed:
            raise Interrupted("another frame failed")
        check()

    def one(frame: Awaited) -> None:
        try:
            go_on()
            arrived(frame, fetch(bucket, frame, folder, check=go_on))
        except BaseException as error:  # noqa: BLE001 - raised by the caller's thread
            with lock:
                failed.append(error)

    with ThreadPoolExecutor(parallel, thread_name_prefix="fetch") as pool:
        list(pool.map(one, frames))
    if failed:
        raise failed[0]


def fetch(bucket: Bucket, frame: Awaited, folder: Path, *, check: Check) -> str:
    """Bring one frame; its SHA-256 as hexadecimal digits.

    If the storage tells a checksum or an ETag that looks like one, the bytes have to match it. With some storages ETags
    only look like one: bytes that come twice alike are taken to be what lies there.
    """
    whole = folder / frame.name
    if whole.exists() and whole.stat().st_size == frame.stored.size:  # stopped before that could be noted
        return _digests(whole, check)[0]
    part = folder / f"{frame.position + 1}.part"
    with _locked(part, frame) as descriptor:
        _bring_right(bucket, frame, descriptor, part, check)
        os.fsync(descriptor)
        digest = _digests(part, check)[0]
        part.rename(whole)
        sync(folder)
    return digest


def _bring_right(bucket: Bucket, frame: Awaited, descriptor: int, part: Path, check: Check) -> None:
    seen: set[str] = set()
    for _ in range(READS):
        _bring(bucket, frame, descriptor, check)
        sha256, md5 = _digests(part, check)
        said = bucket.find(frame.stored.key)
        if said is None or said.etag != frame.stored.etag:
            raise Changed(
                f"{frame.stored.key} in {bucket.shown}: it was written to while it was fetched; submit it again"
            )
        wrong = (said.sha256 or sha256) != sha256 or (said.md5 or md5) != md5
        if not wrong or sha256 in seen:
            return
        seen.add(sha256)
        os.ftruncate(descriptor, 0)
    raise BucketAway(
        f"{frame.stored.key} in {bucket.shown}: {READS} times other bytes came, and none are those of its ETag"
    )


@contextmanager
def _locked(part: Path, frame: Awaited) -> Iterator[int]:
    """The part file, for one writer alone, as `nearfar_api.transfer.arrival` has it."""
    busy = BucketAway(f"{frame.name}: somebody else is bringing it")
    descriptor = os.open(part, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o666)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if not os.path.samestat(os.fstat(descriptor), part.lstat()):
                raise busy
        except (BlockingIOError, FileNotFoundError):
            raise busy from None
        yield descriptor
    finally:
        os.close(descriptor)


def _bring(bucket: Bucket, frame: Awaited, descriptor: int, check: Check) -> None:
    """Add what is missing at the end of a part."""
    size, at = frame.stored.size, os.fstat(descriptor).st_size
    if at > size:
        os.ftruncate(descriptor, 0)
        at = 0
    if at == size:
        return
    at, pieces = bucket.read(frame.stored, at)
    os.ftruncate(descriptor, at)
    with closing(pieces):  # type: ignore[type-var]
        for data in pieces:
            check()
            view = memoryview(data)
            while view:
                done = os.pwrite(descriptor, view, at)
                at, view = at + done, view[done:]
    if at != size:
        raise BucketAway(f"{frame.stored.key} in {bucket.shown}: {at} bytes came of {size}")


def _digests(path: Path, check: Check) -> tuple[str, str]:
    """SHA-256 and MD5 of a file, read from its beginning."""
    sha256, md5 = hashlib.sha256(), hashlib.md5(usedforsecurity=False)
    with open(path, "rb") as file:
        while data := file.read(PIECE):
            check()
            sha256.update(data)
            md5.update(data)
    return sha256.hexdigest(), md5.hexdigest()
