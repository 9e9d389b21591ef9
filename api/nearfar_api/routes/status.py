"""The first page: how the server stands, what runs, what waits and why, what failed and why. Works without script."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Request
from jinja2 import Environment
from starlette.responses import HTMLResponse

from nearfar import __version__
from nearfar.bracket.words import space
from nearfar.errors import StoreError
from nearfar.progress import format_seconds
from nearfar_api.access.caller import By
from nearfar_api.context import Context, Ctx
from nearfar_api.handlers import reason_for
from nearfar_api.models.shaping import memory
from nearfar_api.status import standing
from nearfar_api.web import environment

router = APIRouter(tags=["pages"])

SHOWN = 20
"""Jobs of each state, and stacks of watched folders."""
SETTLED = ("done", "moved", "ignored")
"""States of stacks in watched folders that nobody waits for."""


def _environment() -> Environment:
    found = environment()
    found.filters |= {"size": space, "memory": memory, "seconds": format_seconds, "moment": _moment}
    return found


def _moment(text: str) -> str:
    """RFC 3339 for people; all times are UTC, as the page says."""
    return text[:19].replace("T", " ")


PAGES = _environment()


@router.get(
    "/status", response_class=HTMLResponse, operation_id="showStatus", summary="The server on one page"
)
def show_status(request: Request, ctx: Ctx, by: By) -> HTMLResponse:
    """A page for people; everything on it is also available through the API."""
    root = request.scope.get("root_path", "")
    shown = {
        "root": root,
        "version": __version__,
        "now": _moment(datetime.now(UTC).isoformat()),
        "disks": standing.disks(ctx),
    }
    try:
        page = PAGES.get_template("status.html").render(shown | _found(ctx))
        return HTMLResponse(page, headers={"cache-control": "no-store"})
    except StoreError as error:
        page = PAGES.get_template("away.html").render(shown | {"why": reason_for(error, by)})
        return HTMLResponse(page, 503, headers={"cache-control": "no-store", "retry-after": "5"})


def _found(ctx: Context) -> dict[str, Any]:
    told = standing.found(ctx, SHOWN)
    open_stacks = [entry for entry in told["inbox"].entries if entry.state not in SETTLED]
    return told | {"stacks": open_stacks[:SHOWN], "more_stacks": len(open_stacks) - SHOWN}
