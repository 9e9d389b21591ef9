"""Frames to look at: those that were made ready lie in a folder of a bounded size, others are made by one process.

The process (`process`) is started by the first frame that is asked for and ends when nobody asked for a while.
It has bounds of memory and time, and makes one frame after the other; whoever waits holds a future, no thread.
"""

from __future__ import annotations

import json
import logging
import os
import select
import shutil
import subprocess
import threading
import time
from collections import OrderedDict
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from nearfar.errors import FrameRefused, NearfarError, WorkFailed
from nearfar.merge.keys import key
from nearfar.runner.processes import child, here
from nearfar.runner.results.remove import files_in, folders_in, remove_file
from nearfar.settings import format_size

log = logging.getLogger(__name__)

LOOKED = "looked"
"""Folder of what was made ready, in scratch; below it one for each family of jobs, named as their other folders."""
MODULE = "nearfar.runner.looking.process"
LEAST_MEMORY = 1 << 30
"""Bytes for data: enough for a frame of 100 megapixels, 16 bits deep."""
LONGEST = 60.0
"""Seconds for one frame."""
IDLE = 120.0
"""Seconds without a question after which the process ends."""
TRIES = 2
"""The process may have been ended from outside."""
MOST_WAITING = 32
"""Frames that may be asked for and not made yet."""
IN_USE = 30.0
"""Seconds for which nothing is removed that was just made or asked for."""
QUIET_LIBRARIES = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
VERSION = 1
Line = dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Wish:
    """Which frame, and how it lies to its picture, as the report of the merge has it."""

    path: str
    digest: str
    pose: tuple[tuple[float, float, float], tuple[float, float, float]]
    """From the picture's (x, y) to the frame's."""
    gain_ev: float
    size: tuple[int, int]
    """Width and height of the picture."""
    bend: dict[str, Any] | None = None
    """How the frame is displaced beyond its pose, as the report has it."""
    raw: dict[str, Any] | None = None
    """How it was developed, if it is a raw frame; see `nearfar.merge.development`."""
    turned: int | None = None
    """The orientation that it was turned by, if not by its own; see `nearfar.merge.turning`."""
    corrected: dict[str, Any] | None = None
    """Dark and flat frames that it was corrected with, as the report has them."""

    @property
    def key(self) -> str:
        """Names what comes of it."""
        params: dict[str, Any] = {"pose": self.pose, "gain": self.gain_ev, "size": self.size}
        if self.bend:
            params["bend"] = self.bend
        if self.raw:
            params["raw"] = self.raw
        if self.turned:
            params["turned"] = self.turned
        if self.corrected:
            params["corrected"] = [[m["digest"] for m in self.corrected[name]] for name in ("dark", "flat")]
        return key("look", VERSION, params, [self.digest])


class TooManyAsked(NearfarError):
    """More frames are asked for than can be made ready soon."""


