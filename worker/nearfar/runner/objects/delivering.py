"""Put a result into a bucket, once it is whole here: all its files, the report last, so that who sees the report has all.

An object that is there is never replaced: the storage is told to make new ones only, and if a name holds something
else the folder gets a number. What an earlier try put is known by its size and digest, and is not sent again.
"""

from __future__ import annotations

import hashlib
import mimetypes
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nearfar.errors import BucketRefused, SourceChanged
from nearfar.runner.objects.buckets import Bucket, in_base64

PART = 16 << 20
"""Bytes of a part; what is smaller goes in one piece."""
MOST_PARTS = 9000
"""Of 10,000 that the S3 API allows (from memory)."""
PIECE = 1 << 20
"""Bytes that are read at a time, and of which parts are multiples."""
MOST_NUMBERS = 1000
"""Numbers that are tried behind a name that is taken."""
REPORT = ".report.json"

Check = Callable[[], None]
"""Called now and then; raises to end the work."""
Begun = Callable[[tuple[str, str] | None], None]
"""Told the key and name of an upload in parts when it begins, and None when it ended."""


@dataclass(frozen=True, kw_only=True)
class Local:
    """A file of a result, as it was when it was read for its digest."""

    path: Path
    ending: str
    """What follows the name of the folder."""
    size: int
    stamp: tuple[int, int, int]
    sha256: bytes


def deliver(bucket: Bucket, folder: Path, prefix: str, *, check: Check, begun: Begun) -> str:
    """Put the files of a result below a prefix; the prefix that they have then, with the folder's name.

    Parameters
    ----------
    folder
        Of the result; its files are called like it.

    Raises
    ------
    SourceChanged
        The result was changed meanwhile: a mend was made.
    BucketRefused
        Also if no name is left. `BucketAway` if asking again may help.
    """
    files = [_read(path, folder.name, check) for path in files_of(folder)]
    for name in _names(folder.name):
        below = f"{prefix}{name}/"
        if _free(bucket, below, name, files) and _put_all(
            bucket, below, name, files, check=check, begun=begun
        ):
            return below
    raise BucketRefused(
        f"{bucket.shown}: {prefix}{folder.name} and {MOST_NUMBERS} names after it are taken; clear up there"
    )


def files_of(folder: Path) -> list[Path]:
    """Files of a result, the report last."""
    found = [path for path in folder.iterdir() if path.name.startswith(f"{folder.name}.") and path.is_file()]
    return sorted(found, key=lambda path: (path.name.endswith(REPORT), path.name))


def _read(path: Path, name: str, check: Check) -> Local:
    digest = hashlib.sha256()
    stamp = _stamp(path)
    with open(path, "rb") as file:
        while data := file.read(PIECE):
            check()
            digest.update(data)
    return Local(
        path=path, ending=path.name.removeprefix(name), size=stamp[0], stamp=stamp, sha256=digest.digest()
    )


def _stamp(path: Path) -> tuple[int, int, int]:
    status = path.stat()
    return status.st_size, status.st_mtime_ns, status.st_ino


def _names(base: str) -> Iterator[str]:
    yield base
    for number in range(2, MOST_NUMBERS + 2):
        yield f"{base}-{number}"


def _free(bucket: Bucket, below: str, name: str, files: Sequence[Local]) -> bool:
    """Whether nothing lies there but what an earlier try put."""
    ours = {f"{below}{name}{file.ending}": file for file in files}
    for each in bucket.listed(below, most=len(files)):
        file = ours.get(each.key)
        if file is None or each.size != file.size or not _there(bucket, each.key, file):
            return False
    return True


def _there(bucket: Bucket, key: str, file: Local) -> bool:
    found = bucket.find(key)
    return found is not None and found.size == file.size and found.sha256 == file.sha256.hex()


def _put_all(
    bucket: Bucket, below: str, name: str, files: Sequence[Local], *, check: Check, begun: Begun
) -> bool:
    """Put all files; False: somebody else took one of the names meanwhile."""
    for file in files:
        check()
        if file is files[-1] and any(_stamp(each.path) != each.stamp for each in files):
            raise SourceChanged(f"{file.path.parent}: it was changed while it was put; it is put again")
        key = f"{below}{name}{file.ending}"
        if bucket.find(key) is None:  # asked as well, since some storages do not know the condition
            made = _put(bucket, key, file, check=check, begun=begun)
            if made and not _there(bucket, key, file):
                raise BucketRefused(f"{bucket.shown}: {key} is not what was put there; look at its own log")
        if not _there(bucket, key, file):
            return False
    return True


def _put(bucket: Bucket, key: str, file: Local, *, check: Check, begun: Begun) -> bool:
    kind = mimetypes.guess_type(file.path.name)[0] or "application/octet-stream"
    if file.size > PART:
        return _put_parts(bucket, key, file, kind, check=check, begun=begun)
    data = file.path.read_bytes()
    if hashlib.sha256(data).digest() != file.sha256:
        raise _changed(file)
    return bucket.put(key, data, file.sha256, kind)


def _put_parts(bucket: Bucket, key: str, file: Local, kind: str, *, check: Check, begun: Begun) -> bool:
    upload = bucket.begin(key, file.sha256, kind)
    try:
        begun((key, upload))
        parts: list[dict[str, Any]] = []
        all_of_it, of_parts = hashlib.sha256(), hashlib.sha256()
        with open(file.path, "rb") as source:
            while data := source.read(_part_of(file.size)):
                check()
                digest = hashlib.sha256(data).digest()
                parts.append(bucket.put_part(key, upload, len(parts) + 1, data, digest))
                all_of_it.update(data)
                of_parts.update(digest)
        if all_of_it.digest() != file.sha256:
            raise _changed(file)
        made = bucket.complete(key, upload, parts, in_base64(of_parts.digest()))
    except BaseException:
        with suppress(BucketRefused):  # what broke off matters more; the next try drops it
            bucket.drop(key, upload)
        raise
    if not made:
        bucket.drop(key, upload)
    begun(None)
    return made


def _part_of(size: int) -> int:
    least = -(-size // MOST_PARTS)
    return max(PART, -(-least // PIECE) * PIECE)


def _changed(file: Local) -> SourceChanged:
    return SourceChanged(f"{file.path}: it was changed while it was put; it is put again")
