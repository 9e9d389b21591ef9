"""``nearfar send``: a stack goes to a server, frame by frame, each with its digest, and resumes where it broke off.

Nothing is remembered here. The set of frames itself, by names, sizes and digests, makes the key by which the server knows
the job again; how much of each frame has arrived is what the server has.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import json
import os
import secrets
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any, BinaryIO

from nearfar.cli.client.follow import JobProgress, ended, follow, left_behind
from nearfar.cli.client.http import (
    Address,
    Patience,
    Server,
    content,
    find_server,
    kind_of,
    worth_another_try,
)
from nearfar.cli.say import say, say_json
from nearfar.errors import Interrupted, RecipeRefused, ServerError, SourceChanged, UsageError
from nearfar.intake.listing import gather
from nearfar.object_tables import address_of
from nearfar.progress import Progress

PIECE = 1 << 20
"""Bytes read and sent at a time."""
TRIES = 3
"""How often a frame is sent that arrives with another digest."""


@dataclass(frozen=True, kw_only=True)
class OutFrame:
    """A frame to be sent, as it was when it was read for its digest."""

    path: Path
    size: int
    changed: int
    """Time of the last change, ns."""
    digest: bytes
    """SHA-256."""

    @property
    def field(self) -> str:
        """The digest as RFC 9530 has it."""
        return f"sha-256=:{base64.b64encode(self.digest).decode('ascii')}:"

    def announced(self) -> dict[str, object]:
        """What the server is told before the bytes come."""
        return {"name": self.path.name, "size": self.size, "digest": self.field}


def run(options: argparse.Namespace, signals: Any) -> int:
    """Send what the options name, follow it if asked to; the exit code."""
    address = find_server(options)
    if any(isinstance(each, str) for each in options.frames):
        return _run_fetched(options, signals, address)
    gathered = gather(options.frames)
    paths = [header.path for header in gathered.headers]
    progress = Progress(quiet=options.quiet)
    for path, reason in gathered.passed_over:
        progress.note(f"passed over {path.name!r}: {reason}")
    signals.ask(_not_all_sent)
    wanted = wishes(options)
    with Server(address) as server:
        if options.by_path:
            body = wanted | {"frames": [str(path.absolute()) for path in paths]}
            job = submitted(server, body, [stamp(path) for path in paths], again=options.again)
        else:
            with progress:
                frames = read_all(paths, progress)
                body = wanted | {"upload": [frame.announced() for frame in frames]}
                body.pop("hold", None)  # a job that waits for its frames is held in any case
                job = submitted(server, body, body["upload"], again=options.again)
                arrived = send_all(server, job["id"], frames, progress)
            if options.hold and arrived:
                server.post(f"/jobs/{job['id']}/hold", {"reason": "as asked by whoever sent it"})
            job = server.job(job["id"]) | {"duplicate": job.get("duplicate", False)}
        return finished(server, job, options, signals)


def _run_fetched(options: argparse.Namespace, signals: Any, address: Address) -> int:
    """Let the server fetch the frames from a bucket; the same objects give the same job."""
    if len(options.frames) > 1 or options.by_path:
        raise UsageError("one address like s3://bucket/prefix/ is sent alone and without --by-path")
    place = str(options.frames[0])
    try:
        address_of(place)
    except ValueError as error:
        raise UsageError(str(error)) from error
    wanted = wishes(options, stack=place.rstrip("/").rpartition("/")[2]) | {"objects": place}
    wanted |= {"duplicates": "again" if options.again else "skip"}
    with Server(address) as server:
        job = submitted(server, wanted, secrets.token_hex(16), again=options.again)
        return finished(server, job, options, signals)


def finished(server: Server, job: Mapping[str, Any], options: argparse.Namespace, signals: Any) -> int:
    """Say which job it is, or follow it to its end."""
    if not options.quiet and not options.json:
        known = " (it was there already)" if job.get("duplicate") else ""
        say(f"job {job['id']}: {job['stack']}, {job['frames']['total']} frames, {job['state']}{known}")
    if options.follow:
        signals.ask(left_behind(job["id"]))
        with JobProgress(quiet=options.quiet) as progress:
            job = follow(server, job["id"], progress.show, note=progress.note)
    if options.json:
        say_json(job)
    if not options.follow:
        return 0
    text, code = ended(job)
    if not options.quiet and not options.json:
        say(text)
    return code


def _not_all_sent(reason: str) -> None:
    raise Interrupted(
        f"stopped by {reason}; what has arrived stays there. The same command continues from here"
    )


def wishes(options: argparse.Namespace, *, stack: str | None = None) -> dict[str, Any]:
    """What the options say about the job itself; ``stack`` is its name if they do not say one."""
    recipe, own = recipe_of(options.recipe)
    given = {
        "stack": options.stack or stack or stack_name(options.frames),
        "recipe": recipe,
        "settings": own,
        "owner": options.owner,
        "priority": options.priority,
        "hold": options.hold or None,
        "duplicates": "again" if options.again else None,
    }
    return {name: value for name, value in given.items() if value is not None}


def stack_name(paths: Sequence[Path]) -> str:
    """The name of the folder in which the first of the frames lies."""
    first = paths[0].absolute()
    name = first.name if first.is_dir() else first.parent.name
    return os.fsencode(name).decode("utf-8", "replace") or "stack"


def recipe_of(text: str | None) -> tuple[str | None, dict[str, str] | None]:
    """Name of a recipe, and settings that carry its text if it is a file of this machine's.

    Raises
    ------
    RecipeRefused
        The file cannot be read.
    """
    if text is None or not (text.endswith(".toml") or "/" in text):
        return text, None
    try:
        return Path(text).stem, {"recipe_toml": Path(text).read_text(encoding="utf-8")}
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not text"
        raise RecipeRefused(f"recipe {text}: {reason}; give the name of a recipe or a TOML file") from error


def read_all(paths: Sequence[Path], progress: Progress) -> list[OutFrame]:
    """Sizes and digests of frames; each is read once."""
    progress.step("read", sum(path.stat().st_size for path in paths))
    return [_read(path, progress) for path in paths]


def _read(path: Path, progress: Progress) -> OutFrame:
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        before = os.fstat(file.fileno())
        while piece := file.read(PIECE):
            digest.update(piece)
            progress.advance(len(piece))
        after = os.fstat(file.fileno())
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        raise _changed(path)
    return OutFrame(path=path, size=after.st_size, changed=after.st_mtime_ns, digest=digest.digest())


def _changed(path: Path) -> SourceChanged:
    return SourceChanged(
        f"{path}: it changed while it was read; let copies arrive completely, then give the same command again"
    )


def stamp(path: Path) -> tuple[str, int, int]:
    """What tells a file on this machine from what it was before: path, size, time of the last change in ns."""
    status = path.stat()
    return str(path.absolute()), status.st_size, status.st_mtime_ns


def submitted(server: Server, body: Mapping[str, Any], frames: object, *, again: bool) -> dict[str, Any]:
    """The job of this set of frames: the one that is there, else a new one.

    A job that failed or was cancelled is left alone, and so is one that is done if ``again`` is given: the set then gets
    the next job. One that is running is continued in any case.
    """
    over = {"done", "failed", "cancelled"} if again else {"failed", "cancelled"}
    patience = Patience()
    for turn in count():
        key = idempotency_key(body, frames, turn)
        job = None
        while job is None:
            try:
                job = server.post("/jobs", body, Idempotency_Key=key)
            except ServerError as error:
                if not worth_another_try(error):
                    raise
                patience.lost(error)
        if not job.get("duplicate") or job["state"] not in over:
            return dict(job)
    raise AssertionError("counting never ends")


def idempotency_key(body: Mapping[str, Any], frames: object, turn: int) -> str:
    """The same for the same wishes about the same set of frames, by whatever address their server is reached."""
    said = json.dumps([body, frames, turn], sort_keys=True)
    return hashlib.sha256(said.encode()).hexdigest()


def send_all(server: Server, job: int, frames: Sequence[OutFrame], progress: Progress) -> bool:
    """Send what the server does not have yet of each frame; whether there was anything to send.

    Raises
    ------
    ServerError
        It refuses, or stays away for too long.
    SourceChanged
        A frame is no longer what it was when its digest was made.
    """
    there = {entry["number"]: entry for entry in server.get(f"/jobs/{job}/frames")["frames"]}
    if len(there) != len(frames):
        raise ServerError(
            f"job {job} has {len(there)} frames at the server and {len(frames)} here; look at it there"
        )
    progress.step("send", sum(frame.size for frame in frames))
    patience = Patience()
    for number, frame in enumerate(frames, start=1):
        there_yet = there[number]["state"] != "expected"
        at = frame.size if there_yet else int(there[number]["received"] or 0)
        sending = _Sending(server, f"/jobs/{job}/frames/{number}", frame, progress, patience)
        sending.stand_at(at)
        if not there_yet:
            sending.run()
    return any(entry["state"] == "expected" for entry in there.values())


class _Sending:
    """One frame on its way, as often as it takes."""

    def __init__(
        self, server: Server, path: str, frame: OutFrame, progress: Progress, patience: Patience
    ) -> None:
        self.server, self.path, self.frame = server, path, frame
        self.progress, self.patience = progress, patience
        self.at = 0
        self.refused = 0

    def stand_at(self, at: int) -> None:
        """The server has, or has been sent, this many bytes."""
        self.progress.advance(at - self.at)
        self.at = at

    def run(self) -> None:
        """Send until the server says that it has it all."""
        while not self._once():
            self.stand_at(self._received())

    def _once(self) -> bool:
        try:
            complete = bool(self._put(0 if self.at >= self.frame.size else self.at)["complete"])
        except ServerError as error:
            return self._after(error)
        self.patience.fine()
        return complete

    def _after(self, error: ServerError) -> bool:
        """What to do after a refusal: True: nothing, the server has it; False: ask what it has, and go on."""
        kind = kind_of(error)
        if kind == "frame-complete":
            return True
        if worth_another_try(error):
            if self.patience.lost(error) and kind != "frame-busy":
                self.progress.note(f"{self.frame.path.name}: the connection is lost; trying again")
            return False
        if kind in {"wrong-offset", "digest-mismatch"}:
            self.refused += 1
            if self.refused < TRIES:
                return False
        raise error

    def _received(self) -> int:
        """How much the server has, once it answers again."""
        while True:
            try:
                return int(self.server.get(self.path)["received"])
            except ServerError as error:
                if not worth_another_try(error):
                    raise
                self.patience.lost(error)

    def _put(self, at: int) -> dict[str, Any]:
        self.stand_at(at)
        size = self.frame.size
        headers = {
            "Content-Length": str(size - at),
            "Content-Type": "application/octet-stream",
            "Repr-Digest": self.frame.field,
        }
        if at:
            headers["Content-Range"] = f"bytes {at}-{size - 1}/{size}"
        with open(self.frame.path, "rb") as file:
            status = os.fstat(file.fileno())
            if (status.st_size, status.st_mtime_ns) != (size, self.frame.changed):
                raise _changed(self.frame.path)
            file.seek(at)
            found = content(self.server.ask("PUT", self.path, content=self._pieces(file), headers=headers))
        return dict(found)

    def _pieces(self, file: BinaryIO) -> Iterator[bytes]:
        """What is left of the file; less if it became shorter, which breaks the request off."""
        while self.at < self.frame.size and (piece := file.read(min(PIECE, self.frame.size - self.at))):
            yield piece
            self.stand_at(self.at + len(piece))
