"""A small provider of OpenID Connect for the tests: one person, one client, codes that are good once."""

from __future__ import annotations

import base64
import hashlib
import hmac
import http.server
import json
import secrets
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

from joserfc import jwt
from joserfc.jwk import ECKey

CLIENT, SECRET = "nearfar at the bench", "a secret/of the client"


@dataclass
class Provider:
    """What it says, and what a test makes it say wrongly."""

    issuer: str = ""
    claims: dict[str, Any] = field(default_factory=lambda: {"sub": "7", "preferred_username": "lena"})
    wrong: dict[str, Any] = field(default_factory=dict)
    """Claims that go before the right ones; None leaves one out."""
    key: ECKey = field(default_factory=lambda: ECKey.generate_key("P-256", {"kid": "1"}))
    signing: Any = None
    """The key that signs where it is not the one that is published."""
    header: dict[str, Any] = field(default_factory=lambda: {"alg": "ES256", "kid": "1"})
    codes: dict[str, dict[str, str]] = field(default_factory=dict)
    calls_itself: str | None = None

    def authorize(self, url: str) -> str:
        """The person says yes: where the browser is sent, as RFC 6749, 4.1.2, has it."""
        asked = {name: values[0] for name, values in parse_qs(urlsplit(url).query).items()}
        assert (asked["response_type"], asked["client_id"]) == ("code", CLIENT)
        assert "openid" in asked["scope"].split()
        assert asked["code_challenge_method"] == "S256"
        code = secrets.token_urlsafe(8)
        self.codes[code] = asked
        return f"{asked['redirect_uri']}?code={code}&state={asked['state']}"

    def token(self, form: dict[str, str], authorization: str) -> tuple[int, dict[str, Any]]:
        """RFC 6749, 4.1.3, and RFC 7636, 4.6."""
        shown = base64.b64decode(authorization.removeprefix("Basic ")).decode()
        if [unquote(part.replace("+", " ")) for part in shown.split(":")] != [CLIENT, SECRET]:
            return 401, {"error": "invalid_client"}
        asked = self.codes.pop(form.get("code", ""), None)
        digest = hashlib.sha256(form.get("code_verifier", "").encode()).digest()
        challenge = _base64(digest)
        if (
            asked is None
            or challenge != asked["code_challenge"]
            or form["redirect_uri"] != asked["redirect_uri"]
        ):
            return 400, {"error": "invalid_grant"}
        now = int(time.time())
        right = {"iss": self.issuer, "aud": CLIENT, "iat": now, "exp": now + 300, "nonce": asked["nonce"]}
        claims = {
            name: value for name, value in (right | self.claims | self.wrong).items() if value is not None
        }
        return 200, {"token_type": "Bearer", "access_token": "x", "id_token": self.signed(claims)}

    def signed(self, claims: dict[str, Any]) -> str:
        # RFC 7519, 6; RFC 7515, 5.1: by hand, as no library makes these
        if self.header["alg"] in {"none", "HS256"}:
            head, body = (_base64(json.dumps(part).encode()) for part in (self.header, claims))
            text = f"{head}.{body}"
            mark = hmac.digest(self.key.as_pem(private=False), text.encode(), hashlib.sha256)
            return f"{text}.{_base64(mark) if self.header['alg'] == 'HS256' else ''}"
        return jwt.encode(self.header, claims, self.signing or self.key, algorithms=[self.header["alg"]])

    def about(self) -> dict[str, Any]:
        """OpenID Connect Discovery 1.0, 3."""
        return {
            "issuer": self.calls_itself or self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
        }


def _base64(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


@contextmanager
def running() -> Iterator[Provider]:
    """The provider, listening."""
    provider = Provider()

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            known = {
                "/.well-known/openid-configuration": provider.about(),
                "/keys": {"keys": [provider.key.as_dict(private=False)]},
            }
            found = known.get(self.path)
            self.answer(200 if found else 404, found or {})

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"])).decode()
            form = {name: values[0] for name, values in parse_qs(body).items()}
            self.answer(*provider.token(form, self.headers["authorization"] or ""))

        def answer(self, status: int, content: dict[str, Any]) -> None:
            self.send_response(status)
            self.send_header("content-type", "application/json")
            self.end_headers()
            self.wfile.write(json.dumps(content).encode())

        def log_message(self, *_: object) -> None:
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        provider.issuer = f"http://127.0.0.1:{server.server_address[1]}"
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield provider
        finally:
            server.shutdown()
            thread.join()
