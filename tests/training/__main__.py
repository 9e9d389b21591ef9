"""``python -m tests.training``: make the chooser's weights again, on every accelerator there is; without one it takes days.

Writes ``weights.npz`` and ``reference.npz`` (a small bracket with what PyTorch makes of it, for the tests) into a folder.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import torch

from nearfar.merge.chooser import weights
from tests.training import accelerators, chain, train
from tests.training.accelerators import Accelerators, say
from tests.training.brackets import Lens, bracket
from tests.training.focus import focus
from tests.training.gating import Pair
from tests.training.net import Net
from tests.training.things import Studio

SEED = 9
CHOSEN_BY = 998
HELD_OUT = 999
"""Seeds: of what is learned from, of what a net is chosen by, of what the nets are judged by."""
EDGE = 64


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.training", description=__doc__)
    parser.add_argument("--brackets", type=int, default=5200)
    parser.add_argument(
        "--kept",
        type=Path,
        help="folder for what each training learned; what lies there from before is not trained again",
    )
    parser.add_argument("--share", type=float, default=1.0, help="of the steps, to try it out")
    parser.add_argument("--judged", type=int, default=130, help="brackets held out to judge the nets")
    parser.add_argument("--out", type=Path, default=weights.FILE.parent)
    parser.add_argument("--reference", type=Path, default=Path(__file__).parent)
    parser.add_argument(
        "--devices", nargs="+", default=accelerators.devices(), help="by PyTorch's names; all"
    )
    return parser.parse_args()


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


def trained(options: argparse.Namespace) -> accelerators.State:
    """The nets, by as many processes as there are devices."""
    device = torch.device(options.devices[0])
    running = Accelerators(options.devices, brackets=options.brackets, seed=SEED)
    run = running.train if options.kept is None else chain.kept(running.train, options.kept)

    def worth(state: accelerators.State) -> tuple[float, float]:
        pair = accelerators.pair_of(state, device)
        ways = {
            "usual": lambda b: train.merge(pair.usual, b),
            "hard": lambda b: train.merge(pair.hard, b),
        }
        found = train.judge(ways, chosen_by)
        return found["usual"]["all"], found["hard"]["all"]

    try:
        chosen_by = train.make(options.judged, CHOSEN_BY, device)
        first = chain.first_part(run, worth, options.share)
        return chain.second_part(run, first, options.share)
    finally:
        running.close()


def judge(pair: Pair, count: int, device: torch.device) -> None:
    """Say how well nets do on brackets that they never saw."""
    ways = {
        "rule": train.rule,
        "usual": lambda b: train.merge(pair.usual, b),
        "hard": lambda b: train.merge(pair.hard, b),
        "each": lambda b: train.merge_by(pair, b),
    }
    found = train.judge(ways, train.make(count, HELD_OUT, device))
    say("style: dB of the rule, of the usual net, of that for hard cells, and of each in its cells")
    for style in found["rule"]:
        say(f"{style}: " + " ".join(f"{found[way][style]:.2f}" for way in ways))


def main() -> None:
    options = arguments()
    torch.backends.cudnn.deterministic = True
    state = trained(options)
    device = torch.device(options.devices[0])
    pair = accelerators.pair_of(state, device)
    chain.store(options.out / "weights.npz", pair)
    write_reference(options.reference / "reference.npz", pair.usual, device)
    judge(pair, options.judged, device)


if __name__ == "__main__":
    main()
