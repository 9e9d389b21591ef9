"""``python -m tests.bench.sorting [FIRST LAST]``: sort rendered days of many seeds and count what came out right.

A stack is right where its frames are exactly those of the truth, in order; a repeated frame may be in or out. What
counts most is the number of stacks that are wrong and yet called clear.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from nearfar.intake.card.sorted_card import SortedCard, SortedStack
from nearfar.intake.card.sorting import sort_card
from tests.bench.tables import table
from tests.scenes.card import Truth, write_card


@dataclass
class Tally:
    """Counts over cards; ``wrong``: a line for each stack that is not right."""

    counts: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


def judge(card: SortedCard, truth: Truth, seed: int, tally: Tally) -> None:
    """Compare a sorted card with its truth."""
    everything = [p for s in card.stacks for p in s.frames] + [e.path for e in card.left_out]
    tally.counts["files not in exactly one place"] += len(set(everything) ^ set(truth.kinds))
    tally.counts["files not in exactly one place"] += len(everything) - len(set(everything))
    true = {tuple(s): name for s, name in zip(truth.stacks, truth.names, strict=True)}
    tally.counts["stacks"] += len(true)
    for stack in card.stacks:
        frames = tuple(p for p in stack.frames if p not in truth.either)
        right = frames in true
        true.pop(frames, None)
        tally.counts[f"{'exact' if right else 'wrong'} and {stack.state}"] += 1
        if not right:
            tally.wrong.append(_line(stack, truth, seed))
    tally.counts["missed"] += len(true)
    tally.wrong += [f"card {seed}: missed {name}, {f[0].name} to {f[-1].name}" for f, name in true.items()]


SPOILT = {"shaken", "dark", "passer-by", "repeat"}
"""Kinds of frames within a stack that separate nothing."""


def count_boundaries(card: SortedCard, truth: Truth, tally: Tally) -> None:
    """Compare where stacks begin and end: between which neighbouring frames, of one camera, the card is cut.

    Counted are pairs of which one frame at least is in a stack, in truth or as sorted.
    """
    true = {path: k for k, stack in enumerate(truth.stacks) for path in stack}
    found = {path: k for k, stack in enumerate(card.stacks) for path in stack.frames}
    order = [path for path in card.order if truth.kinds.get(path) not in SPOILT and path not in truth.either]
    for one, other in pairwise(order):
        if one.name[:2] != other.name[:2] or not {one, other} & (true.keys() | found.keys()):
            continue
        is_cut = one not in true or true[one] != true.get(other)
        said_cut = one not in found or found[one] != found.get(other)
        tally.counts["boundaries"] += is_cut
        tally.counts["boundaries told"] += said_cut
        tally.counts["boundaries told rightly"] += is_cut and said_cut


def report(tally: Tally) -> str:
    """Figures for people."""
    counts = tally.counts
    right, told, there = (
        counts[name] for name in ("boundaries told rightly", "boundaries told", "boundaries")
    )
    rows = [
        ["stacks", f"{counts['stacks']}"],
        ["called clear, and exact", f"{counts['exact and clear']}"],
        ["asked about, and exact", f"{counts['exact and ask']}"],
        ["asked about, and not exact", f"{counts['wrong and ask']}"],
        ["called clear, and not exact", f"{counts['wrong and clear']}"],
        ["not among those found", f"{counts['missed']}"],
        ["files not in exactly one place", f"{counts['files not in exactly one place']}"],
        ["precision of boundaries", f"{right / max(told, 1):.4f} ({right} of {told})"],
        ["recall of boundaries", f"{right / max(there, 1):.4f} ({right} of {there})"],
    ]
    return table(["Cards of a day, rendered", f"{counts['files']} files"], rows)


def _line(stack: SortedStack, truth: Truth, seed: int) -> str:
    kinds = Counter(truth.kinds[p] for p in stack.frames)
    span = f"{stack.frames[0].name} to {stack.frames[-1].name}"
    return f"card {seed}: {stack.state} {stack.confidence:.2f}, {span}: {dict(kinds)}"


def measure(first: int, last: int) -> Tally:
    """Sort the cards of seeds ``first`` to ``last``, the last one not included."""
    tally = Tally()
    for seed in range(first, last):
        folder = Path(tempfile.mkdtemp(prefix="nearfar-card-"))
        try:
            truth = write_card(folder / "card", seed=seed)
            start = time.perf_counter()
            card = sort_card([folder / "card"], cache=folder / "cache")
            tally.counts["milliseconds of sorting"] += round(1000 * (time.perf_counter() - start))
            tally.counts["files"] += len(truth.kinds)
            judge(card, truth, seed, tally)
            count_boundaries(card, truth, tally)
        finally:
            shutil.rmtree(folder)
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("first", nargs="?", type=int, default=100)
    parser.add_argument("last", nargs="?", type=int, default=120)
    options = parser.parse_args()
    tally = measure(options.first, options.last)
    for line in tally.wrong:
        print(line)
    print(report(tally))
    print(f"{tally.counts['milliseconds of sorting'] / 1000:.1f} s of sorting")


if __name__ == "__main__":
    main()
