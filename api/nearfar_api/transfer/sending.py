"""Send an open file: whole, a part, or several (RFC 9110, sections 13 to 15), a megabyte at a time."""

from __future__ import annotations

import hashlib
import os
import secrets
import threading
from collections import OrderedDict
from collections.abc import AsyncIterator, Sequence
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.responses import Response, StreamingResponse
from starlette.types import Receive, Scope, Send

from nearfar_api.problems import Problem
from nearfar_api.transfer import digests, ranges
from nearfar_api.transfer.results import Opened

PIECE = 1 << 20
SHOWN = ("image/jpeg", "image/png", "application/json", "text/plain; charset=utf-8")
"""Types that browsers may show; all others they are told to save."""
KNOWN = 512
"""Files whose digest is kept."""


def disposition(name: str, type_: str) -> str:
    """``Content-Disposition`` (RFC 6266) with the name twice if it is not plain ASCII (RFC 8187)."""
    how = "inline" if type_ in SHOWN else "attachment"
    plain = "".join(c if " " <= c <= "~" and c not in '"\\%' else "_" for c in name)
    if plain == name:
        return f'{how}; filename="{name}"'
    return f"{how}; filename=\"{plain}\"; filename*=UTF-8''{quote(name, safe='!#$&+-.^_`|~')}"


class DigestBook:
    """SHA-256 of files by their tags."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: OrderedDict[str, bytes] = OrderedDict()

    def known(self, tag: str) -> bytes | None:
        """A digest that was computed before, or None."""
        with self._lock:
            return self._known.get(tag)

    def of(self, file: Opened) -> bytes:
        """The digest; reads the file if it is not known."""
        found = self.known(file.tag)
        if found is None:
            with open(os.dup(file.fd), "rb") as reader:
                reader.seek(0)
                found = hashlib.file_digest(reader, "sha256").digest()
            with self._lock:
                self._known[file.tag] = found
                while len(self._known) > KNOWN:
                    self._known.popitem(last=False)
        return found


def respond(file: Opened, scope: Scope, book: DigestBook) -> Response:
    """The answer for an open file, which it closes. Raises `Problem` with the file closed."""
    try:
        return _respond(file, scope, book)
    except BaseException:
        os.close(file.fd)
        raise


def _respond(file: Opened, scope: Scope, book: DigestBook) -> Response:
    asked = Headers(scope=scope)
    head = scope.get("nearfar.method") == "HEAD"
    headers = {
        "etag": file.tag,
        "last-modified": ranges.http_date(file.modified),
        "accept-ranges": "bytes",
        "cache-control": "private, no-cache",
    }
    status = ranges.outcome(asked, tag=file.tag, modified=file.modified)
    if status == 304:
        os.close(file.fd)
        return Response(status_code=304, headers=headers)
    if status == 412:
        raise Problem("changed", f"{file.name} is no longer what it was: its tag is {file.tag}.")
    wanted = head or "sha-256" in asked.get("want-repr-digest", "")
    digest = book.of(file) if wanted else book.known(file.tag)
    if digest is not None:
        headers["repr-digest"] = digests.written({"sha-256": digest})
    headers["content-disposition"] = disposition(file.name, file.type)
    return _FileResponse(file, _parts(file, asked), headers, head=head)


def _parts(file: Opened, asked: Headers) -> Sequence[tuple[int, int]]:
    """Parts to send; empty: all."""
    if not ranges.range_holds(asked, tag=file.tag, modified=file.modified):
        return []
    try:
        return ranges.parse(asked.get("range"), file.size)
    except ranges.NotSatisfiable:
        field = {"content-range": f"bytes */{file.size}"}
        detail = f"{file.name} has {file.size} bytes; {asked['range'][:100]!r} asks for none of them."
        raise Problem("no-range", detail, headers=field, size=file.size) from None


class _FileResponse(StreamingResponse):
    """Sends parts of a file and closes it."""

    def __init__(
        self, file: Opened, parts: Sequence[tuple[int, int]], headers: dict[str, str], *, head: bool
    ) -> None:
        self.file = file
        status = 206 if parts else 200
        if len(parts) > 1:
            pieces, type_ = self._several(parts)
        else:
            first, stop = parts[0] if parts else (0, file.size)
            if parts:
                headers["content-range"] = f"bytes {first}-{stop - 1}/{file.size}"
            pieces, type_ = [(b"", first, stop)], file.type
        headers["content-length"] = str(sum(len(text) + stop - first for text, first, stop in pieces))
        super().__init__(self._read([] if head else pieces), status, headers, type_)

    def _several(self, parts: Sequence[tuple[int, int]]) -> tuple[list[tuple[bytes, int, int]], str]:
        """Text before each part with its bounds, and the type that names what stands between them (14.6)."""
        mark = secrets.token_hex(16)
        pieces: list[tuple[bytes, int, int]] = []
        for first, stop in parts:
            about = (
                f"Content-Type: {self.file.type}\r\nContent-Range: bytes {first}-{stop - 1}/{self.file.size}"
            )
            before = "\r\n" if pieces else ""
            pieces.append((f"{before}--{mark}\r\n{about}\r\n\r\n".encode(), first, stop))
        pieces.append((f"\r\n--{mark}--\r\n".encode(), 0, 0))
        return pieces, f"multipart/byteranges; boundary={mark}"

    async def _read(self, pieces: Sequence[tuple[bytes, int, int]]) -> AsyncIterator[bytes]:
        for text, first, stop in pieces:
            if text:
                yield text
            at = first
            while at < stop:
                data = await run_in_threadpool(os.pread, self.file.fd, min(PIECE, stop - at), at)
                if not data:
                    raise OSError(f"{self.file.name} became shorter while it was sent")
                at += len(data)
                yield data

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it; the file is closed however that ends."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            os.close(self.file.fd)
