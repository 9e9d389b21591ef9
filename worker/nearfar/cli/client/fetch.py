"""``nearfar fetch``: results come from a server, complete or not at all, and resume where they broke off.

Bytes gather under a temporary name that holds the address of the file and the mark of its version (ETag), so that the same
command finds them again; the name that a person reads appears once size and digest are right. What lies there already
is never overwritten.
"""

from __future__ import annotations

import argparse
import base64
import contextlib
import fcntl
import hashlib
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from io import BufferedRandom
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx

from nearfar.cli.client.http import Patience, Server, find_server, worth_another_try
from nearfar.cli.say import say
from nearfar.errors import Interrupted, NearfarError, ServerError, UsageError
from nearfar.progress import Progress

PIECE = 1 << 20
"""Bytes compared at a time."""


def run(options: argparse.Namespace, signals: Any) -> int:
    """Fetch what the options name; the exit code."""
    folder: Path = options.out
    check_folder(folder)
    signals.ask(_not_all_here)
    with Server(find_server(options)) as server, Progress(quiet=options.quiet) as progress:
        job = server.job(options.job)
        files = chosen(server.get(f"/jobs/{job['id']}/files")["files"], job, options)
        for file in files:
            check_name(file["name"])
        folder.mkdir(exist_ok=True)
        targets = [
            fetch(server, f"/jobs/{job['id']}/files/{quote(file['name'])}", folder / file["name"], progress)
            for file in files
        ]
    if not options.quiet:
        say(*(str(target) for target in targets))
    return 0


def check_folder(folder: Path) -> None:
    """Refuse a folder that neither is there nor can be made in one that is: a share may be away. Raises `UsageError`."""
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"--out {folder}: found a file; expected a folder, or a name for a new one")
    if not folder.absolute().parent.is_dir():
        raise UsageError(f"--out {folder}: there is no folder {folder.absolute().parent}; make it first")


def _not_all_here(reason: str) -> None:
    raise Interrupted(f"stopped by {reason}; the same command continues from here")


def chosen(
    files: Sequence[Mapping[str, Any]], job: Mapping[str, Any], options: argparse.Namespace
) -> list[Mapping[str, Any]]:
    """The files of a job that are wanted: the picture and its report if nothing else is said.

    Raises
    ------
    NearfarError
        There are none yet.
    """
    pictures = [file for file in files if Path(file["name"]).suffix == ".tif"]
    picture = min(pictures, key=lambda file: len(file["name"]), default=None)
    if picture is None:
        reason = f" ({job['reason'].removesuffix('.')})" if job.get("reason") else ""
        over = job["state"] in {"failed", "cancelled"}
        remedy = (
            f"'nearfar again {job['id']}' runs it"
            if over
            else f"'nearfar show {job['id']} --follow' waits for it"
        )
        raise NearfarError(
            f"job {job['id']} ({job['stack']}) is {job['state']}{reason} and has no picture to fetch; {remedy}"
        )
    if options.all:
        return list(files)
    report = f"{Path(picture['name']).stem}.report.json"
    wanted = {picture["name"]} if options.picture else {picture["name"], report}
    return [file for file in files if file["name"] in wanted]


def check_name(name: str) -> None:
    """Refuse a name that would lead out of the folder. Raises `ServerError`."""
    if not name or name.startswith(".") or "/" in name or "\0" in name:
        raise ServerError(
            f"the server calls a file {name!r}, which is not taken for one; fetch the others by hand"
        )


def fetch(server: Server, path: str, target: Path, progress: Progress) -> Path:
    """Bring one file here.

    Raises
    ------
    UsageError
        Something else has the name already.
    ServerError
        The server refuses, stays away for too long, or what came is not what it announced.
    """
    head = _head(server, path)
    if here_already(target, head):
        return target
    part = part_of(server.url(path), head, target.parent)
    with _own(part) as file:
        patience = Patience()
        while not _all_here(server, path, target.name, head, file, progress, patience):
            pass
        check(file, head, target.name, part)
        _sync(file)
        place(part, target)
    return target


def _head(server: Server, path: str) -> httpx.Headers:
    return server.ask("HEAD", path, headers={"Accept-Encoding": "identity"}).headers


def part_of(url: str, head: Mapping[str, str], folder: Path) -> Path:
    """The temporary name for a version of a file."""
    version = f"{url}\n{head.get('etag', '')}\n{head.get('content-length', '')}"
    return folder / f".nearfar-{hashlib.sha256(version.encode()).hexdigest()[:20]}.part"


