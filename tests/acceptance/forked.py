"""The command, loaded once and run many times: each line of JSON on standard input is a run in a process of its own.

``{"arguments": [...], "after": seconds or null}`` runs ``nearfar ARGUMENTS`` and kills it (SIGKILL) after that time;
the answer is ``{"code": exit code or minus the signal, "seconds": wall time}``.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from nearfar import cli, cli_merge  # noqa: F401 - loaded before the first fork
from tests.acceptance.command import environment


@dataclass(frozen=True)
class Forks:
    """The process that runs the command."""

    process: subprocess.Popen[str]

    def run(self, arguments: Sequence[str | Path], *, after: float | None = None) -> tuple[int, float]:
        """Exit code and seconds of one run, killed ``after`` seconds."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        order = {"arguments": [str(a) for a in arguments], "after": after}
        self.process.stdin.write(json.dumps(order) + "\n")
        self.process.stdin.flush()
        answer = json.loads(self.process.stdout.readline())
        return answer["code"], answer["seconds"]


@contextmanager
def forks() -> Iterator[Forks]:
    """Start the process; it ends with the block."""
    command = [sys.executable, "-m", "tests.acceptance.forked"]
    env = environment({"OPENBLAS_NUM_THREADS": "1"})  # no threads before a fork
    root = Path(__file__).resolve().parents[2]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=root, env=env
    ) as process:
        yield Forks(process)
        assert process.stdin is not None
        process.stdin.close()


def _run(arguments: Sequence[str], after: float | None) -> dict[str, float]:
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        nowhere = os.open(os.devnull, os.O_RDWR)
        for descriptor in (0, 1, 2):
            os.dup2(nowhere, descriptor)
        os._exit(cli.main(arguments))
    ended = os.pidfd_open(child)
    if not select.select([ended], [], [], after)[0]:
        os.kill(child, signal.SIGKILL)
    os.close(ended)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return {"code": code, "seconds": time.monotonic() - began}


def main() -> None:
    for line in sys.stdin:
        order = json.loads(line)
        print(json.dumps(_run(order["arguments"], order["after"])), flush=True)


if __name__ == "__main__":
    main()
