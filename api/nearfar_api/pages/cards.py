"""Cards: how each was told apart into stacks, what is asked, and deciding it by plain forms."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from nearfar.errors import UsageError
from nearfar_api import cards
from nearfar_api.context import Context, Ctx
from nearfar_api.models.cards import Decision
from nearfar_api.pages.acting import Fields, Form, one_of
from nearfar_api.pages.card_rows import LEFT, Row, Sheet, fold, parts, reasons, sheet_of, told
from nearfar_api.pages.drawing import address, draw
from nearfar_api.pages.refusing import PageRoute
from nearfar_api.routes.cards import CardId

router = APIRouter(include_in_schema=False, route_class=PageRoute)

KINDS = {"ask": "to be answered", "decided": "decided", "clear": "clear", "taken": "jobs"}
"""Stacks by how they stand, in words."""


@router.get("/cards", name="page_cards")
def show_cards(request: Request, ctx: Ctx) -> Response:
    """All cards."""
    return draw(request, "cards.html", cards=cards.listed(ctx).cards)


@router.get("/cards/{card}", name="page_card")
def show_card(
    request: Request,
    ctx: Ctx,
    card: CardId,
    show: Annotated[str, Query(max_length=20)] = "",
    at: Annotated[int, Query(ge=1, le=1_000_000)] = 1,
) -> Response:
    """One card: the part of it that holds stack ``at``, or only stacks that stand as ``show`` says."""
    return _drawn(request, ctx, card, show=show, at=at)


def _drawn(
    request: Request, ctx: Context, card: str, *, show: str, at: int, refused: str = "", status: int = 200
) -> Response:
    seen = cards.look(ctx, card)
    found = cards.model(seen)
    sheet = sheet_of(seen, found)
    show = show if show in KINDS else ""
    rows = [row for row in sheet.rows if not show or row.stack.state == show]
    cut = parts(rows)
    here = next((k for k, part in enumerate(cut) if part[-1].number >= at), max(len(cut) - 1, 0))
    part = cut[here] if cut else []

    def link(row: Row | None = None, *, show: str = show) -> str:
        asked = {"show": show, "at": str(row.number) if row else ""}
        query = urlencode({name: value for name, value in asked.items() if value})
        return address(request, "page_card", card=card) + (f"?{query}" if query else "")

    return draw(
        request,
        "card.html",
        status=status,
        card=found,
        sheet=sheet,
        rows=part,
        show=show,
        kinds=KINDS,
        link=link,
        back=cut[here - 1][0] if here else None,
        forth=cut[here + 1][0] if here + 1 < len(cut) else None,
        last=told(found.decisions[-1]) if found.decisions else "",
        refused=refused,
        fold=fold,
        reasons=reasons,
        most_left=LEFT,
    )


@router.post("/cards/{card}/do", name="page_decide")
async def decide(
    request: Request,
    ctx: Ctx,
    card: CardId,
    fields: Form,
) -> Response:
    """One of `ACTS`, undo or go; then back to where that was."""
    show = one_of(fields, "show")
    try:
        number = await run_in_threadpool(_decide, ctx, card, fields)
    except UsageError as error:
        return await run_in_threadpool(_refused, request, ctx, card, fields, str(error))
    asked = {name: value for name, value in (("show", show), ("at", str(number or ""))) if value}
    place = address(request, "page_card", card=card)
    query, fragment = (f"?{urlencode(asked)}" if asked else ""), (f"#s{number}" if number else "")
    return RedirectResponse(f"{place}{query}{fragment}", 303)


def _refused(request: Request, ctx: Context, card: str, fields: Fields, why: str) -> Response:
    """The card as it stands, with what is wrong about the wish."""
    at = one_of(fields, "at")
    known = at.isdecimal() and at.isascii() and 0 < len(at) < 7
    show = one_of(fields, "show")
    return _drawn(request, ctx, card, show=show, at=int(at) if known else 1, refused=why, status=422)


def _decide(ctx: Context, card: str, fields: Fields) -> int | None:
    """Decide; the number of the stack to look at afterwards."""
    wish = one_of(fields, "do")
    if wish in ("undo", "go"):
        (cards.undo if wish == "undo" else cards.go)(ctx, card)
        return None
    place, decision = _wished(ctx, card, wish, fields)
    cards.decide(ctx, card, decision)
    seen = cards.look(ctx, card)
    row = sheet_of(seen, cards.model(seen)).row_of(place)
    return row.number if row else None


def _wished(ctx: Context, card: str, wish: str, fields: Fields) -> tuple[str, Mapping[str, Any]]:
    """The frame that it is about, and the decision."""
    answer = one_of(fields, "decision")
    if answer:
        return one_of(fields, "stack"), _told(answer)
    act = ACTS.get(wish)
    if act is None:
        raise UsageError(f"{wish!r} is not a decision; there are {', '.join(ACTS)}, undo, go")
    seen = cards.look(ctx, card)
    asked = _Asked(sheet_of(seen, cards.model(seen)), fields)
    decision = act(asked)
    return str((decision.get("frames") or [decision.get("before")])[0]), decision


def _told(answer: str) -> dict[str, Any]:
    try:
        return Decision.model_validate_json(answer).given()
    except ValidationError as error:
        raise UsageError("the answer is no decision; load the page again") from error


class _Asked:
    """What a form names: a stack, frames that were chosen in it or after it, and its neighbours."""

    def __init__(self, sheet: Sheet, fields: Fields) -> None:
        self.sheet = sheet
        self._chosen = set(fields.get("frame", ()))
        self._all_between = bool(one_of(fields, "between"))
        self._stack = one_of(fields, "stack")

    @property
    def row(self) -> Row:
        row = next((row for row in self.sheet.rows if row.first == self._stack), None)
        if row is None:
            raise UsageError("the stack is no longer there as it was; look at the card again")
        return row

    def chosen(self, frames: Sequence[Any]) -> list[str]:
        """Of these frames those that were chosen, in order; with all between them if that was asked for."""
        paths = [frame.path for frame in frames]
        at = [k for k, path in enumerate(paths) if path in self._chosen]
        if not at:
            raise UsageError("no frame is chosen: tick the frames first")
        return paths[at[0] : at[-1] + 1] if self._all_between else [paths[k] for k in at]

    def inside(self) -> list[str]:
        """Chosen ones that are in the stack."""
        return self.chosen([frame for frame in self.row.frames if frame.why is None])

    def outside(self) -> list[str]:
        """Chosen ones that are left out: in the course of the stack, or in what comes after it."""
        left = self.sheet.lead.left if not self._stack else [*self.row.frames, *self.row.gap.left]
        return self.chosen([frame for frame in left if frame.why is not None])

    def neighbour(self, number: int | None) -> str:
        """The frame that stands for a neighbouring stack."""
        if number is None:
            raise UsageError("there is no stack of the same camera on that side")
        return self.sheet.rows[number - 1].first

    def next(self) -> str:
        """The frame that stands for the stack that comes after."""
        return self.sheet.rows[0].first if not self._stack else self.neighbour(self.row.after)


Act = Callable[[_Asked], dict[str, Any]]


def _up_to_here(asked: _Asked) -> dict[str, Any]:
    """The boundary before the stack moves behind the last frame that was chosen."""
    own, last = [f.path for f in asked.row.stack.frames], asked.inside()[-1]
    return _take(own[: own.index(last) + 1], asked.neighbour(asked.row.before))


def _from_here(asked: _Asked) -> dict[str, Any]:
    own, first = [f.path for f in asked.row.stack.frames], asked.inside()[0]
    return _take(own[own.index(first) :], asked.neighbour(asked.row.after))


def _take(frames: list[str], home: str | None = None) -> dict[str, Any]:
    return {"do": "take", "frames": frames, **({"with": home} if home else {})}


ACTS: Mapping[str, Act] = {
    "confirm": lambda asked: {"do": "confirm", "frames": [asked.row.first]},
    "join": lambda asked: {"do": "join", "frames": [asked.row.first, asked.next()]},
    "split": lambda asked: {"do": "split", "before": asked.inside()[0]},
    "up-to-here": _up_to_here,
    "from-here": _from_here,
    "leave-out": lambda asked: {"do": "leave-out", "frames": asked.inside()},
    "take-in": lambda asked: _take(asked.outside(), asked.row.first),
    "take-on": lambda asked: _take(asked.outside(), asked.next()),
    "take-apart": lambda asked: _take(asked.outside()),
}
"""What the buttons of a card do."""
