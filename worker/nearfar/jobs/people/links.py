"""Links that fetch a result without a key until a moment: an HMAC (RFC 2104) over job, file and moment.

The secret is the store's own. A new one ends all links that there are.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from urllib.parse import quote

LONGEST = 30 * 86400.0
"""Seconds for which a link may be good."""


def proof(secret: bytes, *, job: int, name: str, until: int) -> str:
    """What shows that the server itself made a link."""
    said = f"fetch\n{job}\n{until}\n{name}".encode("utf-8", "surrogatepass")
    return base64.urlsafe_b64encode(hmac.digest(secret, said, hashlib.sha256)).rstrip(b"=").decode()


def holds(secret: bytes, shown: str, *, job: int, name: str, until: int, now: float) -> bool:
    """Whether a link is the server's own and has not ended."""
    right = proof(secret, job=job, name=name, until=until)
    return hmac.compare_digest(right.encode(), shown.encode("utf-8", "surrogatepass")) and now < until


def address(secret: bytes, *, job: int, name: str, until: int) -> str:
    """The link, below the server's root path."""
    shown = proof(secret, job=job, name=name, until=until)
    return f"/fetch/{job}/{quote(name, safe='')}?until={until}&proof={shown}"
