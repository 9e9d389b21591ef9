"""Messages to programs, as the Standard Webhooks specification has them: signed, with a name, in JSON.

Source: Standard Webhooks, specification of version 1: the headers webhook-id, webhook-timestamp and webhook-signature;
HMAC-SHA256 of ``id.timestamp.body`` by a secret ``whsec_`` and Base64; tries with growing rests; 410 ends the sending;
redirections count as failures.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import secrets
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from nearfar import __version__
from nearfar.errors import UsageError
from nearfar.runner.messages.addresses import Network, Resolve, send

PREFIX = "whsec_"
RESTS = (5.0, 300.0, 1800.0, 7200.0, 18000.0, 36000.0, 50400.0, 72000.0, 86400.0)
"""Seconds between one try and the next: at once, then after 5 s, 5 min, 30 min, 2 h, 5 h, 10 h, 14 h, 20 h and 24 h."""
TIMEOUT = 20.0
"""Seconds for an answer; the specification wants 15 to 30."""
GONE = 410


def new_secret() -> str:
    """A secret to sign with; the specification wants 24 to 64 bytes."""
    return PREFIX + base64.b64encode(secrets.token_bytes(32)).decode()


def key_of(secret: str) -> bytes:
    """The bytes of a secret. Raises `UsageError`."""
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except binascii.Error:
        key = b""
    if not 24 <= len(key) <= 64:
        raise UsageError(f"a secret has {len(key)} bytes; expected whsec_ and 24 to 64 bytes in Base64")
    return key


def signature(secret: str, name: str, timestamp: int, body: bytes) -> str:
    """What proves that a message is ours and as it was sent."""
    signed = f"{name}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key_of(secret), signed, hashlib.sha256).digest()).decode()


def body_of(content: Mapping[str, Any]) -> bytes:
    """The message: what happened, when, and the data about it."""
    at = datetime.fromtimestamp(content["at"], UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    told = {"type": content["type"], "timestamp": at, "data": content["data"]}
    return json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode()


def post(
    url: str,
    secret: str,
    *,
    name: str,
    content: Mapping[str, Any],
    now: float,
    allowed: Sequence[Network] = (),
    resolve: Resolve | None = None,
    timeout: float = TIMEOUT,
) -> tuple[int | None, str]:
    """Send one message once: the status of the answer, None if there was none, and a sentence about it.

    Raises
    ------
    UsageError
        The address leads where the server sends nothing, or the secret is none.
    """
    import httpx

    body, timestamp = body_of(content), int(now)
    headers = {
        "content-type": "application/json",
        "user-agent": f"Nearfar/{__version__}",
        "webhook-id": name,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": signature(secret, name, timestamp, body),
    }
    try:
        status = send(
            "POST", url, content=body, headers=headers, allowed=allowed, timeout=timeout, resolve=resolve
        )
    except httpx.HTTPError as error:
        return None, f"no answer: {type(error).__name__} {error}".strip()
    if 300 <= status < 400:
        return status, f"answered {status}: the address has moved; add the new one"
    return status, f"answered {status}"
