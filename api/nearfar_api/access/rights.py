"""Who may use which route: one table, which the guard asks first and a test compares with the routes.

A route that is missing requires the role run. To add one, write its method, its path as in the route, and its requirement:

- ``OPEN``: none.
- ``LOOK``, ``SUBMIT``, ``MEND``, ``RUN``: that role, or one above it.
- ``OWN``: the role submit and a job of one's own, or the role run. The path has to name the ``{job}``.
- ``ALL``: the role look; run if `people.private` is set, since the answer covers everybody's jobs.

If `people.private` is set, a route that names a ``{job}`` shows nothing of other people's jobs.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from nearfar.jobs import Role


@dataclass(frozen=True, kw_only=True)
class Need:
    """What a route requires."""

    role: Role | None
    """None: nothing."""
    own: bool = False
    """A job of one's own, or the role run."""
    all: bool = False
    """It covers everybody's jobs."""


OPEN = Need(role=None)
LOOK = Need(role=Role.LOOK)
ALL = Need(role=Role.LOOK, all=True)
SUBMIT = Need(role=Role.SUBMIT)
OWN = Need(role=Role.SUBMIT, own=True)
MEND = Need(role=Role.MEND)
RUN = Need(role=Role.RUN)
STRICTEST = RUN

JOB = "/api/v1/jobs/{job}"
CARD = "/api/v1/cards/{card}"
IIIF = "/iiif/3/{identifier}"
VIEW = IIIF + "/{region}/{size}/{rotation}/{name}"

