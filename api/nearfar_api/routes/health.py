"""For probes: whether this process lives, and whether the server can do its work."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from nearfar_api.models.answers import Check, Health

router = APIRouter(prefix="/health", tags=["health"])


@router.get("/live", operation_id="isLive", summary="Whether this process answers")
async def live() -> dict[str, bool]:
    """Answers without checking anything else."""
    return {"live": True}


@router.get(
    "/ready",
    operation_id="isReady",
    summary="Whether the server can work",
    responses={503: {"model": Health, "description": "Something is missing; 'checks' says what"}},
)
def ready(request: Request, response: Response) -> Health:
    """Checks store, broker, disks and folders; only callers with the key are told the reasons."""
    found: list[Check] = request.app.state.checks()
    well = all(check.ok for check in found)
    if not well:
        response.status_code = 503
        response.headers["retry-after"] = "5"
    if not request.app.state.access.holds_key(request.headers):
        found = [Check(name=check.name, ok=check.ok, why=None) for check in found]
    return Health(ready=well, checks=found)
