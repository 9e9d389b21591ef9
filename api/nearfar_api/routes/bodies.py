"""What all addresses that take JSON have in common."""

from __future__ import annotations

from fastapi import Depends
from starlette.exceptions import HTTPException
from starlette.requests import Request


async def _json_only(request: Request) -> None:
    """Raises 415 for a body of another kind (RFC 9110, 15.5.16); no body at all is let through."""
    headers = request.headers
    if headers.get("content-length", "0") == "0" and "transfer-encoding" not in headers:
        return
    kind = headers.get("content-type", "").partition(";")[0].strip().casefold()
    if kind != "application/json":
        raise HTTPException(
            415,
            f"found a body of type {kind or 'that is not given'}; expected application/json",
            {"accept": "application/json"},
        )


JSON = [Depends(_json_only)]
"""For the ``dependencies`` of a route."""
