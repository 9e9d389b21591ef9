"""Sorts cards in a process of its own: ``python -m nearfar.runner.watching.card_sorting``, the request on standard input.

It runs at low priority and within bounds of memory, one card at a time, and ends with the watch that started it. What
it found it leaves in ``state/cards``; a picture that cannot be decoded, or a crash, costs the watch nothing.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nearfar.errors import NearfarError
from nearfar.intake.card.following import GIVEN_UP
from nearfar.intake.card.kept_card import CardFiles, Kept, Trace
from nearfar.runner.processes import child, here

log = logging.getLogger(__name__)

NICE = 10
LEAST_MEMORY = 1 << 30
"""Bytes for data: enough to decode one frame of 100 megapixels, 16 bits deep, besides the libraries."""
TRIES = 3
REST = 30.0
"""Seconds after a first try that failed; doubled after each further one."""
QUIET_LIBRARIES = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


@dataclass(kw_only=True)
class _Failed:
    count: int = 0
    at: float = 0.0
    why: str = ""


class CardSorter:
    """Starts the process, one at a time, and hears how it ended.

    Parameters
    ----------
    memory
        Bytes that the process may take for data.
    """

    def __init__(self, files: CardFiles, *, memory: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._files = files
        self._memory = max(memory, LEAST_MEMORY)
        self._clock = clock
        self._starting = ThreadPoolExecutor(1, "starts card sorting")
        """A thread that stays: the process ends with the thread that started it, and who asks may be gone at once."""
        self._work: tuple[tuple[str, int], subprocess.Popen[str]] | None = None
        self._failed: dict[tuple[str, int], _Failed] = {}

    def ask(self, card: str, folder: str, files: Mapping[str, Trace]) -> str:
        """Have a card sorted, if that is not under way; how it stands, in words."""
        request = card, hash(frozenset(files.items()))
        self._hear()
        count = f"{len(files)} files"
        if self._work is not None:
            own = self._work[0] == request
            return (
                f"being sorted into stacks: {count}" if own else f"{count} wait for another card to be sorted"
            )
        failed = self._failed.get(request, _Failed())
        if failed.count >= TRIES:
            return f"{GIVEN_UP}: {failed.why}; tried again when a file changes or the server restarts"
        if failed.count and self._clock() < failed.at + REST * 2 ** (failed.count - 1):
            return f"could not be sorted: {failed.why}; tried again soon"
        try:
            self._work = request, self._starting.submit(self._start, card, folder, files).result()
        except OSError as error:
            self._note(request, f"the process that sorts cannot be started ({error})")
            return f"could not be sorted: {self._failed[request].why}; tried again soon"
        return f"being sorted into stacks: {count}"

    def busy(self) -> bool:
        """Whether a card is being sorted now."""
        self._hear()
        return self._work is not None

    def close(self) -> None:
        """Stop what is under way; it begins again at the next start, with what was looked at so far."""
        if self._work is not None:
            process = self._work[1]
            process.kill()
            process.communicate()
            self._work = None
        self._starting.shutdown()

    def _start(self, card: str, folder: str, files: Mapping[str, Trace]) -> subprocess.Popen[str]:
        self._files.folder.mkdir(parents=True, exist_ok=True)
        file = self._files.folder / f".{card}.request.json"
        said = {"card": card, "folder": folder, "files": files, "memory": self._memory}
        file.write_text(json.dumps({**said, "state": str(self._files.folder)}), encoding="ascii")
        with open(file, encoding="ascii") as request:
            return subprocess.Popen(
                child.command("nearfar.runner.watching.card_sorting"),
                stdin=request,
                stdout=subprocess.PIPE,
                text=True,
                env={**os.environ, **QUIET_LIBRARIES},
            )

    def _hear(self) -> None:
        """Note how the process ended, if it did."""
        if self._work is None or self._work[1].poll() is None:
            return
        request, process = self._work
        said, _ = process.communicate()
        self._work = None
        if process.returncode == 0:
            self._failed.pop(request, None)
            return
        why = said.strip() or f"the process that sorts ended with {here.signal_name(process.returncode)}"
        self._note(request, why)
        log.warning("card %s: %s", request[0], why, extra={"action": "card.not-sorted"})

    def _note(self, request: tuple[str, int], why: str) -> None:
        failed = self._failed.setdefault(request, _Failed())
        failed.count, failed.at, failed.why = failed.count + 1, self._clock(), why


def main() -> int:
    """Do what standard input asks for; what went wrong goes to standard output, in a sentence."""
    request = json.load(sys.stdin)
    os.nice(NICE)
    resource.setrlimit(resource.RLIMIT_DATA, (request["memory"], request["memory"]))
    try:
        sort(request)
    except NearfarError as error:
        print(error)  # noqa: T201 - for the watch
        return 1
    except MemoryError:
        print(f"{request['memory'] >> 20} MiB of memory do not suffice")  # noqa: T201 - the same
        return 1
    return 0


def sort(request: Mapping[str, Any]) -> None:
    """Sort a card, and keep what was found and small pictures of its frames.

    Raises
    ------
    NearfarError, OSError
    """
    from nearfar.intake.card.pictures import keep_small
    from nearfar.intake.card.sorting import sort_card

    files = CardFiles(Path(request["state"]))
    folder = Path(request["folder"])
    paths = [path for path in _paths(request) if path.exists()]
    card = sort_card(paths, cache=files.folder)
    small = keep_small(card, files, request["card"])
    kept = Kept(path=str(folder), files=request["files"], card=card, small=small)
    files.write(request["card"], kept)
    with contextlib.suppress(OSError):
        (files.folder / f".{request['card']}.request.json").unlink()


def _paths(request: Mapping[str, Any]) -> Iterator[Path]:
    for name in request["files"]:
        yield Path(request["folder"], name)


if __name__ == "__main__":
    raise SystemExit(main())