@contextlib.contextmanager
def _own(part: Path) -> Iterator[BufferedRandom]:
    """The temporary file, open at its end, for this process alone."""
    with open(part, "a+b") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise NearfarError(
                f"{part}: another command is fetching this file into that folder; let it finish"
            ) from error
        except OSError:  # some network file systems know no locks
            pass
        yield file


def _all_here(
    server: Server,
    path: str,
    name: str,
    head: Mapping[str, str],
    file: BufferedRandom,
    progress: Progress,
    patience: Patience,
) -> bool:
    """Read what is missing over one connection; whether nothing is, then."""
    size = int(head.get("content-length", -1))
    at = file.seek(0, os.SEEK_END)
    if at > size >= 0:
        at = file.truncate(0)
    if at == size:
        return True
    headers = {"Accept-Encoding": "identity"}
    if at and head.get("etag"):
        headers |= {"Range": f"bytes={at}-", "If-Range": head["etag"]}
    try:
        with server.stream("GET", path, headers=headers) as answer:
            if answer.headers.get("etag") != head.get("etag"):
                raise ServerError(
                    "the server replaced the file while it was being fetched; give the same command again"
                )
            if answer.status_code != 206:
                file.truncate(0)
            done = os.fstat(file.fileno()).st_size
            progress.step(name, max(size, 1))
            progress.advance(done)
            for piece in answer.iter_raw():  # as they come: a piece that is not full would be lost in a break
                file.write(piece)
                progress.advance(len(piece))
                patience.fine()
    except ServerError as error:
        if not worth_another_try(error):
            raise
        if patience.lost(error):
            progress.note("the connection is lost; trying again")
    file.flush()
    return size < 0 or os.fstat(file.fileno()).st_size == size


def check(file: BufferedRandom, head: Mapping[str, str], name: str, part: Path) -> None:
    """Compare what came with what was announced. Raises `ServerError`, having removed it."""
    announced = digest_of(head)
    file.seek(0)
    if announced is not None and hashlib.file_digest(file, "sha256").digest() != announced:
        part.unlink(missing_ok=True)
        raise ServerError(
            f"{name}: what came is not what the server has (its digest differs); give the command again"
        )


def digest_of(head: Mapping[str, str]) -> bytes | None:
    """The SHA-256 that an answer carries (RFC 9530), or None."""
    match = re.search(r"(?:^|,)\s*sha-256=:([A-Za-z0-9+/=]+):", head.get("repr-digest", ""))
    return base64.b64decode(match[1]) if match else None


def place(part: Path, target: Path) -> None:
    """Give a complete file its name, unless something else has it.

    Raises
    ------
    UsageError
        It has.
    """
    try:
        os.link(part, target)  # unlike a rename it fails if the name is taken
        part.unlink()
    except FileExistsError as error:
        same = same_bytes(part, target)
        part.unlink()
        if not same:
            raise taken(target) from error
    except OSError:  # a file system that knows no links
        if target.exists():
            raise taken(target) from None
        part.rename(target)
    descriptor = os.open(target.parent, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def taken(target: Path) -> UsageError:
    """Something else has the name."""
    return UsageError(
        f"{target} exists and is something else; it is not overwritten. Name another folder with --out, or move it away"
    )


def here_already(target: Path, head: Mapping[str, str]) -> bool:
    """Whether the target is this very file, as far as that can be told without its bytes.

    Raises
    ------
    UsageError
        It is something else.
    """
    if not target.exists():
        return False
    if not target.is_file() or str(target.stat().st_size) != head.get("content-length"):
        raise taken(target)
    announced = digest_of(head)
    if announced is None:
        return False
    with open(target, "rb") as file:
        if hashlib.file_digest(file, "sha256").digest() != announced:
            raise taken(target)
    return True


def same_bytes(one: Path, other: Path) -> bool:
    """Whether two files hold the same."""
    if not other.is_file() or one.stat().st_size != other.stat().st_size:
        return False
    with open(one, "rb") as a, open(other, "rb") as b:
        while piece := a.read(PIECE):
            if piece != b.read(PIECE):
                return False
    return True


def _sync(file: BufferedRandom) -> None:
    file.flush()
    os.fsync(file.fileno())
