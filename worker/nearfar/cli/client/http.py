"""A server as the commands see it: where it is, what it is asked, and its refusals in words.

The address comes from an option, the environment, the settings file, or from what a server on this machine wrote into
its data folder. The key never stands on a command line, where every user of the machine could read it, and is never
printed.
"""

from __future__ import annotations

import argparse
import ipaddress
import json
import os
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import httpx

from nearfar import __version__
from nearfar.errors import NearfarError, ServerAway, ServerError, UsageError
from nearfar.places import places_of
from nearfar.server_settings import ServerSettings, load_server

API = "/api/v1"
CONNECT_TIMEOUT = 10.0
"""Seconds in which a server has to take a connection."""
ANSWER_TIMEOUT = 60.0
"""Seconds in which it has to answer, or take the next piece of a frame."""
PATIENCE = 300.0
"""Seconds for which a server that was there may stay away before a command gives up."""
LONGEST_REST = 10.0
"""Seconds between two attempts at most."""


@dataclass(frozen=True, kw_only=True)
class Address:
    """Where a server is and what it is shown."""

    url: str
    """Without a slash at the end."""
    key: str | None = field(default=None, repr=False)
    known_from: str = "--to"
    """Where the address stood, for messages."""


def find_server(options: argparse.Namespace) -> Address:
    """The server that the options ``to``, ``data`` and ``key_file`` mean, or that the settings know.

    Raises
    ------
    UsageError
        The address or the file of the key will not do.
    """
    settings = load_server({"server": {"data": options.data}})
    url, source = options.to, "--to"
    if url is None and options.data is None:
        url = settings.client.url
        source = "NEARFAR_URL" if os.environ.get("NEARFAR_URL") else "the setting client.url"
    if url is None:
        url, source = _local(settings)
    key = read_key(options.key_file) if options.key_file else settings.client.key or settings.server.key
    return Address(url=checked_url(url, source), key=key, known_from=source)


def _local(settings: ServerSettings) -> tuple[str, str]:
    """Address of this machine's server: as it wrote it down, else from the settings."""
    file = places_of(settings).state / "address.json"
    try:
        return str(json.loads(file.read_text(encoding="utf-8"))["url"]), str(file)
    except (OSError, ValueError, KeyError, TypeError):
        server = settings.server
        host = "127.0.0.1" if server.host in {"0.0.0.0", "::", ""} else server.host  # noqa: S104 - compared
        host = f"[{host}]" if ":" in host else host
        return f"http://{host}:{server.port}{server.path}", "the settings; no --to, NEARFAR_URL or client.url"


def checked_url(text: str, source: str) -> str:
    """The address without a slash at its end; ``host:port`` means http.

    Raises
    ------
    UsageError
        It is no address of a server, or carries a name or password.
    """
    text = text.strip()
    try:
        url = httpx.URL(text if "://" in text else f"http://{text}")
    except httpx.InvalidURL as error:
        raise UsageError(f"{source}: {text!r} is not an address ({error}); {EXAMPLE}") from error
    if url.userinfo:
        raise UsageError(
            f"{source}: the address of {url.host} carries a name or password; take that out and give the key in "
            "NEARFAR_KEY, in a file with --key-file, or as client.key in the settings file"
        )
    if url.scheme not in {"http", "https"} or not url.host or url.query or url.fragment:
        raise UsageError(f"{source}: {text!r} is not the address of a server; {EXAMPLE}")
    return str(url).rstrip("/")


EXAMPLE = "write it like http://host:8765 or https://host/merge"


def read_key(path: Path) -> str:
    """The key in a file, without space around it. Raises `UsageError`."""
    try:
        key = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not text"
        raise UsageError(f"--key-file {path}: {reason}; give the file that holds the server's key") from error
    if not key or not key.isascii() or not key.isprintable():
        raise UsageError(f"--key-file {path}: found no key; expected one line of printable ASCII characters")
    return key


