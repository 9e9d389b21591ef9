"""The addresses of the IIIF Image API 3.0: base, info.json and image requests, with what HTTP asks for around them."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from pathlib import Path
from typing import TypeVar

import anyio.to_thread
from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from nearfar.errors import FrameRefused, NearfarError, WorkFailed
from nearfar.runner.looking.ready import TooManyAsked
from nearfar_api.handlers import problem_of
from nearfar_api.iiif.info import CONTEXT, PROFILE, information
from nearfar_api.iiif.making import make
from nearfar_api.iiif.pictures import Picture
from nearfar_api.iiif.shelf import Shelf
from nearfar_api.iiif.tiles import TileCache, room
from nearfar_api.iiif.views import FORMATS, View, read_view
from nearfar_api.problems import RETRY_AFTER, Problem
from nearfar_api.transfer import ranges

BASE = "/iiif/3"
AT_ONCE = 2
"""Views that are made at a time."""
MAKE = 2
"""Raised whenever the same file gives other bytes, so that no browser keeps the old ones."""
GONE = 499
"""Status for the log alone: the client is gone."""
LD_JSON = "application/ld+json"
FREE = {"access-control-allow-origin": "*", "cross-origin-resource-policy": "cross-origin"}
"""Viewers on other sites may ask: the standard wants it (section 7.1 and the compliance levels)."""
CLOSED: Mapping[str, str] = {}
"""The server asks for no key, so that any site's page could look at every picture: it may not."""
ALLOW = {"allow": "GET, HEAD, OPTIONS"}
PREFLIGHT = {
    "access-control-allow-methods": "GET, HEAD, OPTIONS",
    "access-control-allow-headers": "accept, authorization, if-none-match",
    "access-control-max-age": "86400",
}
T = TypeVar("T")
Find = Callable[[str], Path | Future[Path] | None]


def router(find_picture: Find, *, free: bool, cache_bytes: int | None = None) -> APIRouter:
    """The routes, to be included without a prefix.

    Parameters
    ----------
    find_picture
        From an identifier to its file, or None; a future if the file is still to be made. Called in
        a worker thread; may raise errors of ours, and so may the future.
    free
        Whether viewers on other sites' pages may show the pictures.
    cache_bytes
        For decoded tiles; if not given, by the machine's memory.
    """
    shared = FREE if free else CLOSED
    desk = _Desk(find_picture, TileCache(room() if cache_bytes is None else cache_bytes), shared)
    found = APIRouter(prefix=BASE, include_in_schema=False)

    @found.get("/{identifier}", name="iiif_base")
    async def base(request: Request, identifier: str) -> Response:
        await desk.picture(identifier)
        return RedirectResponse(_address(request, identifier) + "/info.json", 303, headers=dict(shared))

    @found.get("/{identifier}/info.json", name="iiif_info")
    async def info(request: Request, identifier: str) -> Response:
        return _info(request, await desk.picture(identifier), _address(request, identifier), shared)

    @found.get("/{identifier}/{region}/{size}/{rotation}/{name}", name="iiif_image")
    async def image(
        request: Request, identifier: str, region: str, size: str, rotation: str, name: str
    ) -> Response:
        asked = {"region": region, "size": size, "rotation": rotation, "name": name}
        return await desk.image(request, identifier, asked, _address(request, identifier))

    @found.options("/{identifier}/info.json")
    @found.options("/{identifier}/{region}/{size}/{rotation}/{name}")
    async def preflight() -> Response:
        return Response(status_code=204, headers=ALLOW | {**FREE, **PREFLIGHT} if free else ALLOW)

    return found


