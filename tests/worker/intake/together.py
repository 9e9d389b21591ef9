"""A stand-in for sorting cards, which opens no picture: all new frames together are one more stack."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from nearfar.intake.card.kept_card import CardFiles, Kept, Trace
from nearfar.intake.card.sorted_card import SortedCard, SortedStack
from nearfar.intake.listing import PICTURES, natural


class TogetherSorts:
    """Sorts at once what a separate process would take seconds for, so that the test alone moves the time."""

    def __init__(self, files: CardFiles) -> None:
        self.files = files

    def ask(self, card: str, folder: str, files: Mapping[str, Trace]) -> str:
        before = self.files.read(card)
        stacks = before.card.stacks if before else ()
        old = {frame for stack in stacks for frame in stack.frames}
        pictures = [name for name in files if Path(name).suffix in PICTURES]
        # Folders count before names, as a camera counts on from folder to folder.
        ordered = sorted(pictures, key=lambda name: (str(Path(name).parent), natural(Path(name).name)))
        new = tuple(Path(folder, name) for name in ordered if Path(folder, name) not in old)
        if new:
            name = f"stack-{len(stacks) + 1:03d}"
            found = SortedStack(name=name, frames=new, confidence=1.0, state="clear", why="one view")
            stacks = (*stacks, found)
        order = tuple(frame for stack in stacks for frame in stack.frames)
        sorted_card = SortedCard(stacks=stacks, left_out=(), order=order)
        self.files.write(card, Kept(path=folder, files=files, card=sorted_card, small={}))
        return "being sorted"
