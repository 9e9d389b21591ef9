"""The caller of a request: a small record that `access` attaches to it, for handlers, pages and the trail."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal

from fastapi import Depends
from starlette.requests import Request
from starlette.types import Scope

from nearfar.jobs import Role

How = Literal["nobody", "free", "server-key", "key", "session"]
SCOPE = "nearfar.caller"


@dataclass(frozen=True, kw_only=True)
class Caller:
    """The caller of a request, and what they may do."""

    name: str
    """For the trail."""
    role: Role | None
    """None: only what is open to everyone."""
    owner: str
    """The owner whose jobs are theirs, and under which they submit."""
    how: How
    account: str | None = None
    """The account that logged in, or that the key belongs to."""
    sees_all: bool = True
    """Whether jobs of others are shown to them."""
    secret: str | None = field(default=None, repr=False)
    """The key or the session's token, to check later whether it is still valid."""

    def may(self, role: Role | str) -> bool:
        """Whether they have this role or one above it; templates give the word."""
        return self.role is not None and self.role.covers(Role(role))

    @property
    def runs(self) -> bool:
        """Whether they have the role run, and may do everything."""
        return self.role is Role.RUN

    @property
    def only(self) -> str | None:
        """The only owner whose jobs they see; None: they see all jobs."""
        return None if self.sees_all else self.owner

    def owns(self, owner: str) -> bool:
        """Whether they may change what belongs to ``owner``."""
        return self.runs or (self.may(Role.SUBMIT) and owner == self.owner)


NOBODY = Caller(name="nobody", role=None, owner="", how="nobody")


def caller_of(scope: Scope) -> Caller:
    """The caller of a request; nobody if the application runs without the guard."""
    found = scope.get(SCOPE, NOBODY)
    assert isinstance(found, Caller)  # noqa: S101 - the guard put it there
    return found


async def _caller(request: Request) -> Caller:
    return caller_of(request.scope)


By = Annotated[Caller, Depends(_caller)]
"""The caller, as a parameter of handlers."""
