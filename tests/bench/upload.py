"""``python -m tests.bench.upload [--size BYTES]``: memory of the API process over an upload, and a server killed midway.

One frame is sent in one request. Half way the server is killed as by a power cut and started again; the upload goes on
from what is there. The frame has to have the digest that was announced.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import re
import shutil
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

import httpx
import numpy as np

from tests.api.process import PATIENCE, Process, running

PIECE = 1 << 20
HEADERS = {"Content-Type": "application/octet-stream"}


@dataclass(frozen=True, kw_only=True)
class Upload:
    """What one upload took. Bytes and seconds."""

    size: int
    before: int
    """Resident memory of the process that took the first half, before it did."""
    peak: int
    """The most of it at any time."""
    peak_after: int
    """The same of the process that took the rest."""
    kept: int
    """What was there after the kill."""
    seconds: float
    whole: bool
    """Whether the frame has the digest that was announced."""


def content(start: int, stop: int) -> Iterator[bytes]:
    """Bytes of the frame, the same each time; every MiB differs from all others."""
    block = np.random.default_rng(20).integers(0, 256, PIECE, np.uint8)
    for k in range(start // PIECE, -(-stop // PIECE)):
        piece = np.bitwise_xor(block, np.uint8(k % 251)).tobytes()
        piece = k.to_bytes(8, "little") + piece[8:]
        yield piece[max(start - k * PIECE, 0) : min(stop - k * PIECE, PIECE)]


def digest(size: int) -> str:
    """Of the whole frame, as RFC 9530 writes it."""
    made = hashlib.sha256()
    for piece in content(0, size):
        made.update(piece)
    return f"sha-256=:{base64.b64encode(made.digest()).decode()}:"


@dataclass
class Watch:
    """Looks at a process's resident memory again and again."""

    pid: int
    peak: int = 0
    _over: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Self:
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._over.wait(0.02):
            self.peak = max(self.peak, resident(self.pid))


def resident(pid: int) -> int:
    """Bytes of a process that lie in memory, of its own and shared; 0 once it is gone."""
    try:
        found = re.search(r"VmRSS:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    except OSError:
        return 0
    return 1024 * int(found[1]) if found else 0


def measure(data: Path, size: int, *, announced: str | None = None) -> Upload:
    """Send a frame of that many bytes to a server with this data folder, which is killed half way."""
    said = announced or digest(size)
    with running(data, log=data.with_name(f"{data.name}.log")) as server:
        wish = {"stack": "long-lake", "upload": [{"name": "01.tif", "size": size}]}
        job = httpx.post(f"{server.url}/api/v1/jobs", json=wish, timeout=PATIENCE).raise_for_status().json()
        place = f"{server.url}/api/v1/jobs/{job['id']}/frames/1"
        part = data / "uploads" / str(job["id"]) / "1.part"
        assert server.child is not None
        before, began = resident(server.child.pid), time.monotonic()
        with Watch(server.child.pid) as first:
            _send_until_killed(server, place, part, size)
        server.start()
        kept = int(httpx.head(place, timeout=PATIENCE).headers["received"])
        with Watch(server.child.pid) as second:
            answer = httpx.put(
                place,
                content=content(kept, size),
                headers={
                    **HEADERS,
                    "Content-Length": str(size - kept),
                    "Content-Range": f"bytes {kept}-{size - 1}/{size}",
                    "Repr-Digest": said,
                },
                timeout=PATIENCE * 10,
            )
        seconds = time.monotonic() - began
        whole = answer.is_success and answer.json()["complete"] and _same(part.with_name("01.tif"), said)
        return Upload(
            size=size,
            before=before,
            peak=first.peak,
            peak_after=second.peak,
            kept=kept,
            seconds=seconds,
            whole=whole,
        )


def _send_until_killed(server: Process, place: str, part: Path, size: int) -> None:
    """Send; once half of it is on the disk the server is killed."""

    def until_half() -> Iterator[bytes]:
        sent = 0
        for piece in content(0, size):
            yield piece
            sent += len(piece)
            if sent >= size * 0.6 and part.exists() and part.stat().st_size >= size * 0.5:
                server.kill()

    try:
        httpx.put(
            place,
            content=until_half(),
            headers={**HEADERS, "Content-Length": str(size)},
            timeout=PATIENCE * 10,
        )
    except httpx.TransportError:
        return
    raise RuntimeError("the server was killed and answered nevertheless")


def _same(file: Path, said: str) -> bool:
    with file.open("rb") as reading:
        found = hashlib.file_digest(reading, "sha256").digest()
    return said == f"sha-256=:{base64.b64encode(found).decode()}:"


def report(found: Upload) -> str:
    """For people."""
    return (
        f"{found.size / 1e9:.1f} GB in {found.seconds:.1f} s with a kill at {found.kept / 1e9:.2f} GB; resident memory "
        f"{found.before / 2**20:.0f} MiB before, at most {found.peak / 2**20:.0f} MiB up to the kill and "
        f"{found.peak_after / 2**20:.0f} MiB after it; digest {'right' if found.whole else 'WRONG'}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=float, default=2e9, help="bytes (default: 2e9)")
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="nearfar-upload-"))
    try:
        found = measure(folder / "data", int(options.size))
    finally:
        shutil.rmtree(folder)
    print(report(found))
    return 0 if found.whole else 1


if __name__ == "__main__":
    raise SystemExit(main())
