"""The command, loaded once and run many times: each line of JSON on standard input is a run in a process of its own.

``{"arguments": [...], "env": {...}, "after": seconds or null, "out": path, "err": path}`` runs ``nearfar ARGUMENTS``
in that environment, its outputs going to those files, and kills it (SIGKILL) after that time. The answer is
``{"code": exit code or minus the signal, "seconds": wall time}``. It saves the half second that libraries take to load.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
import time
from typing import Any

from nearfar.cli import (
    command,
    merge,  # noqa: F401 - loaded before the first fork
)


def _run(order: dict[str, Any]) -> dict[str, float]:
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        _become(order)
    ended = os.pidfd_open(child)
    if not select.select([ended], [], [], order["after"])[0]:
        os.kill(child, signal.SIGKILL)
    os.close(ended)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return {"code": code, "seconds": time.monotonic() - began}


def _become(order: dict[str, Any]) -> None:
    """Run the command in this process and end it."""
    os.environ.clear()
    os.environ.update(order["env"])
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    for descriptor, path in ((1, order["out"]), (2, order["err"])):
        os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), descriptor)
    code = 1
    try:
        code = command.main(order["arguments"])
    except SystemExit as ended:
        code = int(ended.code or 0)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def main() -> None:
    answers = os.fdopen(os.dup(1), "w")
    for line in sys.stdin:
        answers.write(json.dumps(_run(json.loads(line))) + "\n")
        answers.flush()


if __name__ == "__main__":
    main()
