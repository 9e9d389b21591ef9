"""``python -m tests.training``: make the chooser's weights again; takes minutes on an accelerator, hours without one.

The weights that ship: a first part as here, but on 3520 brackets without reflections and without more of them in good light,
then the second part from there (``--first``), of which `BEFORE` had 4800 brackets without reflections.
Writes ``weights.npz`` and ``reference.npz`` (a small bracket with what PyTorch makes of it, for the tests) into a folder.
"""

from __future__ import annotations

import argparse
import copy
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import torch

from nearfar.merge.chooser import weights
from tests.training import train
from tests.training.brackets import Lens, bracket
from tests.training.focus import focus
from tests.training.gating import Pair
from tests.training.net import Net
from tests.training.things import Studio
from tests.training.train import Brackets, Way

FIRST = (
    Way(steps=19000, rate=4e-3, robust=(0.03,), shares=(0.0, 1.0, 0.0)),
    Way(steps=11350, rate=4e-3, robust=(0.03,), shares=(0.0, 0.0, 1.0)),
)
"""The first part: each net on all cells, one after the other."""
BEFORE = Way(steps=16000, rate=2e-3)
SECOND = (
    (False, Way(steps=23000, rate=2e-3, seed=11)),
    (False, Way(steps=23000, rate=2e-3, seed=12)),
    (True, Way(steps=23000, rate=1.5e-3, seed=13)),
    (True, Way(steps=23000, rate=1.5e-3, seed=14, shares=(0.6, 0.2, 0.2))),
)
"""The second part: how the nets go on together, from the first part or from what `BEFORE` makes of it."""
TAKEN = 0.4
"""Of the mean of the second part's nets for hard cells; the rest is that of the first part, and so is the usual net. More
gains more in hairs, and loses at glossy round things in good light.
"""
SEED = 9
HELD_OUT = 999
EDGE = 64


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.training", description=__doc__)
    parser.add_argument("--brackets", type=int, default=5200)
    parser.add_argument("--first", type=Path, help="weights to go on from in place of the first part")
    parser.add_argument("--share", type=float, default=1.0, help="of the steps, to try it out")
    parser.add_argument("--judged", type=int, default=130, help="brackets held out to judge the net")
    parser.add_argument("--out", type=Path, default=weights.FILE.parent)
    parser.add_argument("--reference", type=Path, default=Path(__file__).parent)
    return parser.parse_args()


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


def write_reference(path: Path, net: Net, device: torch.device) -> None:
    """A bracket's corner and all that PyTorch makes of it."""
    made, cells = bracket(Studio(31, device), Lens(device), 5), slice(EDGE // 16)
    parts = {
        "frames": made.frames[:, :, :EDGE, :EDGE],
        "truth": made.truth[:, :EDGE, :EDGE],
        "variance": made.variance[cells, cells],
        "prior": made.prior[:, cells, cells],
        "admitted": made.admitted[:, cells, cells],
        "between": made.between,
    }
    with torch.no_grad():
        b = train.batch({name: part[None] for name, part in parts.items()})
        logits, gains = net(b.values, b.score, b.mask)
        merged = train.merge(net, b)
        told = torch.full_like(made.variance, float(made.variance.median()))
        prior, admitted = focus(made.energy, made.mean, told)
    arrays = {
        "frames": parts["frames"],
        "between": made.between,
        "variance": b.planes.variance[0, 0],
        "cells": parts["admitted"].to(torch.uint8),
        "prior": b.prior[0],
        "mask": b.mask[0],
        "admission": b.admission[0],
        "values": b.values[0],
        "score": b.score[0],
        "logits": logits[0],
        "gains": gains[0],
        "merged": merged[0],
        "energy": made.energy,
        "mean": made.mean,
        "told": told[0, 0],
        "focus_prior": prior,
        "focus_admitted": admitted.to(torch.uint8),
    }
    held = {name: a.cpu().numpy() for name, a in arrays.items()}
    np.savez_compressed(
        path, **{n: a.astype(np.float32) if a.dtype.kind == "f" else a for n, a in held.items()}
    )


def filled(device: torch.device, path: Path) -> Pair:
    """The nets of a weights file."""
    pair, parts = train.fresh(device), weights.load(path).parts()
    with torch.no_grad():
        for net, mark in ((pair.usual, weights.USUAL), (pair.hard, weights.HARD)):
            state = net.state_dict()
            for name, key in names_of(mark).items():
                state[key].copy_(torch.as_tensor(parts[mark + name].copy()).view(state[key].shape))
    return pair


def together(data: dict[int, Brackets], options: argparse.Namespace, say: Callable[[str], None]) -> Pair:
    """Both parts: nets that go on together from the same ones stay near enough to be averaged."""

    def run(way: Way, pair: Pair | None) -> Pair:
        way = replace(way, steps=max(1, round(options.share * way.steps)))
        return train.train(data, way, pair=copy.deepcopy(pair), say=say)

    device = next(iter(data.values())).parts["frames"].device
    first = None if options.first is None else filled(device, options.first)
    for way in FIRST if first is None else ():
        first = run(way, first)
    before = run(BEFORE, first)
    found = [run(way, before if later else first) for later, way in SECOND]
    assert first is not None
    with torch.no_grad():
        for name, part in first.hard.state_dict().items():
            mean = torch.stack([pair.hard.state_dict()[name] for pair in found]).mean(0)
            part.copy_(part + TAKEN * (mean - part))
    return first


def main() -> None:
    options = arguments()
    began = time.monotonic()

    def say(text: str) -> None:
        print(f"{time.monotonic() - began:6.0f} s  {text}", flush=True)

    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.backends.cudnn.deterministic = True
    data = train.make(options.brackets, SEED, device)
    say(f"{options.brackets} brackets")
    pair = together(data, options, say)
    numbers = [flat(pair.usual, weights.USUAL), flat(pair.hard, weights.HARD)]
    weights.store(options.out / "weights.npz", np.concatenate(numbers))
    write_reference(options.reference / "reference.npz", pair.usual, device)
    del data
    held_out = train.make(options.judged, HELD_OUT, device)
    ways = {
        "rule": train.rule,
        "usual": lambda b: train.merge(pair.usual, b),
        "hard": lambda b: train.merge(pair.hard, b),
        "each": lambda b: train.merge_by(pair, b),
    }
    found = train.judge(ways, held_out)
    say(
        "style: dB of the rule, of the net for most cells, of the one for hard cells, and of each in its cells"
    )
    for style in found["rule"]:
        say(f"{style}: " + " ".join(f"{found[way][style]:.2f}" for way in ways))


if __name__ == "__main__":
    main()
