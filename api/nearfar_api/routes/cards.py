"""Cards: a whole shoot in a watched folder, told apart into stacks, and what people decide where that is not clear."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from nearfar_api import cards
from nearfar_api.context import Ctx
from nearfar_api.models.cards import CardList, CardModel, Decision
from nearfar_api.openapi import refusals
from nearfar_api.routes.bodies import JSON
from nearfar_api.routes.files import DOWNLOAD
from nearfar_api.transfer import sending

router = APIRouter(prefix=cards.BASE, tags=["cards"])

CardId = Annotated[
    str,
    Path(pattern="^[0-9a-f]{16}$", description="Of the card, from the list.", examples=["9f0c2d7ab1e4c855"]),
]
SmallName = Annotated[str, Path(pattern="^[0-9a-f]{24}$", description="From the card's frames.")]
GONE = refusals("not-found", "invalid")


@router.get("", operation_id="listCards", summary="List cards", responses=refusals("invalid"))
def list_cards(ctx: Ctx) -> CardList:
    """Cards are loose frames in a watched folder, folders from a camera, and folders with a file nearfar.card."""
    return cards.listed(ctx)


@router.get("/{card}", operation_id="getCard", summary="Look at a card", responses=GONE)
def get_card(ctx: Ctx, card: CardId) -> CardModel:
    """The card's stacks, the frames left out, what separates stacks, open questions, and the decisions made so far."""
    return cards.one(ctx, card)


@router.post(
    "/{card}/decisions",
    operation_id="decide",
    summary="Join, split, leave out, take or confirm",
    responses=GONE,
    dependencies=JSON,
)
def decide(ctx: Ctx, card: CardId, decision: Decision) -> CardModel:
    """Records a decision. No job is made yet, see `go`; stacks that became jobs stay jobs."""
    return cards.decide(ctx, card, decision.given())


@router.delete(
    "/{card}/decisions", operation_id="undoDecision", summary="Take the last decision back", responses=GONE
)
def undo(ctx: Ctx, card: CardId) -> CardModel:
    """Each call takes back one decision, the latest first, until the card is as it was sorted."""
    return cards.undo(ctx, card)


@router.post(
    "/{card}/go", operation_id="goOn", summary="Act on what was decided", responses=GONE, dependencies=JSON
)
def go(ctx: Ctx, card: CardId) -> CardModel:
    """Stacks that are clear, confirmed or made by hand become jobs within seconds; the others wait for a decision."""
    return cards.go(ctx, card)


@router.get(
    "/{card}/small/{name}",
    operation_id="getCardPicture",
    summary="Fetch a small picture of a frame",
    response_class=Response,
    responses=DOWNLOAD,
)
def get_small(request: Request, ctx: Ctx, card: CardId, name: SmallName) -> Response:
    """These pictures are made while the card is sorted; a frame that could not be read has none."""
    answer = sending.respond(cards.open_small(ctx, card, name), request.scope, ctx.digests)
    answer.headers["cache-control"] = "private, max-age=604800, immutable"  # another frame has another name
    return answer
