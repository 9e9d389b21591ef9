"""Whether a request is admitted: by its host name, its origin, keys, sessions, and the table of rights.

``Host`` is checked so that a page of another site cannot reach a server on the loopback address by pointing a name of its
own there (DNS rebinding). ``Origin`` and ``Sec-Fetch-Site`` are checked so that such a page cannot make changes with the
browser's cookies. A change by a caller with a cookie must carry one of the two: all current browsers send them, so that
forms need no token.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
from collections.abc import Callable
from dataclasses import replace
from ipaddress import ip_address, ip_network
from urllib.parse import parse_qs, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.types import Scope

from nearfar.errors import NotFound
from nearfar.jobs import People, Role, Store
from nearfar.server_settings import ServerSettings
from nearfar_api.access import cookies, rights
from nearfar_api.access.caller import NOBODY, Caller
from nearfar_api.access.private import jobs_named
from nearfar_api.problems import Problem

LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
PROBES = ("/health/live", "/health/ready")
"""Addresses for probes, which do not know the server's names."""
SAFE = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})
"""Methods that change nothing (RFC 9110, 9.2.1)."""
CHALLENGE = 'Bearer realm="nearfar", Basic realm="nearfar", charset="UTF-8"'
BEARER = 'Bearer realm="nearfar"'
"""The challenge of a 401 answer: not Basic, which would make browsers ask for a password by themselves."""
HTTP = "http"
LONGEST_SECRET = 1000


class Access:
    """The rules of access, by the settings."""

    def __init__(self, settings: ServerSettings, store: Callable[[], Store]) -> None:
        server = settings.server
        self.settings = settings
        self.key = server.key
        self.names = frozenset(name.casefold() for name in server.names)
        self.hosts = LOOPBACK | self.names | ({server.host.casefold()} - {"0.0.0.0", "::"})  # noqa: S104
        self.free = not server.locked
        self.challenge = BEARER if server.accounts else CHALLENGE
        self._proxies = [ip_network(proxy) for proxy in server.proxies]
        self._store = store

    async def admit(self, scope: Scope, *, method: str, path: str) -> Caller:
        """Admit a request and return its caller. Raises `Problem` if it is refused, and `StoreUnreachable`."""
        headers = Headers(scope=scope)
        found = rights.of(method, path)
        if path in PROBES:
            return self._at_once(headers) or NOBODY
        self._check_host(headers.get("host", ""))
        if method not in SAFE:
            self._check_origin(headers)
        caller = self._sighted(await self.known(headers))
        scope["nearfar.caller"] = caller or NOBODY  # for the log, also if the answer is no
        if found.need.role is None or (caller is None and _asks_first(method, path, headers)):
            return caller or NOBODY
        if caller is None:
            raise self._unknown()
        await self._check(caller, found, scope)
        return caller

    def _sighted(self, caller: Caller | None) -> Caller | None:
        """The caller, with `Caller.sees_all` set by the settings."""
        if caller is None or caller.runs or not self.settings.people.private:
            return caller
        return replace(caller, sees_all=False)

    async def known(self, headers: Headers) -> Caller | None:
        """The caller of a request; None if the server does not know them."""
        caller = self._at_once(headers)
        if caller is not None or self.free:
            return caller
        shown = _authorization(headers)
        if shown is not None:
            return await run_in_threadpool(self.by_key, shown[1])
        token = cookies.read(headers, cookies.SESSION)
        if token is None or not self.settings.server.accounts:
            return None
        return await run_in_threadpool(self.by_session, token)

    def _at_once(self, headers: Headers) -> Caller | None:
        """A caller who is known without asking the store: anyone if no key is needed, or one with the server's own key."""
        shown = _authorization(headers)
        name, value = shown or ("", "")
        if self.free:
            return self._everything(name, "free")
        if self.key is not None and _same(value, self.key):
            return self._everything(name, "server-key")
        return None

    def _everything(self, name: str, how: str) -> Caller:
        owner = self.settings.server.owner
        if how == "server-key" and self.settings.server.accounts:  # so that nobody passes for an account
            name = f"{name} (server key)" if name else "server key"
        return Caller(
            name=name or HTTP,
            role=Role.RUN,
            owner=owner,
            how="free" if how == "free" else "server-key",
        )

    def by_key(self, secret: str) -> Caller | None:
        """The caller with a key of the store; asks the store."""
        if not 0 < len(secret) <= LONGEST_SECRET:
            return None
        found = People(self._store()).key(secret)
        if found is None or found[2] != "good":
            return None
        key, account, _ = found
        name = f"{account.name} (key {key.id})" if account else f"key {key.id} ({key.name})"
        return Caller(
            name=name,
            role=key.role(account),
            owner=account.name if account else self.settings.server.owner,
            how="key",
            account=account.name if account else None,
            secret=secret,
        )

    def by_session(self, token: str) -> Caller | None:
        """The caller with a session; asks the store."""
        people = self.settings.people
        account = People(self._store()).session(
            token[:LONGEST_SECRET], idle=3600 * people.idle, longest=86400 * people.longest
        )
        if account is None:
            return None
        return Caller(
            name=account.name,
            role=account.role,
            owner=account.name,
            how="session",
            account=account.name,
            secret=token,
        )

    async def still(self, caller: Caller) -> bool:
        """Whether the key or session with which a long request began is still valid."""
        if caller.secret is None:
            return True
        look = self.by_key if caller.how == "key" else self.by_session
        return await run_in_threadpool(look, caller.secret) is not None

    def note(self, action: str, who: str, detail: dict[str, str | None]) -> None:
        """Record a line in the trail."""
        People(self._store()).note(action, who=who, detail=detail)

    async def _check(self, caller: Caller, found: rights.Found, scope: Scope) -> None:
        need = found.need
        assert need.role is not None  # noqa: S101 - what is open never comes here
        if not caller.may(need.role):
            raise Problem(
                "no-right",
                f"This takes the role {need.role}; {caller.name} has {caller.role}.",
                needs=str(need.role),
            )
        if caller.runs:
            return
        private = self.settings.people.private
        if private and need.all:
            raise Problem(
                "no-right", "This covers everybody's jobs, and takes the role run here.", needs="run"
            )
        if need.own or private:
            await run_in_threadpool(self._check_owners, caller, _jobs(found, scope), own=need.own)

    def _check_owners(self, caller: Caller, numbers: list[int], *, own: bool) -> None:
        """Raise `Problem` unless all these jobs are the caller's; jobs that do not exist are left to the route."""
        for number in numbers:
            try:
                owner = self._store().job(number).owner
            except NotFound:
                continue
            if owner == caller.owner:
                continue
            if self.settings.people.private:
                raise Problem("not-found", f"there is no job {number}")
            if own:
                raise Problem(
                    "no-right",
                    f"Job {number} is {owner}'s; changing it takes the role run, and {caller.name} has {caller.role}.",
                    needs="run",
                )

    def _unknown(self) -> Problem:
        return Problem(
            "no-key",
            "This server asks for a key"
            + (
                ", or for someone to log in."
                if self.settings.server.accounts
                else " (server.key in its settings)."
            ),
            headers={"www-authenticate": self.challenge},
        )

    def holds_key(self, headers: Headers) -> bool:
        """Whether a request carries the server's own key, or none is needed."""
        return self._at_once(headers) is not None

    def address(self, scope: Scope) -> str:
        """The address of the client: as the nearest of our own proxies gives it, or the other end of the connection."""
        near = _plain(scope["client"][0] if scope.get("client") else "")
        said = ",".join(Headers(scope=scope).getlist("x-forwarded-for")).split(",")
        while self._proxy(near) and said:
            before = _plain(said.pop())
            if not before:  # who came before is not told, and what stands further left may be made up
                break
            near = before
        return near

    def secure(self, scope: Scope) -> bool:
        """Whether the client uses https, by the connection or as one of our proxies says."""
        headers = Headers(scope=scope)
        proxied = self._proxy(_plain(scope["client"][0] if scope.get("client") else ""))
        return (
            scope.get("scheme") == "https"
            or headers.get("origin", "").startswith("https:")
            or (proxied and headers.get("x-forwarded-proto", "").strip() == "https")
        )

    def _proxy(self, address: str) -> bool:
        try:
            return any(ip_address(address) in network for network in self._proxies)
        except ValueError:
            return False

    def _check_host(self, host: str) -> None:
        if host_name(host) not in self.hosts:
            raise Problem(
                "unknown-host",
                f"The request is for host {host!r}; this server goes by {', '.join(sorted(self.hosts))}.",
            )

    def _check_origin(self, headers: Headers) -> None:
        origin, fetched = headers.get("origin"), headers.get("sec-fetch-site")
        by_cookie = not self.free and "authorization" not in headers and "cookie" in headers
        if origin is None:
            if fetched in {"none", "same-origin"} or (fetched is None and not by_cookie):
                return
        elif origin != "null":
            place = urlsplit(origin).netloc.casefold()
            if place == headers.get("host", "").casefold() or host_name(place) in self.names:
                return
        raise Problem("foreign-origin", f"A page of {origin or 'another site'} may not change anything here.")