TABLE: Mapping[tuple[str, str], Need] = {
    # For everyone: probes, logging in, what the page for that looks like, links that carry their own proof.
    ("GET", "/health/live"): OPEN,
    ("GET", "/health/ready"): OPEN,
    ("GET", "/log-in"): OPEN,
    ("POST", "/log-in"): OPEN,
    ("GET", "/log-in/provider"): OPEN,
    ("GET", "/log-in/provider/back"): OPEN,
    ("POST", "/log-out"): OPEN,
    ("GET", "/static/{path:path}"): OPEN,
    ("GET", "/fetch/{job}/{name}"): OPEN,
    # Looking.
    ("GET", "/api/openapi.json"): LOOK,
    ("GET", "/api/v1/jobs"): LOOK,
    ("GET", JOB): LOOK,
    ("GET", JOB + "/units"): LOOK,
    ("GET", JOB + "/attempts"): LOOK,
    ("GET", JOB + "/frames"): LOOK,
    ("GET", JOB + "/frames/{number}"): LOOK,
    ("GET", JOB + "/files"): LOOK,
    ("GET", JOB + "/files/{name}"): LOOK,
    ("GET", JOB + "/picture"): LOOK,
    ("GET", JOB + "/report"): LOOK,
    ("GET", JOB + "/preview"): LOOK,
    ("GET", JOB + "/sharpest"): LOOK,
    ("GET", JOB + "/events"): LOOK,
    ("GET", JOB + "/plan"): LOOK,
    ("GET", JOB + "/mends"): LOOK,
    ("GET", JOB + "/mends/{number}"): LOOK,
    ("GET", JOB + "/versions"): LOOK,
    ("GET", JOB + "/versions/{number}/{which}"): LOOK,
    ("GET", "/api/v1/events"): ALL,
    ("GET", "/api/v1/trail"): ALL,
    ("GET", "/api/v1/cards"): ALL,
    ("GET", CARD): ALL,
    ("GET", CARD + "/small/{name}"): ALL,
    ("GET", "/api/v1/inbox"): ALL,
    ("GET", "/api/v1/server"): LOOK,
    ("GET", "/api/v1/workers"): LOOK,
    ("GET", "/api/v1/recipes"): LOOK,
    ("GET", "/api/v1/problems/{name}"): LOOK,
    ("GET", "/api/v1/me"): LOOK,
    ("GET", "/api/v1/rights"): LOOK,
    ("POST", "/api/v1/plan"): LOOK,
    ("POST", "/api/v1/plan/card"): LOOK,
    ("GET", "/metrics"): LOOK,
    ("GET", "/status"): ALL,
    ("GET", IIIF): LOOK,
    ("GET", IIIF + "/info.json"): LOOK,
    ("GET", VIEW): LOOK,
    ("OPTIONS", IIIF + "/info.json"): LOOK,
    ("OPTIONS", VIEW): LOOK,
    ("GET", "/vendor/{path:path}"): LOOK,
    ("GET", "/"): LOOK,
    ("GET", "/live"): LOOK,
    ("GET", "/jobs"): LOOK,
    ("GET", "/jobs/{job}"): LOOK,
    ("GET", "/jobs/{job}/small/{number}.jpg"): LOOK,
    ("GET", "/jobs/{job}/beside/{other}"): LOOK,
    ("GET", "/jobs/{job}/picture"): LOOK,
    ("GET", "/cards"): ALL,
    ("GET", "/cards/{card}"): ALL,
    ("GET", "/plan"): LOOK,
    ("GET", "/plan/card"): LOOK,
    ("GET", "/plan/plan.json"): LOOK,
    ("GET", "/account"): LOOK,
    ("POST", "/account/password"): LOOK,
    ("POST", "/account/keys"): LOOK,
    ("POST", "/account/keys/{key}/revoke"): LOOK,
    # Submitting, and changing what is one's own.
    ("POST", "/api/v1/jobs"): SUBMIT,
    ("PATCH", JOB): OWN,
    ("POST", JOB + "/cancel"): OWN,
    ("POST", JOB + "/hold"): OWN,
    ("POST", JOB + "/release"): OWN,
    ("POST", JOB + "/run-again"): OWN,
    ("POST", JOB + "/deliver"): OWN,
    ("PUT", JOB + "/frames/{number}"): OWN,
    ("POST", JOB + "/plan"): OWN,
    ("POST", JOB + "/links"): OWN,
    ("POST", "/jobs/{job}/do"): OWN,
    ("POST", "/jobs/{job}/again"): OWN,
    ("POST", "/jobs/{job}/plan"): OWN,
    ("GET", "/api/v1/targets"): SUBMIT,
    ("POST", "/api/v1/targets"): SUBMIT,
    ("POST", "/api/v1/targets/{target}/try"): SUBMIT,
    ("DELETE", "/api/v1/targets/{target}"): SUBMIT,
    ("GET", "/messages"): SUBMIT,
    ("POST", "/messages"): SUBMIT,
    ("POST", "/messages/{target}/do"): SUBMIT,
    ("POST", CARD + "/decisions"): SUBMIT,
    ("DELETE", CARD + "/decisions"): SUBMIT,
    ("POST", CARD + "/go"): SUBMIT,
    ("POST", "/cards/{card}/do"): SUBMIT,
    # Mending: everyone's pictures, since each mend can be undone.
    ("POST", JOB + "/mends"): MEND,
    ("DELETE", JOB + "/mends/{number}"): MEND,
    ("POST", JOB + "/mends/{number}/redo"): MEND,
    ("POST", "/jobs/{job}/picture"): MEND,
    # Running the server.
    ("PUT", "/api/v1/server"): RUN,
    ("POST", "/server"): RUN,
    ("POST", "/api/v1/links/end"): RUN,
    ("GET", "/accounts"): RUN,
    ("POST", "/accounts"): RUN,
    ("POST", "/accounts/change"): RUN,
}
"""Requirement by method and path. HEAD requires what GET requires."""


@dataclass(frozen=True, kw_only=True)
class Found:
    """What a request requires, and the parameters in its path."""

    need: Need
    path: str | None
    """As in the table; None if it is not there."""
    names: Mapping[str, str]


def _pattern(path: str) -> re.Pattern[str]:
    parts = re.split(r"\{(\w+)(:path)?\}", path)
    made = re.escape(parts[0])
    for name, rest, text in zip(parts[1::3], parts[2::3], parts[3::3], strict=True):
        made += f"(?P<{name}>{'.*' if rest else '[^/]+'})" + re.escape(text)
    return re.compile(made, re.DOTALL)


ROUTES: Mapping[str, list[tuple[re.Pattern[str], str]]] = {
    method: sorted(
        ((_pattern(path), path) for way, path in TABLE if way == method),
        key=lambda entry: entry[1].count("{"),
    )
    for method in {way for way, _ in TABLE}
}
"""Patterns by method, those with the fewest parameters first."""


def of(method: str, path: str) -> Found:
    """What a request requires; the role run if it is not in the table."""
    method = "GET" if method == "HEAD" else method
    for pattern, template in ROUTES.get(method, ()):
        match = pattern.fullmatch(path)
        if match is not None:
            return Found(need=TABLE[method, template], path=template, names=match.groupdict())
    return Found(need=STRICTEST, path=None, names={})
