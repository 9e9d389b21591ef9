"""Logging in at a provider of OpenID Connect: authorization code flow with PKCE, state and nonce.

What is asked follows OpenID Connect Core 1.0, 3.1, and Discovery 1.0, 4; RFC 7636 for PKCE. The ID token is read and
checked by joserfc; symmetric signatures and unsigned tokens are not taken. It and httpx are loaded by the first who comes:
that takes half a second.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote_plus, urlencode

from nearfar_api.problems import Problem

ALGORITHMS = [
    "RS256",
    "RS384",
    "RS512",
    "PS256",
    "PS384",
    "PS512",
    "ES256",
    "ES384",
    "ES512",
    "EdDSA",
    "Ed25519",
]
TIMEOUT = 10.0
KEPT = 3600.0
"""Seconds for which what a provider says of itself is used again."""
LEEWAY = 60
"""Seconds that clocks may differ."""


@dataclass(frozen=True, kw_only=True)
class Flight:
    """A log-in under way: what the browser keeps until it comes back."""

    state: str
    nonce: str
    verifier: str
    next: str
    until: float


class Provider:
    """One provider, by the settings. Every method waits for it, and raises `Problem` if it does not answer well."""

    def __init__(self, issuer: str, client: str, secret: str) -> None:
        self.issuer = issuer
        self._client, self._secret = client, secret
        self._lock = threading.Lock()
        self._known: tuple[float, dict[str, Any]] | None = None

    def depart(self, back: str, after: str) -> tuple[str, Flight]:
        """Where to send a browser, and what it has to bring back."""
        flight = Flight(
            state=secrets.token_urlsafe(24),
            nonce=secrets.token_urlsafe(24),
            verifier=secrets.token_urlsafe(48),
            next=after,
            until=time.time() + 600,
        )
        digest = hashlib.sha256(flight.verifier.encode()).digest()
        asked = {
            "response_type": "code",
            "client_id": self._client,
            "redirect_uri": back,
            "scope": "openid profile",
            "state": flight.state,
            "nonce": flight.nonce,
            "code_challenge": base64.urlsafe_b64encode(digest).rstrip(b"=").decode(),
            "code_challenge_method": "S256",
        }
        url = self._about("authorization_endpoint")
        return f"{url}{'&' if '?' in url else '?'}{urlencode(asked)}", flight

    def arrive(self, query: Mapping[str, str], back: str, flight: Flight) -> dict[str, Any]:
        """What the provider says of whoever came back; raises `Problem`."""
        if not secrets.compare_digest(query.get("state", "").encode(), flight.state.encode()):
            raise _refused("the answer does not belong to this browser's log-in")
        if flight.until < time.time():
            raise _refused("it took too long")
        if query.get("iss", self.issuer) != self.issuer:  # RFC 9207
            raise _refused("another provider answered")
        if "code" not in query:
            raise _refused(f"the provider said {query.get('error', 'nothing')[:60]!r}")
        token = self._token(query["code"], back, flight.verifier)
        return self._claims(token["id_token"], flight.nonce)

    def _token(self, code: str, back: str, verifier: str) -> dict[str, Any]:
        """Change the code into tokens; the client shows its secret as RFC 6749, 2.3.1, has it."""
        import httpx

        asked = {
            "grant_type": "authorization_code",
            "code": code,
            "redirect_uri": back,
            "code_verifier": verifier,
        }
        auth = (quote_plus(self._client), quote_plus(self._secret))
        try:
            answer = httpx.post(self._about("token_endpoint"), data=asked, auth=auth, timeout=TIMEOUT)
            found = answer.raise_for_status().json()
        except (httpx.HTTPError, httpx.InvalidURL, ValueError) as error:
            raise _refused("the provider gave no token") from error
        if not isinstance(found, dict) or not isinstance(found.get("id_token"), str):
            raise _refused("the provider gave no ID token")
        return found

    def _claims(self, token: str, nonce: str) -> dict[str, Any]:
        from joserfc import jwt
        from joserfc.errors import JoseError
        from joserfc.jwk import KeySet

        keys = KeySet.import_key_set(self._fetch(self._about("jwks_uri")))  # type: ignore[arg-type]
        wanted = jwt.JWTClaimsRegistry(
            leeway=LEEWAY,
            iss={"essential": True, "value": self.issuer},
            aud={"essential": True, "value": self._client},
            exp={"essential": True},
            iat={"essential": True},
            sub={"essential": True},
            nonce={"essential": True, "value": nonce},
        )
        try:
            found = jwt.decode(token, keys, algorithms=ALGORITHMS)
            wanted.validate(found.claims)
        except (JoseError, ValueError, KeyError, TypeError) as error:
            raise _refused("the provider's token is not valid") from error
        audience = found.claims["aud"]
        if isinstance(audience, list) and len(audience) > 1 and found.claims.get("azp") != self._client:
            raise _refused("the provider's token is for someone else")
        return dict(found.claims)

    def subject(self, claims: Mapping[str, Any]) -> str:
        """Issuer and subject of these claims, by which an account is found."""
        return f"{self.issuer} {claims['sub']}"

    def _about(self, name: str) -> str:
        with self._lock:
            if self._known is None or time.monotonic() - self._known[0] > KEPT:
                found = self._fetch(f"{self.issuer.rstrip('/')}/.well-known/openid-configuration")
                if found.get("issuer") != self.issuer:
                    raise _away(f"it calls itself {str(found.get('issuer'))[:100]!r}, not {self.issuer!r}")
                self._known = (time.monotonic(), found)
            value = self._known[1].get(name)
        if not isinstance(value, str):
            raise _away(f"it does not say its {name}")
        return value

    def _fetch(self, url: str) -> dict[str, Any]:
        import httpx

        try:
            answer = httpx.get(url, timeout=TIMEOUT).raise_for_status()
            found = answer.json()
        except (httpx.HTTPError, httpx.InvalidURL, ValueError) as error:
            raise _away(str(error)[:200] or type(error).__name__) from error
        if not isinstance(found, dict):
            raise _away("what it says is not an object")
        return found


def _refused(why: str) -> Problem:
    return Problem("no-account", f"Logging in at the provider did not succeed: {why}.")


def _away(why: str) -> Problem:
    return Problem("provider-away", f"The provider cannot be asked: {why}.")
