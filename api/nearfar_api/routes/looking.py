"""Looking closely at a picture: which of its frames are sharp at a place."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field

from nearfar_api.looking import Lookout, box_around
from nearfar_api.models.shaping import BASE
from nearfar_api.openapi import refusals
from nearfar_api.problems import Problem
from nearfar_api.routes.jobs import JobNumber

router = APIRouter(prefix=BASE, tags=["results"])

EDGE = 256
"""Pixels of the square that is looked at if none was given."""
Place = Annotated[int, Query(ge=0, lt=1 << 20)]
Edge = Annotated[int, Query(ge=1, le=4096, description="Edge of the square, pixels.")]


class SharpFrame(BaseModel):
    """A frame that is sharp at a place."""

    model_config = ConfigDict(frozen=True)

    number: int
    name: str
    sharpness: float = Field(ge=0, le=1, description="1 for the sharpest frame there.")
    share: float = Field(ge=0, le=1, description="How much of the picture there comes from it.")


class SharpFrames(BaseModel):
    """Frames that are sharp at a place, the sharpest first.

    ``by``: ``frames`` if what was measured of them is still there, ``map`` if it was swept and only the delivered
    map of frames tells, which knows the frames that gave something to the picture there and no others.
    """

    model_config = ConfigDict(frozen=True)

    box: tuple[int, int, int, int]
    by: Literal["frames", "map"]
    frames: list[SharpFrame]


def lookout_of(request: Request) -> Lookout:
    """The one of the application."""
    found = request.app.state.lookout
    assert isinstance(found, Lookout)  # noqa: S101 - create_app put it there
    return found


def sharp_at(lookout: Lookout, job: int, x: int, y: int, edge: int) -> SharpFrames:
    """What is known of a place. Raises `NotFound`, or `Problem` if it lies outside."""
    size = lookout.job(job).size
    width, height = size
    if x >= width or y >= height:
        raise Problem(
            "invalid",
            f"{x}, {y} does not lie in the picture, which has {width} x {height} pixels.",
            errors=[],
        )
    box = box_around(x, y, edge, size)
    listed, by = lookout.sharpest(job, box)
    return SharpFrames.model_validate({"box": box, "by": by, "frames": [asdict(each) for each in listed]})


@router.get(
    "/{job}/sharpest",
    operation_id="listSharpest",
    summary="List the frames that are sharp at a place",
    responses=refusals("not-found", "invalid"),
)
def list_sharpest(request: Request, job: JobNumber, x: Place, y: Place, size: Edge = EDGE) -> SharpFrames:
    """Judged in a square around a pixel of the picture. Over IIIF each frame can be seen as ``job-N:frame-K``."""
    return sharp_at(lookout_of(request), job, x, y, size)
