"""Frames are looked at within limits: a share that hangs costs a request its answer, and nothing else.

A thread that hangs in the system cannot be ended. It is left alone, and as long as it hangs every other request about the
same folder is refused at once.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

from nearfar.intake.answering import Answers
from nearfar_api import problems
from nearfar_api.problems import Problem

PATIENCE = 10.0
"""Seconds that a folder gets to answer; up to four times as long while it gives signs that it is being read."""
Answer = TypeVar("Answer")
_hanging: dict[str, Answers[Any]] = {}
"""Folders that were asked something and have not answered yet."""
_lock = threading.Lock()


def in_time(folder: str, call: Callable[[], Answer]) -> Answer:
    """What a call gives that looks at files of a folder. Raises what it raises, and `Problem` if it takes too long."""
    with _lock:
        before = _hanging.get(folder)
        if before is not None and _still(before, folder):
            raise _late(folder)
        _hanging.pop(folder, None)
    answers: Answers[Answer] = Answers(PATIENCE)
    answers.ask(folder, call)
    try:
        return answers.take(folder)
    except TimeoutError as error:
        if error.errno is not None:  # the system's own, which is an answer
            raise
        with _lock:
            _hanging[folder] = answers
        raise _late(folder) from error


def _still(answers: Answers[Any], folder: str) -> bool:
    """Whether a question has no answer yet; one that came meanwhile is of no use to anybody."""
    try:
        answers.take(folder)
    except TimeoutError as error:
        return error.errno is None
    except Exception:  # noqa: BLE001 - nobody asks for it any longer
        return False
    return False


def _late(folder: str) -> Problem:
    return Problem(
        "late",
        f"{folder} does not answer within {PATIENCE:.0f} s, and no job was made: a share may hang; check the network and "
        "the server of the share.",
        headers={"retry-after": str(problems.RETRY_AFTER)},
    )


def real(path: Path) -> Path:
    """Where a folder really lies; as it is written if its share hangs, so that others can be asked for."""
    try:
        return in_time(str(path), lambda: Path(os.path.realpath(path)))
    except Problem:
        return path.absolute()


def top_of(text: str, *, base: Path) -> str:
    """The folder whose share is asked for a path: the one right below ``base``, else the path itself up to its folder."""
    path = Path(os.path.normpath(base / text))
    if path.is_relative_to(base) and path != base:
        return str(base / path.relative_to(base).parts[0])
    return str(path.parent)


def each_in_time(folder: str, paths: Sequence[Path], call: Callable[[Path], Answer]) -> list[Answer]:
    """As `in_time`, for each of several files: how many there are does not count."""
    return [in_time(folder, lambda path=path: call(path)) for path in paths]  # type: ignore[misc]