def _jobs(found: rights.Found, scope: Scope) -> list[int]:
    """Numbers of the jobs that a request is about."""
    try:
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"), keep_blank_values=True)
        numbers = jobs_named(found, query)
    except ValueError as error:
        raise Problem("not-found", f"There is no such job: {error}.") from error
    if numbers is None:
        raise Problem("not-found", "There is no such picture.")
    return numbers


def _plain(address: str) -> str:
    """An address without port and brackets, IPv4 mapped to IPv6 as plain IPv4; empty if it is not an address."""
    text = address.strip()
    for found in (text, host_name(text)):
        try:
            plain = ip_address(found)
        except ValueError:
            continue
        return str(getattr(plain, "ipv4_mapped", None) or plain)
    return ""


def _asks_first(method: str, path: str, headers: Headers) -> bool:
    """Whether this is a browser's preflight request for a picture that another site shows.

    It carries no key (Fetch standard, CORS-preflight fetch), and the answer reveals nothing about the picture.
    """
    return method == "OPTIONS" and path.startswith("/iiif/") and "access-control-request-method" in headers


def host_name(host: str) -> str:
    """The name or address in a ``Host`` field or the like, without port and brackets; empty if it is none."""
    try:
        return (urlsplit(f"//{host}").hostname or "").rstrip(".").casefold()
    except ValueError:
        return ""


def _same(shown: str, key: str) -> bool:
    """Compare in constant time, which reveals neither the key's length nor its beginning."""
    first, second = (hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest() for text in (shown, key))
    return hmac.compare_digest(first, second)


def _authorization(headers: Headers) -> tuple[str, str] | None:
    """Name and secret of an ``Authorization`` field; None if there is none."""
    if "authorization" not in headers:
        return None
    scheme, _, value = headers["authorization"].partition(" ")
    if scheme.casefold() == "basic":
        return _basic(value.strip())
    return "", value.strip() if scheme.casefold() == "bearer" else ""


def _basic(value: str) -> tuple[str, str]:
    """Name and password of RFC 7617."""
    try:
        name, _, password = base64.b64decode(value, validate=True).decode("utf-8").partition(":")
    except (binascii.Error, ValueError):
        return "", ""
    return "".join(sign for sign in name if sign.isprintable())[:100], password
