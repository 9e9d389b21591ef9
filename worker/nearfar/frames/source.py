"""One picture file opened for reading, and the refusals that every format shares.

Files are read, never mapped, while they are decoded: a file that shrinks under a mapping kills the process,
a short read is an error with a name.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from nearfar.errors import FrameRefused

MAX_PIXELS = 2_000_000_000  # beyond this, no plan of ours fits any machine
COPY_AGAIN = "Copy the file again from the card, or leave it out."
EXPORT_AGAIN = "Export the frame again as 8- or 16-bit RGB or greyscale TIFF."


@dataclass(frozen=True, kw_only=True)
class FrameFile:
    """An open picture file: its path, its size in bytes, and reads that are complete or refused."""

    path: Path
    size: int
    descriptor: int

    def read(self, offset: int, size: int) -> bytes:
        """``size`` bytes from ``offset``; a file that ends before them is refused as cut short."""
        data = self.peek(offset, size)
        if len(data) != size:
            raise self.cut_short(f"{offset + size} bytes")
        return data

    def peek(self, offset: int, size: int) -> bytes:
        """Up to ``size`` bytes from ``offset``, fewer at the file's end."""
        if offset < 0 or size <= 0 or offset >= self.size:
            return b""
        pieces: list[bytes] = []
        end = min(offset + size, self.size)
        while offset < end:
            piece = self._piece(offset, end - offset)
            if not piece:
                break
            pieces.append(piece)
            offset += len(piece)
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    def read_into(self, out: memoryview) -> None:
        """The whole file into ``out``, `size` bytes; one that ends before them is refused as cut short."""
        done = 0
        while done < len(out):
            with self._reading():
                count = os.preadv(self.descriptor, [out[done:]], done)
            if not count:
                raise self.cut_short(f"{len(out)} bytes")
            done += count

    def _piece(self, offset: int, size: int) -> bytes:
        with self._reading():
            return os.pread(self.descriptor, size, offset)

    @contextmanager
    def _reading(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise self.refused(
                f"an error while reading: {error.strerror or error}",
                "a readable file",
                "Check the disk or the network share, then try again.",
            ) from error

    def refused(self, found: str, expected: str, remedy: str) -> FrameRefused:
        """The error to raise about this file."""
        return FrameRefused(self.path, found=found, expected=expected, remedy=remedy)

    def cut_short(self, expected: str) -> FrameRefused:
        """The error for a file that ends too early."""
        return self.refused(f"a file that ends early, after {self.size} bytes", expected, COPY_AGAIN)

    def damaged(self, what: str) -> FrameRefused:
        """The error for contents that contradict themselves."""
        return self.refused(f"damaged data ({what})", "an undamaged file", COPY_AGAIN)


@contextmanager
def opened(path: Path | str) -> Iterator[FrameFile]:
    """Open a picture file. Folders, dangling links, empty and unreadable files are refused with the reason."""
    path = Path(path)
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except (OSError, ValueError) as error:
        raise _cannot_open(path, error) from error
    try:
        status = os.fstat(descriptor)
        _check_kind(path, status)
        yield FrameFile(path=path, size=status.st_size, descriptor=descriptor)
    finally:
        os.close(descriptor)


def _check_kind(path: Path, status: os.stat_result) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise FrameRefused(
            path,
            found="a folder",
            expected="a picture file",
            remedy="Name the files in it, or sort it first.",
        )
    if not stat.S_ISREG(status.st_mode):
        raise FrameRefused(
            path,
            found="something that is not a plain file",
            expected="a picture file",
            remedy="Leave it out.",
        )
    if status.st_size == 0:
        raise FrameRefused(path, found="an empty file (0 bytes)", expected="a picture", remedy=COPY_AGAIN)


def _cannot_open(path: Path, error: OSError | ValueError) -> FrameRefused:
    if isinstance(error, FileNotFoundError) and path.is_symlink():
        found, remedy = f"a link to nothing ({path.readlink()})", "Repair the link, or leave it out."
    elif isinstance(error, FileNotFoundError):
        found, remedy = "no such file", "Check the name and the folder."
    elif isinstance(error, PermissionError):
        found = f"a file that user {os.geteuid()} may not read"
        remedy = "Change the file's permissions or owner."
    else:
        found = f"a file that cannot be opened ({getattr(error, 'strerror', None) or error})"
        remedy = "Check the disk or the network share, then try again."
    return FrameRefused(path, found=found, expected="a readable file", remedy=remedy)


def check_size(file: FrameFile, width: int, height: int, *, pixels_per_byte: float) -> None:
    """Refuse sizes that no real file of this length can hold, before anything is allocated.

    ``pixels_per_byte`` is the most that the file's coding can do.
    """
    if width < 1 or height < 1:
        raise file.damaged(f"a size of {width} x {height} pixels")
    if width * height > MAX_PIXELS:
        raise file.refused(
            f"a size of {width} x {height} pixels",
            f"at most {MAX_PIXELS // 1_000_000} megapixels",
            "Check that the file is what it should be, or export it smaller.",
        )
    if width * height > pixels_per_byte * file.size:
        raise file.refused(
            f"a header that claims {width} x {height} pixels in a file of {file.size} bytes",
            "a file large enough for its pixels",
            COPY_AGAIN,
        )
