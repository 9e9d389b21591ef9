"""From nets that have learned nothing to the weights: what is trained after what, and what is taken of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import torch

from nearfar.merge.chooser import weights
from tests.training import train
from tests.training.accelerators import State, Task, pair_of, say, state_of
from tests.training.gating import Pair
from tests.training.net import Net
from tests.training.train import Way

FIRST = {
    "usual": Way(steps=19000, rate=4e-3, robust=(0.03,), shares=(0.0, 1.0, 0.0)),
    "hard": Way(steps=11350, rate=4e-3, robust=(0.03,), shares=(0.0, 0.0, 1.0)),
}
"""The first part: each net on all cells, by itself: the usual one, that for hard cells."""
SEEDS = (1, 2)
"""Of the first part: of each net the one is taken that does better on brackets that neither saw."""
SECOND = (
    Way(steps=23000, rate=2e-3, seed=11),
    Way(steps=23000, rate=2e-3, seed=12),
    Way(steps=23000, rate=1.5e-3, seed=13),
    Way(steps=23000, rate=1.5e-3, seed=14, shares=(0.6, 0.2, 0.2)),
)
"""The second part: how both nets go on together. All begin with the same, so that they stay near enough to be averaged.

Of the mean only the net for hard cells is taken: the usual one gained nothing.
"""
Training = Callable[[Sequence[Task]], list[State]]
Worth = Callable[[State], tuple[float, float]]
"""How well the usual net and that for hard cells do, each by itself."""


def first_part(run: Training, worth: Worth, share: float = 1.0) -> State:
    """Nets of the first part; ``share``: of the steps."""
    tasks = [
        Task(name=f"{name}-{seed}", way=replace(_part(way, share), seed=seed))
        for seed in SEEDS
        for name, way in FIRST.items()
    ]
    found = run(tasks)
    worths = [worth(state) for state in found]
    for task, both in zip(tasks, worths, strict=True):
        say(f"{task.name}: {both[task.name.startswith('hard')]:.2f} dB on brackets that it never saw")
    usual, hard = (int(np.argmax([both[k] for both in worths[k::2]])) for k in range(2))
    return found[2 * usual][0], found[2 * hard + 1][1]


def second_part(run: Training, first: State, share: float = 1.0) -> State:
    """The weights, from the nets of the first part; ``share``: of the steps."""
    tasks = [Task(name=f"both-{w.seed}", way=_part(w, share), state=first) for w in SECOND]
    found = [hard for _, hard in run(tasks)]
    return first[0], {name: np.mean([one[name] for one in found], 0).astype(np.float32) for name in first[1]}


def kept(
    train: Callable[[Sequence[Task], Callable[[Task, State], None]], list[State]], folder: Path
) -> Training:
    """A training that keeps what each task learned as ``folder/NAME.npz`` and does not train again what lies there."""

    def path_of(task: Task) -> Path:
        return folder / f"{task.name}.npz"

    def learned(task: Task, state: State) -> None:
        part = path_of(task).with_suffix(".part.npz")
        keep(part, state)
        part.replace(path_of(task))

    def run(tasks: Sequence[Task]) -> list[State]:
        folder.mkdir(parents=True, exist_ok=True)
        rest = [task for task in tasks if not path_of(task).exists()]
        if rest:
            train(rest, learned)
        return [load(path_of(task)) for task in tasks]

    return run


def _part(way: Way, share: float) -> Way:
    return replace(way, steps=max(1, round(share * way.steps)))


def names_of(mark: str) -> dict[str, str]:
    """What PyTorch calls the parts of a net, in the order of the file; ``mark``: which of the two, see `weights.STAGES`."""
    names = {name: f"{name}.weight" for name in ("inward", "outward", "gain")}
    names |= {f"{name}_bias": f"{name}.bias" for name in ("inward", "outward", "gain")}
    for k in range(weights.STAGES[mark]):
        names |= {f"{name}{k}": f"stages.{k}.{name}" for name in ("around", "along")}
        names |= {f"{name}{k}": f"stages.{k}.{name}.weight" for name in ("middle", "most")}
        names[f"middle_bias{k}"] = f"stages.{k}.middle.bias"
    ours = [
        name.removeprefix("hard_") for name, _ in weights.LAYOUT if name.startswith("hard_") == bool(mark)
    ]
    return {name: names.get(name, name) for name in ours}


def flat(net: Net, mark: str) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """The net's numbers in the order of the file; ``mark``: as for `names_of`."""
    state = net.state_dict()
    parts = [state[key].cpu().numpy().ravel() for key in names_of(mark).values()]
    return np.concatenate(parts).astype(np.float32)


def store(path: Path, pair: Pair) -> None:
    """Write the weights file of two nets."""
    numbers = [flat(pair.usual, weights.USUAL), flat(pair.hard, weights.HARD)]
    weights.store(path, np.concatenate(numbers))


def load(path: Path) -> State:
    """The nets of a weights file."""
    pair, parts = train.fresh(torch.device("cpu")), weights.load(path).parts()
    with torch.no_grad():
        for net, mark in ((pair.usual, weights.USUAL), (pair.hard, weights.HARD)):
            state = net.state_dict()
            for name, key in names_of(mark).items():
                state[key].copy_(torch.as_tensor(parts[mark + name].copy()).view(state[key].shape))
    return state_of(pair)


def keep(path: Path, state: State) -> None:
    """Write nets into a weights file."""
    store(path, pair_of(state, torch.device("cpu")))
