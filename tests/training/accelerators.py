"""Trainings side by side: one process for each accelerator, which makes the brackets once and then trains what it is given.

Without an accelerator there is one such process, on the processor.
"""

from __future__ import annotations

import copy
import multiprocessing
import os
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch

from tests.training import train
from tests.training.gating import Pair
from tests.training.train import Brackets, Way

State = tuple[dict[str, "np.ndarray[Any, Any]"], dict[str, "np.ndarray[Any, Any]"]]
"""The numbers of both nets by PyTorch's names: the usual one's, that for hard cells'."""

MAKERS = 4
"""Processes that make brackets on each accelerator: one alone leaves it waiting for the processor."""
THREADS = 1
"""Of each process on the processor: more wait for each other."""
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
    """Processes that make brackets together and then train, each what it is given.

    Parameters
    ----------
    names
        Of the devices.
    brackets, seed
        How many brackets, and from which seed: all trainings have the same.
    """

    def __init__(self, names: Sequence[str], *, brackets: int, seed: int) -> None:
        self._names, self._brackets, self._seed = names, brackets, seed
        self._folder = tempfile.TemporaryDirectory(prefix="nearfar-brackets-")
        if any(name.startswith("cuda") for name in names):
            os.environ.setdefault("OMP_NUM_THREADS", str(THREADS))
        self._start = multiprocessing.get_context("spawn")
        self._processes: list[ProcessPoolExecutor] = []

    def train(
        self, tasks: Sequence[Task], learned: Callable[[Task, State], None] | None = None
    ) -> list[State]:
        """What becomes of the nets of each task; tasks take turns at the devices. ``learned`` hears of each at once."""
        if not self._processes:
            self._make()
            self._processes = [ProcessPoolExecutor(1, self._start) for _ in self._names]
        waiting = {}
        for k, task in enumerate(tasks):
            at = k % len(self._names)
            waiting[self._processes[at].submit(_train, self._names[at], self._folder.name, task)] = task
        for one in as_completed(waiting):
            if learned is not None:
                learned(waiting[one], one.result())
        return [one.result() for one in waiting]

    def close(self) -> None:
        """End the processes, which gives back the memory of their devices."""
        for process in self._processes:
            process.shutdown()
        self._folder.cleanup()

    def _make(self) -> None:
        say(f"{self._brackets} brackets on {', '.join(self._names)}")
        makers = [name for name in self._names for _ in range(MAKERS if name.startswith("cuda") else 1)]
        with ProcessPoolExecutor(len(makers), self._start) as processes:
            waiting = [
                processes.submit(
                    _make,
                    name,
                    Path(self._folder.name, f"{k}.pt"),
                    (self._brackets, self._seed),
                    (k, len(makers)),
                )
                for k, name in enumerate(makers)
            ]
            for one in waiting:
                one.result()
        say("brackets made")


def _make(name: str, path: Path, which: tuple[int, int], share: tuple[int, int]) -> None:
    _begin(name)
    made = train.make(*which, torch.device(name), first=share[0], every=share[1])
    torch.save({n: (some.parts, some.styles) for n, some in made.items()}, path)


_held: dict[int, Brackets] = {}


def _train(name: str, folder: str, task: Task) -> State:
    device = _begin(name)
    if not _held:
        paths = sorted(Path(folder).iterdir())
        shares = [torch.load(path, map_location=device, weights_only=True) for path in paths]
        _held.update(
            train.joined(
                [
                    {n: Brackets(parts=some[0], styles=some[1]) for n, some in share.items()}
                    for share in shares
                ]
            )
        )
        say(f"{name}: brackets loaded")
    pair = None if task.state is None else pair_of(task.state, device)
    found = train.train(_held, task.way, pair=pair, say=lambda text: say(f"{task.name} on {name}: {text}"))
    say(f"{task.name} on {name}: learned")
    return state_of(found)


def _begin(name: str) -> torch.device:
    device = torch.device(name)
    if device.type == "cuda":
        torch.cuda.set_device(device)
    torch.backends.cudnn.deterministic = True
    return device
