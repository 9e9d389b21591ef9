"""The plan of the next bracket: worked out from what is asked, as JSON or as a card for the field."""

from __future__ import annotations

import base64
import hashlib
import math
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Response
from pydantic import BaseModel, ConfigDict, Field, JsonValue

from nearfar import optics
from nearfar.bracket import Bracket, Shoot, plan_bracket
from nearfar.bracket.card import STYLE, card
from nearfar.errors import UsageError
from nearfar_api import planned
from nearfar_api.context import Ctx
from nearfar_api.openapi import refusals
from nearfar_api.routes.bodies import JSON
from nearfar_api.routes.jobs import JobNumber

router = APIRouter(prefix="/api/v1", tags=["plan"])
POLICY = (
    "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; style-src 'sha256-"
    f"{base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()}'"
)
"""For the card, whose style stands in it so that it can be kept on a phone."""

Length = Annotated[float, Field(ge=1e-6, le=1e9)]
Seconds = Annotated[float, Field(ge=0, le=86400)]


CARD: dict[str, Any] = {"description": "The card", "content": {"text/html": {"schema": {"type": "string"}}}}


class PlanCompared(BaseModel):
    """A plan and what was shot by it; ``said``: the same in sentences, with what to do."""

    model_config = ConfigDict(frozen=True)

    plan: dict[str, JsonValue]
    by: Literal["distance", "number"]
    complete: bool
    planned: int
    captured: int
    missed: list[int] = Field(description="Numbers of planned frames that were not shot.")
    short: int = Field(description="Frames that are missing, if only their number can be compared.")
    extra: list[str]
    disordered: list[str]
    unknown: list[str] = Field(description="Frames without a focus distance, if others have one.")
    said: list[str]


class PlanAsked(BaseModel):
    """Equipment, subject, and what counts as sharp. Lengths in mm, times in s.

    A focus ring needs ``focal``, ``f_number``, ``near`` and ``far``; a rail ``magnification``, ``f_number`` and ``depth``;
    a microscope ``numerical_aperture``, ``magnification`` and ``depth``.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    title: str = Field(default="Focus bracket", max_length=200, description="Of the card.")
    sensor: tuple[Length, Length] | None = Field(default=None, description="Width and height.")
    pixels: tuple[Annotated[int, Field(ge=1, le=10**6)], Annotated[int, Field(ge=1, le=10**6)]] | None = None
    pitch: Length | None = Field(default=None, description="Distance of pixels on the sensor.")
    focal: Length | None = None
    f_number: Annotated[float, Field(ge=0.1, le=1000)] | None = None
    near: Length | None = None
    far: Length | Literal["inf"] | None = Field(default=None, description="`inf` is infinity.")
    origin: Literal["lens", "sensor"] = Field(
        default="lens", description="Where near and far are measured from."
    )
    depth: Length | None = Field(default=None, description="Of the subject, for rail and stage.")
    magnification: Annotated[float, Field(ge=1e-4, le=1e4)] | None = None
    pupil_ratio: Annotated[float, Field(ge=0.01, le=100)] = 1.0
    numerical_aperture: Annotated[float, Field(ge=1e-3, le=2)] | None = None
    index: Annotated[float, Field(ge=1, le=3)] = 1.0
    wavelength_um: Annotated[float, Field(ge=0.1, le=20)] = optics.GREEN_UM
    convention: Literal["step", "wave"] = "step"
    overlap: Annotated[float, Field(ge=0, lt=1)] = 0.3
    criterion: str = Field(
        default="modern",
        max_length=40,
        description="`traditional`, `modern`, `2px`, or a length like `30um`.",
    )
    ends: Literal["auto", "covered", "focused"] = "auto"
    exposure: Seconds = 0.0
    settle: Seconds = 0.0
    recycle: Seconds = 0.0
    file: Literal["raw12", "raw14", "jpeg", "tiff8", "tiff16"] = "raw14"
    frame_bytes: Annotated[int, Field(ge=1, le=2**40)] | None = None

    def plan(self) -> Bracket:
        """The plan. Raises `UsageError`."""
        given = self.model_dump(exclude={"title"})
        if given["far"] == "inf":
            given["far"] = math.inf
        try:
            return plan_bracket(Shoot(**given))
        except (ArithmeticError, ValueError) as error:
            raise UsageError(
                f"these figures lead nowhere ({error}); give ones that equipment can have"
            ) from error


@router.post(
    "/plan",
    operation_id="planBracket",
    summary="Plan a bracket",
    dependencies=JSON,
    responses=refusals("invalid"),
)
def plan(asked: PlanAsked) -> dict[str, JsonValue]:
    """How many frames to take and where to focus them, as from `nearfar plan --json`. Nothing is stored."""
    found: dict[str, Any] = asked.plan().to_json()
    return found


@router.post(
    "/plan/card",
    operation_id="planCard",
    summary="Plan a bracket, as a page to print or to take along",
    dependencies=JSON,
    response_class=Response,
    responses={**refusals("invalid"), 200: CARD},
)
def plan_card(asked: PlanAsked) -> Response:
    """A single page that needs no network."""
    return Response(
        card(asked.plan(), asked.title),
        media_type="text/html",
        headers={"content-security-policy": POLICY},
    )


@router.post(
    "/jobs/{job}/plan",
    operation_id="attachPlan",
    summary="Attach the plan that a stack was shot by",
    dependencies=JSON,
    responses=refusals("not-found", "invalid"),
)
def attach_plan(ctx: Ctx, job: JobNumber, plan: dict[str, JsonValue]) -> PlanCompared:
    """The body is a plan from `planBracket` or `nearfar plan --json`; it replaces an earlier one."""
    return _compared(ctx, job, planned.attach(ctx, job, plan))


@router.get(
    "/jobs/{job}/plan",
    operation_id="comparePlan",
    summary="See which steps of the plan were missed",
    responses=refusals("not-found", "invalid"),
)
def compare_plan(ctx: Ctx, job: JobNumber) -> PlanCompared:
    """Compares focus distances in the frames' camera data, or the number of frames if there are none."""
    return _compared(ctx, job, planned.of(ctx, job))


def _compared(ctx: Ctx, job: int, plan: Bracket) -> PlanCompared:
    found, said = planned.compared(ctx, job, plan)
    told = found.to_json()
    told.pop("format")
    return PlanCompared(plan=plan.to_json(), said=said, **told)
