"""Who asks: a small record that `access` puts beside each request, for handlers, pages and the trail."""

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
    """Someone who asks, and what they may do."""

    name: str
    """For the trail."""
    role: Role | None
    """None: nothing but what everyone may."""
    owner: str
    """Whose jobs are theirs, and what they submit."""
    how: How
    account: str | None = None
    """Who logged in, or whose key was shown."""
    sees_all: bool = True
    """Whether jobs of others are shown to them."""
    secret: str | None = field(default=None, repr=False)
    """The key or the session's token, to look again whether it is still good."""

    def may(self, role: Role | str) -> bool:
        """Whether that is among what they may do; templates have the word."""
        return self.role is not None and self.role.covers(Role(role))

    @property
    def runs(self) -> bool:
        """Whether they may do everything."""
        return self.role is Role.RUN

    @property
    def only(self) -> str | None:
        """The owner whose jobs alone they see; None: they see all."""
        return None if self.sees_all else self.owner

    def owns(self, owner: str) -> bool:
        """Whether they may change what belongs to ``owner``."""
        return self.runs or (self.may(Role.SUBMIT) and owner == self.owner)


NOBODY = Caller(name="nobody", role=None, owner="", how="nobody")


def caller_of(scope: Scope) -> Caller:
    """Who asks; nobody if no guard stands before the application."""
    found = scope.get(SCOPE, NOBODY)
    assert isinstance(found, Caller)  # noqa: S101 - the guard put it there
    return found


async def _caller(request: Request) -> Caller:
    return caller_of(request.scope)


By = Annotated[Caller, Depends(_caller)]
"""Who asks, for handlers."""
