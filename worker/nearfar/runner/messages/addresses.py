"""Which addresses the server may send to when a setting or a person names one: public ones, not its own network.

A name is resolved once, every address it has is judged, and the connection goes to that very address, so that a name which
means something else a moment later leads nowhere. Redirections are not followed. httpx takes a quarter of a second to load,
which most servers never need.
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address
from typing import Any
from urllib.parse import urlsplit

from nearfar.errors import UsageError

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network
Resolve = Callable[[str, int], Sequence[str]]

PORTS = {"http": 80, "https": 443}
TRANSLATED = (IPv6Network("64:ff9b::/96"), IPv6Network("64:ff9b:1::/48"))
"""Addresses of IPv4 in IPv6 by RFC 6052 and RFC 8215: they lead to what their last 32 bits say."""
ANSWER = 65536
"""Bytes of an answer that are read."""


@dataclass(frozen=True, kw_only=True)
class Pinned:
    """An address that something may be sent to, resolved."""

    url: str
    """With the address in place of the name."""
    host: str
    """What the name was, for the Host field and for the certificate."""
    address: str


def pinned(url: str, *, allowed: Sequence[Network] = (), resolve: Resolve | None = None) -> Pinned:
    """Where an address of HTTP leads, if the server may go there.

    Parameters
    ----------
    url
        ``https://host/path``; http is taken as well, a name or password is not.
    allowed
        Networks of one's own that may be reached all the same, e.g. of a receiver in the same house.
    resolve
        From host and port to addresses; the system's if not given.

    Raises
    ------
    UsageError
        It is no such address, has no name that is known, or leads to this machine, a private network, a link-local,
        shared, reserved or multicast address (IANA special-purpose registries, RFC 6890). The message is fit to be shown
        to whoever gave the address.
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise UsageError(f"{url[:200]!r} is not an address: {error}") from error
    if parts.scheme not in PORTS or not parts.hostname or any(c <= " " or c == "\x7f" for c in url):
        raise UsageError(f"{url[:200]!r}: expected an address like https://host/path")
    if parts.username is not None or parts.password is not None:
        raise UsageError(f"the address of {parts.hostname} carries a name or password; leave that out")
    port = port or PORTS[parts.scheme]
    found = [_plain(text) for text in (resolve or _resolve)(parts.hostname, port)]
    if not found:
        raise UsageError(f"{parts.hostname}: no address is known for that name")
    closed = [address for address in found if not _open(address, allowed)]
    if closed:
        raise UsageError(
            f"{parts.hostname} leads to {closed[0]}, which is not out in the world; the server sends nothing there unless "
            "its settings allow that network"
        )
    address = found[0]
    shown = f"[{address}]" if isinstance(address, IPv6Address) else str(address)
    rest = parts._replace(scheme="", netloc="", fragment="").geturl()
    return Pinned(
        url=f"{parts.scheme}://{shown}:{port}{rest if rest.startswith('/') else '/' + rest}",
        host=parts.netloc,
        address=str(address),
    )


def _resolve(host: str, port: int) -> list[str]:
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        raise UsageError(f"{host}: no address is known for that name ({error})") from error
    return [str(entry[4][0]) for entry in found]


def _plain(text: str) -> Address:
    """The address that a connection really goes to; those of IPv4 in IPv6 as the former."""
    found = ip_address(text.partition("%")[0])
    if isinstance(found, IPv6Address):
        inner = found.ipv4_mapped or found.sixtofour
        if inner is None and any(found in network for network in TRANSLATED):
            inner = IPv4Address(int(found) & 0xFFFFFFFF)
        return inner or found
    return found


def _open(address: Address, allowed: Sequence[Network]) -> bool:
    if any(address.version == network.version and address in network for network in allowed):
        return True
    return address.is_global and not address.is_multicast


def send(
    method: str,
    url: str,
    *,
    content: bytes = b"",
    headers: Mapping[str, str] | None = None,
    allowed: Sequence[Network] = (),
    timeout: float = 10.0,
    resolve: Resolve | None = None,
) -> int:
    """Ask an address that `pinned` lets through; the status of the answer, of which little is read and nothing kept.

    Raises
    ------
    UsageError
        As `pinned`.
    httpx.HTTPError
        Nobody answers there, the certificate is not that of the name, or it takes longer than ``timeout`` (s).
    """
    import httpx

    to = pinned(url, allowed=allowed, resolve=resolve)
    name = urlsplit(f"//{to.host}").hostname
    extensions: dict[str, Any] = {"sni_hostname": name}  # and the name that the certificate has to have
    given = {**(headers or {}), "host": to.host}
    with (
        httpx.Client(timeout=timeout, follow_redirects=False, trust_env=False) as client,
        client.stream(method, to.url, content=content, headers=given, extensions=extensions) as answer,
    ):
        read = 0
        for piece in answer.iter_raw():
            read += len(piece)
            if read > ANSWER:
                break
        return answer.status_code
