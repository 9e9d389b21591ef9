"""``nearfar sort``: sort the frames of a card into stacks, print what was found, change nothing."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from nearfar.cli.parsers import add_command
from nearfar.cli.say import say, say_json, together

if TYPE_CHECKING:
    from nearfar.cli.command import Commands
    from nearfar.intake.card.sorted_card import SortedCard, SortedStack

SORT_HELP = """\
Sort the frames of a day into stacks: from one camera or several, with single shots, dividers, exposure brackets,
panoramas and bursts among them. Where the evidence is not clear, a question is printed. Nothing is changed.
"""
LEFT_SHOWN = 40
"""Reasons why files are left out that a listing tells."""


def add_parsers(commands: Commands) -> None:
    """Add ``sort`` to the subcommands of ``nearfar``."""
    sort = add_command(commands, "sort", "sort the frames of a card into stacks", SORT_HELP)
    sort.add_argument(
        "folders",
        nargs="+",
        type=Path,
        metavar="FOLDER",
        help="folder of a card, including everything below it",
    )
    sort.add_argument("--json", action="store_true", help="print everything, for programs")
    sort.add_argument(
        "--decisions", type=Path, metavar="FILE", help="file with your decisions (TOML or JSON)"
    )
    sort.add_argument(
        "--cache",
        type=Path,
        metavar="DIR",
        help="folder in which to cache what was read (default: in ~/.cache)",
    )
    sort.add_argument("--no-cache", action="store_true", help="read and write no cache")
    sort.set_defaults(run=run)


def run(options: argparse.Namespace, _signals: object = None) -> int:
    """``nearfar sort``; returns the exit code."""
    from nearfar.intake.card.cache import default_folder
    from nearfar.intake.card.decisions import read_decisions
    from nearfar.intake.card.sorted_card import as_json
    from nearfar.intake.card.sorting import sort_card

    decisions = read_decisions(options.decisions) if options.decisions else []
    cache = None if options.no_cache else options.cache or default_folder()
    card = sort_card(options.folders, cache=cache, decisions=decisions)
    if options.json:
        say_json(as_json(card))
    else:
        say(*listing(card))
    return 0


def listing(card: SortedCard) -> Iterator[str]:
    """The sorted card as lines for a person."""
    asked = sum(s.state == "ask" for s in card.stacks)
    frames = sum(len(s.frames) for s in card.stacks)
    yield f"{_count(len(card.stacks), 'stack')} with {_count(frames, 'frame')}; {asked} to be asked about."
    for stack in card.stacks:
        yield ""
        yield from _about(stack, card)
    if card.left_out:
        yield ""
        yield f"Left out: {_count(len(card.left_out), 'file')}"
        lines = together((entry.path.name, entry.why) for entry in card.left_out)
        yield from (f"  {line}" for line in islice(lines, LEFT_SHOWN))


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def _about(stack: SortedStack, card: SortedCard) -> Iterator[str]:
    from nearfar.intake.card.sorted_card import clock_time

    span = (
        f"{stack.frames[0].name} to {stack.frames[-1].name}"
        if len(stack.frames) > 1
        else stack.frames[0].name
    )
    times = [t for t in (clock_time(stack.first_taken), clock_time(stack.last_taken)) if t]
    taken = f", taken {' to '.join(dict.fromkeys(t.replace('T', ' ') for t in times))}" if times else ""
    yield f"{stack.name}  {_count(len(stack.frames), 'frame')}, {span}{taken}"
    yield f"  {stack.state}, {stack.confidence:.0%} sure: {stack.why}"
    inside = set(stack.frames)
    if stack.state == "ask":
        for question in card.questions:
            if inside & set(question.frames):
                yield f"  ? {question.text}"