class _Desk:
    """Where views are asked for: few at a time, in threads, and none for those who have left."""

    def __init__(self, find: Find, cache: TileCache, shared: Mapping[str, str]) -> None:
        self._find = find
        self._shared = shared
        self._cache = cache
        self._shelf = Shelf()
        self._limit = anyio.CapacityLimiter(AT_ONCE)

    async def picture(self, identifier: str) -> Picture:
        """The open picture; raises `Problem`."""
        return await self._with(identifier, self._same, None)

    @staticmethod
    def _same(picture: Picture) -> Picture:
        return picture

    async def _with(
        self, identifier: str, do: Callable[[Picture], T], limit: anyio.CapacityLimiter | None
    ) -> T:
        """What is done with a picture, in one thread with finding it; if it is to be made first, after that."""
        places: list[Path | None] = []

        def all_of_it() -> tuple[T | None, Future[Path] | None]:
            place = places[0] if places else self._find(identifier)
            if isinstance(place, Future):
                return None, place
            return do(self._opened(identifier, place)), None

        try:
            found, waits = await anyio.to_thread.run_sync(all_of_it, limiter=limit)
            if waits is not None:  # shared by all who ask for it
                made: Path = await asyncio.shield(asyncio.wrap_future(waits))
                places.append(made)
                found, _ = await anyio.to_thread.run_sync(all_of_it, limiter=limit)
        except (NearfarError, asyncio.CancelledError) as error:
            raise _shared(_not_found(identifier, error), self._shared) from error
        assert found is not None  # noqa: S101 - it was waited for
        return found

    def _opened(self, identifier: str, path: Path | None) -> Picture:
        missing = Problem(
            "not-found", f"There is no picture called {identifier!r}.", headers=dict(self._shared)
        )
        try:
            if path is None:
                raise missing
            return self._shelf.picture(path)
        except (FileNotFoundError, NotADirectoryError) as error:
            raise missing from error
        except FrameRefused as error:
            raise Problem("damaged", str(error), headers=dict(self._shared)) from error
        except OSError as error:
            raise _unreadable(identifier, error, self._shared) from error

    async def image(
        self, request: Request, identifier: str, asked: Mapping[str, str], address: str
    ) -> Response:
        """The answer to an image request."""
        left = threading.Event()
        watch = asyncio.create_task(_wait_until_left(request, left))
        fields: Mapping[str, str] = request.headers
        try:
            return await self._with(
                identifier, lambda picture: self._answer(picture, asked, address, fields, left), self._limit
            )
        except _Left:
            return Response(status_code=GONE)
        finally:
            left.set()
            watch.cancel()

    def _answer(
        self,
        picture: Picture,
        asked: Mapping[str, str],
        address: str,
        fields: Mapping[str, str],
        left: threading.Event,
    ) -> Response:
        try:
            view = read_view(width=picture.width, height=picture.height, **asked)
        except Problem as problem:
            raise _shared(problem, self._shared) from None
        canonical = view.canonical(picture.width, picture.height, picture.shown)
        links = f'<{PROFILE}>;rel="profile", <{address}/{canonical}>;rel="canonical"'
        headers = _kept(f'"{picture.tag}-{MAKE}"', self._shared) | {"link": links}
        if _same(fields, headers["etag"], picture):
            return Response(status_code=304, headers=headers)
        data = self._made(picture, view, left)
        return Response(data, headers=headers, media_type=FORMATS[view.format])

    def _made(self, picture: Picture, view: View, left: threading.Event) -> bytes:
        def check() -> None:
            if left.is_set():
                raise _Left

        check()
        try:
            return make(picture, view, self._cache, check)
        except FrameRefused as error:
            raise Problem("damaged", str(error), headers=dict(self._shared)) from error
        except Problem as problem:
            raise _shared(problem, self._shared) from None


class _Left(Exception):
    """The client went away."""


async def _wait_until_left(request: Request, left: threading.Event) -> None:
    while (await request.receive())["type"] != "http.disconnect":
        pass
    left.set()


def _info(request: Request, picture: Picture, address: str, shared: Mapping[str, str]) -> Response:
    linked = LD_JSON in request.headers.get("accept", "")
    headers = _kept(f'"{picture.tag}-{MAKE}-{"ld" if linked else "json"}"', shared)
    headers |= {"link": f'<{PROFILE}>;rel="profile"', "vary": "accept"}
    if _same(request.headers, headers["etag"], picture):
        return Response(status_code=304, headers=headers)
    return Response(
        json.dumps(information(picture, address)),
        headers=headers,
        media_type=f'{LD_JSON};profile="{CONTEXT}"' if linked else "application/json",
    )


def _kept(tag: str, shared: Mapping[str, str]) -> dict[str, str]:
    """Kept by the client, and asked for again each time: the picture may be made again under the same name."""
    return {**shared, "etag": tag, "cache-control": "private, no-cache"}


def _same(fields: Mapping[str, str], tag: str, picture: Picture) -> bool:
    return ranges.outcome(fields, tag=tag, modified=picture.modified) == 304


def _address(request: Request, identifier: str) -> str:
    return str(request.url_for("iiif_base", identifier=identifier))


def _not_found(identifier: str, error: NearfarError | asyncio.CancelledError) -> Problem:
    """Why there is no file for a name."""
    match error:
        case FrameRefused():
            return Problem("frame-refused", str(error))
        case TooManyAsked() | WorkFailed():
            return Problem("not-ready", str(error), headers={"retry-after": str(RETRY_AFTER)})
        case NearfarError():
            return problem_of(error)
    return Problem("not-ready", f"{identifier} was not made ready: the server is stopping.")


def _shared(problem: Problem, shared: Mapping[str, str]) -> Problem:
    """The same, readable for viewers on other sites if those may look."""
    return Problem(
        problem.kind, problem.detail, headers={**(problem.headers or {}), **shared}, **problem.extras
    )


def _unreadable(identifier: str, error: OSError, shared: Mapping[str, str]) -> Problem:
    return Problem(
        "damaged",
        f"The file of {identifier} cannot be read: {error.strerror or error}. Check its permissions and the disk.",
        headers=dict(shared),
    )
