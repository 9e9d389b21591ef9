"""Who may ask for what: the key, the names that the server goes by, and pages of other sites.

The name in ``Host`` is checked so that a page from elsewhere cannot reach a server at the loopback address by pointing
a name of its own there; ``Origin`` and ``Sec-Fetch-Site`` so that it cannot send changes with the browser's own right.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
from urllib.parse import urlsplit

from starlette.datastructures import Headers

from nearfar.server_settings import ServerSettings
from nearfar_api.problems import Problem

LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
OPEN = ("/health/live", "/health/ready")
"""What probes ask, who have neither key nor name."""
SAFE = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})
"""Methods that change nothing (RFC 9110, 9.2.1)."""
CHALLENGE = 'Bearer realm="nearfar", Basic realm="nearfar", charset="UTF-8"'
NOBODY = "http"


class Access:
    """The rules by these settings."""

    def __init__(self, settings: ServerSettings) -> None:
        server = settings.server
        self.key = server.key
        self.names = frozenset(name.casefold() for name in server.names)
        self.hosts = LOOPBACK | self.names | ({server.host.casefold()} - {"0.0.0.0", "::"})  # noqa: S104

    def check(self, *, method: str, path: str, headers: Headers) -> str:
        """Who asks, for the trail; raises `Problem` where that is not allowed."""
        if path in OPEN:
            return self._who(headers) or NOBODY
        self._check_host(headers.get("host", ""))
        if method not in SAFE:
            self._check_origin(headers)
        who = self._who(headers)
        if who is None and _asks_first(method, path, headers):
            return NOBODY
        if who is None:
            raise Problem(
                "no-key",
                "This server asks for its key (server.key in its settings).",
                headers={"www-authenticate": CHALLENGE},
            )
        return who

    def holds_key(self, headers: Headers) -> bool:
        """Whether someone shows the key, or none is asked for."""
        return self._who(headers) is not None

    def _check_host(self, host: str) -> None:
        if host_name(host) not in self.hosts:
            raise Problem(
                "unknown-host",
                f"The request is for host {host!r}; this server goes by {', '.join(sorted(self.hosts))}.",
            )

    def _check_origin(self, headers: Headers) -> None:
        origin = headers.get("origin")
        if origin is None:
            if headers.get("sec-fetch-site", "none") in {"none", "same-origin"}:
                return
        elif origin != "null":
            place = urlsplit(origin).netloc.casefold()
            if place == headers.get("host", "").casefold() or host_name(place) in self.names:
                return
        raise Problem("foreign-origin", f"A page of {origin or 'another site'} may not change anything here.")

    def _who(self, headers: Headers) -> str | None:
        """The name that someone gave with the key, or a general one; None: no key, and one is needed."""
        scheme, _, value = headers.get("authorization", "").partition(" ")
        name, shown = NOBODY, value.strip()
        if scheme.casefold() == "basic":
            name, shown = _basic(shown)
        elif scheme.casefold() != "bearer":
            shown = ""
        if self.key is not None and not _same(shown, self.key):
            return None
        return name or NOBODY


def _asks_first(method: str, path: str, headers: Headers) -> bool:
    """Whether a browser asks if a viewer on another site may look at a picture; it shows no key with that (Fetch
    standard, CORS-preflight fetch), and the answer tells nothing of the picture.
    """
    return method == "OPTIONS" and path.startswith("/iiif/") and "access-control-request-method" in headers


def host_name(host: str) -> str:
    """The name or address in a ``Host`` field or the like, without port and brackets; empty where it is none."""
    try:
        return (urlsplit(f"//{host}").hostname or "").rstrip(".").casefold()
    except ValueError:
        return ""


def _same(shown: str, key: str) -> bool:
    """In a time that tells neither length nor beginning of the key."""
    first, second = (hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest() for text in (shown, key))
    return hmac.compare_digest(first, second)


def _basic(value: str) -> tuple[str, str]:
    """Name and password of RFC 7617."""
    try:
        name, _, password = base64.b64decode(value, validate=True).decode("utf-8").partition(":")
    except (binascii.Error, ValueError):
        return "", ""
    return "".join(sign for sign in name if sign.isprintable())[:100], password
