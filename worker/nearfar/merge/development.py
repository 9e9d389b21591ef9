"""How the raw frames of a stack are developed: with one white balance and one curve, decided from its headers alone.

Every process that works on a stack decides alike from the same files, so nothing has to be passed between them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from nearfar.frames.headers import Factors, FrameHeader
from nearfar.frames.raw import developed
from nearfar.merge.recipe import Recipe


def balance_of(every: Sequence[FrameHeader], recipe: Recipe) -> Factors | None:
    """Factors of red, green and blue that all raw frames are developed with; None if each keeps its own.

    Parameters
    ----------
    every
        Headers of all frames of the stack, in the order in which they were taken. With ``raw.balance = "first"`` the
        first raw one that carries a white balance decides.
    """
    asked = recipe.raw.balance
    if isinstance(asked, tuple):
        return (*asked, asked[1])
    if asked == "camera":
        return None
    return next((h.as_shot for h in every if h.as_shot is not None), None)


def develop(
    headers: Sequence[FrameHeader], recipe: Recipe, every: Sequence[FrameHeader] | None = None
) -> list[FrameHeader]:
    """The same headers, asking for development by the recipe; ``every`` holds all of the stack if these are only some."""
    balance = balance_of(headers if every is None else every, recipe)
    return [developed(h, balance, linear=recipe.raw.curve == "linear") for h in headers]


def as_json(header: FrameHeader) -> dict[str, Any] | None:
    """How a frame was developed, for the report; None unless it is a raw frame."""
    if header.kind != "raw":
        return None
    balance = header.development.balance or header.as_shot
    return {
        "balance": None if balance is None else list(balance),
        "curve": "linear" if header.development.linear else "gamma",
    }


def from_json(header: FrameHeader, said: Mapping[str, Any] | None) -> FrameHeader:
    """The header, asking for the development that a report describes; unchanged if the report describes none."""
    if not said:
        return header
    balance = said.get("balance")
    factors = None if balance is None else tuple(float(v) for v in balance)
    if factors is not None and len(factors) != 4:
        factors = None
    return developed(header, factors, linear=said.get("curve") == "linear")
