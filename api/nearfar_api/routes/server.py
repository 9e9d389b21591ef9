"""The server: what its workers are asked to do, who they are, what the watched folders hold, which recipes there are."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path

from nearfar import __version__
from nearfar.intake.state import read_state
from nearfar.jobs import Figures, JobState
from nearfar.merge import recipe as recipes
from nearfar.runner.disk import short_of_space
from nearfar_api.context import Context, Ctx, Who
from nearfar_api.models.answers import (
    InboxEntry,
    InboxModel,
    ProblemKind,
    RecipeList,
    RecipeModel,
    ServerModel,
    WatchedModel,
    WorkerList,
    moment,
)
from nearfar_api.models.requests import SetServer
from nearfar_api.models.shaping import words, worker_model
from nearfar_api.openapi import refusals
from nearfar_api.problems import KINDS, Problem
from nearfar_api.routes.bodies import JSON

router = APIRouter(prefix="/api/v1", tags=["server"])


@router.get("/server", operation_id="getServer", summary="Look at the server")
def get_server(ctx: Ctx) -> ServerModel:
    """The server's state, and figures about its work."""
    return server_model(ctx, ctx.store.figures())


@router.put("/server", operation_id="setServer", summary="Pause, drain or open the server", dependencies=JSON)
def set_server(ctx: Ctx, who: Who, wish: SetServer) -> ServerModel:
    """All workers obey within seconds."""
    ctx.store.set_server_state(wish.state, who=who)
    ctx.figures.forget()
    ctx.kick()
    return server_model(ctx, ctx.store.figures())


def server_model(ctx: Context, figures: Figures) -> ServerModel:
    """The server by these figures."""
    return ServerModel(
        state=figures.server,
        version=__version__,
        at=moment(figures.at) or "",
        jobs={state: figures.jobs[state] for state in JobState},
        oldest_waiting=figures.oldest_waiting,
        units={"ready": figures.units_ready, "held": figures.units_held},
        workers=len(figures.workers),
        slots=sum(worker.slots for worker in figures.workers),
        disk=short_of_space(ctx.places, ctx.settings.worker.spare_disk),
        broker=ctx.hinter.broker if ctx.hinter is not None else None,
    )


@router.get("/workers", operation_id="listWorkers", summary="List workers")
def list_workers(ctx: Ctx) -> WorkerList:
    """All workers on record, including those that are gone."""
    busy = ctx.store.figures().busy
    return WorkerList(workers=[worker_model(worker, busy) for worker in ctx.store.workers()])


@router.get("/inbox", operation_id="getInbox", summary="Look into the watched folders")
def get_inbox(ctx: Ctx) -> InboxModel:
    """What is in the watched folders, and why it is not taken yet."""
    return inbox_model(ctx)


def inbox_model(ctx: Context) -> InboxModel:
    """As the watch last wrote it."""
    state = read_state(ctx.places)
    return InboxModel(
        written=moment(state.written or None),
        folders=[
            WatchedModel(path=words(folder.path), problem=folder.problem and words(folder.problem))
            for folder in state.folders
        ],
        entries=[
            InboxEntry(
                path=words(entry.path),
                stack=words(entry.stack),
                state=entry.state,
                why=words(entry.why),
                seconds=entry.seconds,
                frames=entry.frames,
                expected=entry.expected,
                job=entry.job,
                ignored=[(words(name), words(why)) for name, why in entry.ignored],
                card=entry.card,
            )
            for entry in state.entries
        ],
    )


@router.get("/recipes", operation_id="listRecipes", summary="List recipes")
def list_recipes() -> RecipeList:
    """The recipes that come with the server."""
    found = [recipes.load(name) for name in recipes.names()]
    return RecipeList(
        recipes=[
            RecipeModel(name=recipe.name, title=recipe.title, default=recipe.name == recipes.DEFAULT)
            for recipe in found
        ]
    )


@router.get(
    "/problems/{name}",
    operation_id="explainProblem",
    summary="What a kind of problem means",
    responses=refusals("not-found"),
)
def explain_problem(name: Annotated[str, Path(max_length=100, examples=["wrong-offset"])]) -> ProblemKind:
    """The address that the 'type' of a problem points to."""
    kind = KINDS.get(name)
    if kind is None:
        raise Problem("not-found", f"No kind of problem is called {name!r}; there are {', '.join(KINDS)}.")
    return ProblemKind(name=name, status=kind.status, title=kind.title, remedy=kind.remedy)
