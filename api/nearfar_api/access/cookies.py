"""Cookies: the session's token, a mark of browsers that logged in before, and a log-in at a provider under way.

All are HttpOnly and SameSite=Lax, and Secure if the browser uses https. The latter two are signed with a secret of the
server (HMAC, RFC 2104) and contain nothing that their owner should not see.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
from collections.abc import Mapping
from typing import Any

from starlette.datastructures import Headers
from starlette.responses import Response
from starlette.types import Scope

SESSION = "nearfar-session"
KNOWN = "nearfar-known"
FLIGHT = "nearfar-flight"
YEAR = 365 * 86400


def read(headers: Headers, name: str) -> str | None:
    """A cookie of a request; None if there is none, or several, of which a neighbouring site may have set one."""
    found = []
    for field in headers.getlist("cookie"):
        for part in field.split(";"):
            given, _, value = part.strip().partition("=")
            if given == name:
                found.append(value)
    return found[0] if len(found) == 1 and found[0] else None


def give(response: Response, scope: Scope, name: str, value: str, *, seconds: float, secure: bool) -> None:
    """Set a cookie."""
    response.set_cookie(
        name,
        value,
        max_age=int(seconds),
        path=str(scope.get("root_path") or "/"),
        secure=secure,
        httponly=True,
        samesite="lax",
    )


def take(response: Response, scope: Scope, name: str, *, secure: bool) -> None:
    """Remove a cookie."""
    give(response, scope, name, "", seconds=0, secure=secure)


def signed(secret: bytes, kind: str, value: Mapping[str, Any]) -> str:
    """A value with a proof that only this server can make."""
    text = base64.urlsafe_b64encode(json.dumps(dict(value)).encode()).rstrip(b"=")
    return f"{text.decode()}.{_proof(secret, kind, text)}"


def checked(secret: bytes, kind: str, text: str | None) -> dict[str, Any] | None:
    """The value that `signed` was given; None if the proof is wrong, or made for another kind."""
    body, _, proof = (text or "").partition(".")
    raw = body.encode("utf-8", "surrogatepass")
    if not hmac.compare_digest(_proof(secret, kind, raw).encode(), proof.encode("utf-8", "surrogatepass")):
        return None
    try:
        found = json.loads(base64.urlsafe_b64decode(raw + b"=" * (-len(raw) % 4)))
    except (binascii.Error, ValueError):
        return None
    return found if isinstance(found, dict) else None


def _proof(secret: bytes, kind: str, text: bytes) -> str:
    made = hmac.digest(secret, kind.encode() + b"\n" + text, hashlib.sha256)
    return base64.urlsafe_b64encode(made).rstrip(b"=").decode()