class Looking:
    """Frames made ready to be looked at.

    Parameters
    ----------
    folder
        Where they are kept; made if it is missing.
    memory
        Bytes that the process may take for data.
    room
        Bytes of the folder; the frame that was not looked at for the longest goes first.
    spare
        Bytes left free on the folder's disk.
    """

    def __init__(
        self,
        folder: Path,
        *,
        memory: int,
        room: int,
        spare: int = 0,
        longest: float = LONGEST,
        idle: float = IDLE,
        module: str = MODULE,
    ) -> None:
        self.folder = folder
        self.room, self.spare = room, spare
        self._memory = max(memory, LEAST_MEMORY)
        self._longest, self._idle, self._module = longest, idle, module
        self._waiting: OrderedDict[Path, tuple[Wish, Future[Path]]] = OrderedDict()
        self._lock = threading.Condition()
        self._thread: threading.Thread | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = False
        self.boot = here.boot()

    def frame(self, root: int, wish: Wish) -> Path | Future[Path]:
        """The file of a frame that is ready, or a future for it.

        Parameters
        ----------
        root
            Number under which the folders of the frame's job go.

        Raises
        ------
        TooManyAsked
            Ask again later. The future raises `FrameRefused` or `WorkFailed`.
        """
        target = self.folder / str(root) / f"{wish.key}.{self.boot}.tif"
        try:
            os.utime(target)
        except FileNotFoundError:
            return self._ask(target, wish)
        return target

    def wake(self) -> None:
        """Let the process start, since a frame may be asked for soon."""
        with self._lock:
            if not self._closed:
                self._have_thread()

    def _have_thread(self) -> None:
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="looking", daemon=True)
            self._thread.start()

    def _ask(self, target: Path, wish: Wish) -> Future[Path]:
        with self._lock:
            known = self._waiting.get(target)
            if known is not None and not known[1].cancelled():
                return known[1]
            if self._closed or len(self._waiting) >= MOST_WAITING:
                raise TooManyAsked(
                    f"{len(self._waiting)} frames are being made ready to be looked at; ask again in some seconds"
                )
            asked: Future[Path] = Future()
            self._waiting[target] = (wish, asked)
            self._have_thread()
            self._lock.notify_all()
            return asked

    def close(self) -> None:
        """End the process; what waits is cancelled."""
        with self._lock:
            self._closed = True
            for _, asked in self._waiting.values():
                asked.cancel()
            self._lock.notify_all()
            thread, process = self._thread, self._process
        if process is not None:
            process.kill()
        if thread is not None:
            thread.join(5)

    # The thread, which lives as long as the process that it starts: the process ends with it

    def _run(self) -> None:
        try:
            with suppress(OSError, WorkFailed):  # reported to whoever asks
                self._started()
            while (asked := self._next()) is not None:
                self._serve(*asked)
        finally:
            self._end()

    def _next(self) -> tuple[Path, Wish, Future[Path]] | None:
        with self._lock:
            if not self._waiting and not self._closed:
                self._lock.wait_for(lambda: self._waiting or self._closed, self._idle)
            if self._closed or not self._waiting:
                self._thread = None
                return None
            target, (wish, asked) = next(iter(self._waiting.items()))
            return target, wish, asked

    def _serve(self, target: Path, wish: Wish, asked: Future[Path]) -> None:
        try:
            if asked.set_running_or_notify_cancel():
                self._make_room(target, wish)
                asked.set_result(self._made(target, wish))
        except Exception as error:  # noqa: BLE001 - goes to whoever waits
            level = logging.WARNING if isinstance(error, NearfarError) else logging.ERROR
            log.log(level, "%s: %s", wish.path, error, extra={"action": "look.failed"})
            asked.set_exception(error)
        finally:
            with self._lock:
                self._waiting.pop(target, None)

    def _made(self, target: Path, wish: Wish) -> Path:
        said: Line | None = None
        for _ in range(TRIES):
            said = self._asked({"target": str(target), "wish": asdict(wish)})
            if said is not None:
                break
        if said is None:
            raise WorkFailed(
                f"{Path(wish.path).name}: the process that makes frames ready to be looked at was ended twice; "
                f"{self._memory >> 20} MiB of memory may not do. Look again, and see the server's log."
            )
        if "refused" in said:
            raise FrameRefused(**said["refused"])
        if "failed" in said:
            raise WorkFailed(said["failed"])
        return Path(said["made"])

    def _asked(self, question: Line) -> Line | None:
        """The process's answer; None if it ended instead. Raises `WorkFailed` if it took too long."""
        try:
            process = self._started()
            assert process.stdin is not None  # noqa: S101 - both are pipes
            assert process.stdout is not None  # noqa: S101
            process.stdin.write(json.dumps(question).encode() + b"\n")
        except BrokenPipeError:
            self._end()
            return None
        line, end = b"", time.monotonic() + self._longest
        while not line.endswith(b"\n"):
            ready, _, _ = select.select([process.stdout], [], [], max(0.0, end - time.monotonic()))
            if not ready:
                self._end()
                raise WorkFailed(
                    f"{Path(question['wish']['path']).name}: it was not ready to be looked at within "
                    f"{self._longest:.0f} s. Look again when the machine has less to do."
                )
            piece = os.read(process.stdout.fileno(), 1 << 16)
            if not piece:
                self._end()
                return None
            line += piece
        found: Line = json.loads(line)
        return found

    def _started(self) -> subprocess.Popen[bytes]:
        with self._lock:
            if self._closed:
                raise WorkFailed("the server is stopping")
            if self._process is None:
                self._process = subprocess.Popen(
                    child.command(self._module),
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    bufsize=0,
                    env={**os.environ, **QUIET_LIBRARIES},
                )
                assert self._process.stdin is not None  # noqa: S101
                self._process.stdin.write(json.dumps({"memory": self._memory}).encode() + b"\n")
            return self._process

    def _end(self) -> None:
        with self._lock:
            process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.communicate()
            log.info("the process that makes frames ready ended", extra={"action": "look.end"})

    # The folder

    def _make_room(self, target: Path, wish: Wish) -> None:
        """Remove what exceeds the limit, is left from earlier boots, or is half made.

        Raises
        ------
        WorkFailed
            There is too little space on the disk.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        need = 4 * wish.size[0] * wish.size[1]
        most = self.room - need
        lacks = need + self.spare - shutil.disk_usage(self.folder).free
        kept = sorted(self._kept(target.parent))
        total = sum(size for _, size, _ in kept)
        for touched, size, file in kept:
            if (total <= most and lacks <= 0) or touched > time.time() - IN_USE:
                break
            remove_file(file, within=file.parent)
            total, lacks = total - size, lacks - size
        if lacks > 0:
            raise WorkFailed(
                f"{self.folder}: its disk lacks {format_size(lacks)} for looking at {Path(wish.path).name}. Make room there."
            )

    def _kept(self, needed: Path) -> Iterator[tuple[float, int, Path]]:
        """When each frame that is ready was last looked at, its bytes and where it lies; all else is removed."""
        for folder in folders_in(self.folder):
            for file in files_in(folder):
                if file.name.endswith(".part") or f".{self.boot}." not in file.name:
                    remove_file(file, within=folder)
                    continue
                with suppress(OSError):
                    status = file.stat()
                    yield status.st_mtime, status.st_size, file
            if folder != needed:
                with suppress(OSError):
                    folder.rmdir()  # fails if something is left
