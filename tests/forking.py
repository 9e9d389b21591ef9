"""Processes that tests start and kill: forked from one that has loaded what they run, which takes a second each time."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable
from multiprocessing.process import BaseProcess
from typing import Any

FORKING = multiprocessing.get_context("forkserver")
FORKING.set_forkserver_preload(
    ["nearfar.runner.units", "nearfar.runner.objects.delivering", "tests.worker.runner.workbench"]
)


def started(target: Callable[..., object], *arguments: object) -> BaseProcess:
    """A process that calls a function of a module in the environment of this moment."""
    process = FORKING.Process(target=_call, args=(dict(os.environ), target, arguments), daemon=True)
    process.start()
    return process


def _call(environment: dict[str, str], target: Callable[..., object], arguments: tuple[Any, ...]) -> None:
    os.environ.clear()
    os.environ.update(environment)
    target(*arguments)
