"""The application: one in each process, put together from its routes, pages, guard and shared context."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator

from fastapi import FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.staticfiles import StaticFiles

from nearfar import __version__
from nearfar.errors import StoreError
from nearfar.jobs import Store
from nearfar.places import places_of
from nearfar.runner.processes import beats
from nearfar.server_settings import ServerSettings
from nearfar_api import handlers, openapi
from nearfar_api.access.access import Access
from nearfar_api.access.guard import Guard
from nearfar_api.context import Cached, Context, Hints
from nearfar_api.iiif import routes as iiif
from nearfar_api.iiif.finding import finder
from nearfar_api.live.feed import Feed
from nearfar_api.looking import Lookout
from nearfar_api.pages import ROUTERS as PAGES
from nearfar_api.routes import (
    cards,
    events,
    files,
    frames,
    health,
    jobs,
    looking,
    mends,
    metrics,
    people,
    plan,
    server,
    status,
    targets,
)
from nearfar_api.status import readiness
from nearfar_api.transfer import arrival
from nearfar_api.web import STATIC, VENDOR

log = logging.getLogger(__name__)

BEAT = 5.0
"""Seconds between two signs of progress for the process that started this one."""
CHECKED = 2.0
"""Seconds for which the result of the readiness checks is used again."""
ROUTES = (
    *(jobs, frames, files, looking, events, cards, server),
    *(plan, health, metrics, status, mends, people, targets),
)
"""Modules of the API, in the order in which the OpenAPI document lists them."""


def create_app(
    settings: ServerSettings, *, store: Store | None = None, hinter: Hints | None = None
) -> FastAPI:
    """The application.

    Parameters
    ----------
    settings
        Of the server; the folders that it names are made if they are missing.
    store
        An open one; if not given, opened by the settings when it is first asked.
    hinter
        Told after every write; if not given, made when the application starts to serve.
    """
    places = places_of(settings)
    try:
        places.make()
    except OSError as error:
        log.warning("a folder cannot be made: %s", error, extra={"action": "api.folders"})
    context = Context(settings, places, store=store, hinter=hinter)
    access = Access(settings, lambda: context.store)
    app = FastAPI(
        title="Nearfar",
        version=__version__,
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=_lifespan,
        redirect_slashes=False,
        generate_unique_id_function=lambda route: route.name,
    )
    app.state.context = context
    app.state.access = access
    app.state.checks = Cached(CHECKED, lambda: readiness.checks(context))
    app.state.feed = Feed(context)
    app.state.lookout = Lookout(context)
    _include_routes(app, context)
    app.add_middleware(Guard, access=access, root=settings.server.path)
    handlers.install(app)
    openapi.install(app, locked=settings.server.locked)
    return app


def _include_routes(app: FastAPI, context: Context) -> None:
    """The API, the pictures, static files, and the pages."""
    for module in ROUTES:
        app.include_router(module.router)
    settings = context.settings.server
    free = settings.locked or settings.open_pictures
    app.include_router(iiif.router(finder(context, app.state.lookout), free=free))
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.mount("/vendor", _vendor(), name="vendor")
    for pages in PAGES:
        app.include_router(pages)


def _vendor() -> StaticFiles:
    """Third-party scripts of the pages; if they are missing the pages work without, and the log says what to do."""
    if VENDOR.is_dir():
        return StaticFiles(directory=VENDOR)
    log.warning(
        "%s is missing: run 'make web'; pages lack the viewer", VENDOR, extra={"action": "api.vendor"}
    )
    return StaticFiles()


@contextlib.asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    context: Context = app.state.context
    context.serve()
    tasks = [asyncio.create_task(_beat()), asyncio.create_task(_catch_up(context))]
    try:
        yield
    finally:
        await app.state.feed.close()
        for task in tasks:
            task.cancel()
        await run_in_threadpool(context.leave)


async def _beat() -> None:
    while True:
        beats.beat()
        await asyncio.sleep(BEAT)


async def _catch_up(context: Context) -> None:
    """Finish what an earlier process left of uploads, once the store answers."""
    rest = 1.0
    while True:
        try:
            await run_in_threadpool(arrival.catch_up, context)
        except StoreError as error:
            log.warning("%s", error, extra={"action": "api.store-away"})
            await asyncio.sleep(rest)
            rest = min(30.0, 2 * rest)
        else:
            return
