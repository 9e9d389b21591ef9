"""Figures for Prometheus."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from nearfar_api import metrics
from nearfar_api.context import Ctx

router = APIRouter(tags=["health"])


@router.get(
    "/metrics",
    operation_id="getMetrics",
    summary="Figures for Prometheus",
    response_class=Response,
    responses={
        200: {"description": "Text format 0.0.4", "content": {"text/plain": {"schema": {"type": "string"}}}}
    },
)
def get_metrics(ctx: Ctx) -> Response:
    """Answers even if the store does not; 'nearfar_store_up' is 0 then."""
    return Response(
        metrics.text(ctx), headers={"content-type": metrics.CONTENT_TYPE, "cache-control": "no-store"}
    )
