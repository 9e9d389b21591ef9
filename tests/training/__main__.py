"""``python -m tests.training``: make the chooser's weights again; takes minutes on an accelerator, hours without one.

Writes ``weights.npz`` and ``reference.npz`` (a small bracket with what PyTorch makes of it, for the tests) into a folder.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
import torch

from nearfar.merge.chooser import weights
from nearfar.merge.chooser.numbers import HARD_HIDDEN, HARD_STAGES
from tests.training import train
from tests.training.brackets import Lens, bracket
from tests.training.focus import focus
from tests.training.net import Net
from tests.training.things import Studio

SEED = 9
HELD_OUT = 999
EDGE = 64


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.training", description=__doc__)
    parser.add_argument("--brackets", type=int, default=3520)
    parser.add_argument("--steps", type=int, default=19000)
    parser.add_argument("--hard-steps", type=int, default=11350, help="of the larger net, for hard cells")
    parser.add_argument("--seed", type=int, default=1, help="of the net; it changes what is gained by .05 dB")
    parser.add_argument("--judged", type=int, default=130, help="brackets held out to judge the net")
    parser.add_argument("--out", type=Path, default=weights.FILE.parent)
    parser.add_argument("--reference", type=Path, default=Path(__file__).parent)
    return parser.parse_args()


def flat(net: Net, mark: str) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """The net's numbers in the order of the file; ``mark``: which of the two nets, see `weights.STAGES`."""
    state = net.state_dict()
    names = {name: f"{name}.weight" for name in ("inward", "outward", "gain")}
    names |= {f"{name}_bias": f"{name}.bias" for name in ("inward", "outward", "gain")}
    for k in range(weights.STAGES[mark]):
        names |= {f"{name}{k}": f"stages.{k}.{name}" for name in ("around", "along")}
        names |= {f"{name}{k}": f"stages.{k}.{name}.weight" for name in ("middle", "most")}
        names[f"middle_bias{k}"] = f"stages.{k}.middle.bias"
    ours = [
        name.removeprefix("hard_") for name, _ in weights.LAYOUT if name.startswith("hard_") == bool(mark)
    ]
    parts = [state[names.get(name, name)].cpu().numpy().ravel() for name in ours]
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


def main() -> None:
    options = arguments()
    began = time.monotonic()

    def say(text: str) -> None:
        print(f"{time.monotonic() - began:6.0f} s  {text}", flush=True)

    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.backends.cudnn.deterministic = True
    data = train.make(options.brackets, SEED, device)
    say(f"{options.brackets} brackets")
    net = train.train(data, steps=options.steps, seed=options.seed, say=say)
    shape = (HARD_HIDDEN, HARD_STAGES)
    hard = train.train(data, steps=options.hard_steps, seed=options.seed, shape=shape, say=say)
    numbers = [flat(net, weights.USUAL), flat(hard, weights.HARD)]
    weights.store(options.out / "weights.npz", np.concatenate(numbers))
    write_reference(options.reference / "reference.npz", net, device)
    del data
    held_out = train.make(options.judged, HELD_OUT, device)
    ways = {
        "rule": train.rule,
        "usual": lambda b: train.merge(net, b),
        "hard": lambda b: train.merge(hard, b),
    }
    found = train.judge(ways, held_out)
    say("style: dB of the rule, of the net for most cells, of the one for hard cells, each everywhere")
    for style, value in found["rule"].items():
        say(f"{style}: {value:.2f} {found['usual'][style]:.2f} {found['hard'][style]:.2f}")


if __name__ == "__main__":
    main()
