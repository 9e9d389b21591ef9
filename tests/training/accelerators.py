"""Trainings side by side: one process for each accelerator, which makes the brackets once and then trains what it is given.

Without an accelerator there is one such process, on the processor.
"""

from __future__ import annotations

import copy
import multiprocessing
import os
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch

from tests.training import train
from tests.training.gating import Pair
from tests.training.train import Brackets, Way

State = tuple[dict[str, "np.ndarray[Any, Any]"], dict[str, "np.ndarray[Any, Any]"]]
"""The numbers of both nets by PyTorch's names: the usual one's, that for hard cells'."""

BEGAN = "NEARFAR_TRAINING_BEGAN"
"""Environment variable with the time at which the whole began, for the lines of all processes."""


def say(text: str) -> None:
    """Print a line with the seconds since the whole began."""
    began = float(os.environ.setdefault(BEGAN, str(time.time())))
    print(f"{time.time() - began:6.0f} s  {text}", flush=True)


def devices() -> list[str]:
    """Names of the accelerators, or of the processor."""
    return [f"cuda:{k}" for k in range(torch.cuda.device_count())] or ["cpu"]


def state_of(pair: Pair) -> State:
    """Numbers of nets, apart from any device."""
    usual, hard = (
        {name: part.detach().cpu().numpy() for name, part in net.state_dict().items()}
        for net in (pair.usual, pair.hard)
    )
    return usual, hard


def pair_of(state: State, device: torch.device) -> Pair:
    """Nets with these numbers."""
    pair = train.fresh(device)
    for net, numbers in zip((pair.usual, pair.hard), state, strict=True):
        net.load_state_dict({name: torch.as_tensor(copy.copy(part)) for name, part in numbers.items()})
    return pair


@dataclass(frozen=True, kw_only=True)
class Task:
    """A training: the way, the name in its lines, and the nets to go on with; None: nets that have learned nothing."""

    name: str
    way: Way
    state: State | None = None


class Accelerators:
    """Processes that train.

    Parameters
    ----------
    names
        Of the devices.
    brackets, seed
        How many brackets each makes on its device, and from which seed: all have the same.
    """

    def __init__(self, names: Sequence[str], *, brackets: int, seed: int) -> None:
        self._brackets, self._seed = brackets, seed
        start = multiprocessing.get_context("spawn")
        self._processes = [(name, ProcessPoolExecutor(1, start)) for name in names]
        say(f"{brackets} brackets on each of {', '.join(names)}")

    def train(self, tasks: Sequence[Task]) -> list[State]:
        """What becomes of the nets of each task; tasks take turns at the devices."""
        waiting = []
        for k, task in enumerate(tasks):
            name, process = self._processes[k % len(self._processes)]
            waiting.append(process.submit(_train, name, self._brackets, self._seed, task))
        return [one.result() for one in waiting]

    def close(self) -> None:
        """End the processes, which gives back the memory of their devices."""
        for _, process in self._processes:
            process.shutdown()


_made: dict[int, Brackets] = {}


def _train(name: str, brackets: int, seed: int, task: Task) -> State:
    device = torch.device(name)
    if device.type == "cuda":
        torch.cuda.set_device(device)
    torch.backends.cudnn.deterministic = True
    if not _made:
        _made.update(train.make(brackets, seed, device))
        say(f"{name}: brackets made")
    pair = None if task.state is None else pair_of(task.state, device)
    found = train.train(_made, task.way, pair=pair, say=lambda text: say(f"{task.name} on {name}: {text}"))
    say(f"{task.name} on {name}: learned")
    return state_of(found)