class Server:
    """Asks one server; a context manager. Every method raises `ServerError`, or `ServerAway` if none answers."""

    def __init__(self, address: Address, *, transport: httpx.BaseTransport | None = None) -> None:
        self.address = address
        headers = {"User-Agent": f"nearfar/{__version__}"}
        if address.key:
            headers["Authorization"] = f"Bearer {address.key}"
        self._client = httpx.Client(
            headers=headers,
            timeout=httpx.Timeout(ANSWER_TIMEOUT, connect=CONNECT_TIMEOUT),
            trust_env=not on_this_machine(address.url),  # a proxy would not find it
            transport=transport,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.close()

    def url(self, path: str) -> str:
        """Full address of a path below the API."""
        return f"{self.address.url}{API}{path}"

    def get(self, path: str, **query: object) -> Any:
        """What stands at a path below the API, from JSON."""
        wanted = {name: value for name, value in query.items() if value is not None}
        return content(self.ask("GET", path, params=wanted))

    def post(self, path: str, body: Mapping[str, object] | None = None, **headers: str) -> Any:
        """What a POST of JSON answers."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return content(self.ask("POST", path, json=dict(body or {}), headers=named))

    def put(self, path: str, body: Mapping[str, object]) -> Any:
        """What a PUT of JSON answers."""
        return content(self.ask("PUT", path, json=dict(body)))

    def job(self, number: int) -> dict[str, Any]:
        """A job as the server has it."""
        found: dict[str, Any] = self.get(f"/jobs/{number}")
        return found

    def ask(self, method: str, path: str, **more: Any) -> httpx.Response:
        """Any request below the API; its answer, read."""
        with self._in_words():
            answer = self._client.request(method, self.url(path), **more)
        if not answer.is_success:
            raise refusal(answer, self.address)
        return answer

    @contextmanager
    def stream(self, method: str, path: str, **more: Any) -> Iterator[httpx.Response]:
        """Any request below the API, whose answer is read by the caller."""
        with self._in_words(), self._client.stream(method, self.url(path), **more) as answer:
            if not answer.is_success:
                answer.read()
                raise refusal(answer, self.address)
            yield answer

    @contextmanager
    def _in_words(self) -> Iterator[None]:
        try:
            yield
        except httpx.ConnectError as error:
            raise ServerAway(
                f"no server answers at {self.address.url} (from {self.address.known_from}): {_shortly(error)}. "
                "Start it there with 'nearfar serve', or name another one with --to"
            ) from error
        except httpx.TimeoutException as error:
            raise ServerAway(
                f"the server at {self.address.url} does not answer in time; check whether it is overloaded or stopped, "
                "then give the same command again"
            ) from error
        except httpx.TransportError as error:
            raise ServerAway(
                f"the connection to {self.address.url} broke: {_shortly(error)}. Give the same command again"
            ) from error


def on_this_machine(url: str) -> bool:
    """Whether an address is a loopback one."""
    host = httpx.URL(url).host
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _shortly(error: Exception) -> str:
    """The system's own words on a broken connection, without those of the layers above it."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, OSError) and cause.errno is not None:
            # numbers below zero are those of getaddrinfo(3), which has words of its own
            return os.strerror(cause.errno) if cause.errno > 0 else str(cause.strerror)
        cause = cause.__cause__ or cause.__context__
    return str(error) or type(error).__name__


def content(answer: httpx.Response) -> Any:
    """The JSON of an answer.

    Raises
    ------
    ServerError
        It holds none: whatever listens there is no Nearfar server.
    """
    try:
        return answer.json()
    except ValueError as error:
        raise ServerError(
            f"{answer.request.url} answered something that is not from a Nearfar server; check the address",
            status=answer.status_code,
        ) from error


def refusal(answer: httpx.Response, address: Address) -> NearfarError:
    """A refusal as an error that says what happened and what to do."""
    status = answer.status_code
    try:
        problem = answer.json()
    except ValueError:
        problem = None
    if not isinstance(problem, dict):
        problem = {}
    if status in {401, 403} and not (status == 403 and address.key):
        said = "the key is not the server's" if address.key else "it asks for a key"
        return ServerError(
            f"the server at {address.url} lets nobody in: {said}. Give the right one in NEARFAR_KEY, in a file with "
            "--key-file, or as client.key in the settings file",
            status=status,
            problem=problem,
        )
    if not problem:
        return ServerError(
            f"{address.url} answered {status} {answer.reason_phrase} without a reason; check that the address is that "
            "of a Nearfar server, sub-path included",
            status=status,
        )
    return _told(problem, status)


EXIT_CODES = {"malformed": 2, "invalid": 2, "refused": 3, "no-such-path": 3, "too-large": 3, "no-space": 5}
"""Exit codes for kinds of problems; 4 for all others."""


def _told(problem: Mapping[str, Any], status: int) -> ServerError:
    """What problem details say, each wrong place of a request included."""
    said = str(problem.get("detail") or problem.get("title") or f"the server answered {status}")
    for entry in problem.get("errors") or ():
        if isinstance(entry, dict):
            said += " | " + ": ".join(str(value) for value in entry.values())
    error = ServerError(said, status=status, problem=problem)
    error.exit_code = EXIT_CODES.get(kind_of(error), error.exit_code)
    return error


def kind_of(error: ServerError) -> str:
    """The kind of problem that a server named, e.g. ``'wrong-offset'``; empty if it named none."""
    return str(error.problem.get("type", "")).rpartition("/")[2]


class Patience:
    """Rests between attempts at a server that stays away, a little longer each time, and gives up in the end.

    Parameters
    ----------
    most
        Seconds for which it may stay away.
    sleep, clock
        For tests.
    """

    def __init__(
        self,
        most: float = PATIENCE,
        sleep: Callable[[float], None] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._most, self._sleep, self._clock = most, sleep, clock
        self._since: float | None = None
        self._rest = 0.5

    def fine(self) -> None:
        """It is there."""
        self._since, self._rest = None, 0.5

    def rest(self, seconds: float) -> None:
        """Rest without counting the time as the server's absence."""
        self._sleep(seconds)

    def lost(self, error: ServerError) -> bool:
        """It is away: rest, or raise the error if it stayed away for too long. True if it only just went."""
        now = self._clock()
        first = self._since is None
        self._since = now if self._since is None else self._since
        if now - self._since > self._most:
            raise error
        self._sleep(self._rest)
        self._rest = min(LONGEST_REST, 2 * self._rest)
        return first


def worth_another_try(error: ServerError) -> bool:
    """Whether the same request may well work in a while: no answer, overload, or a server that is just starting."""
    busy = error.status in {429, 502, 503, 504} or kind_of(error) == "frame-busy"
    return busy or isinstance(error, ServerAway)
