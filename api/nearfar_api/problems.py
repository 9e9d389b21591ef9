"""Every refusal that goes out, as RFC 9457 problem details.

The table of kinds is all there are; each has an address under which it explains itself. What carries no meaning
beyond its status is ``about:blank`` (RFC 9457, section 4.2.1).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import Response

MEDIA_TYPE = "application/problem+json"
ADDRESS = "/api/v1/problems/"
RETRY_AFTER = 5
"""Seconds after which a client may ask a store again that did not answer."""


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of problem."""

    status: int
    title: str
    remedy: str


KINDS: Mapping[str, Kind] = {
    "malformed": Kind(
        status=400,
        title="The request cannot be read",
        remedy="Send what the OpenAPI document describes; the detail says what could not be read.",
    ),
    "no-such-view": Kind(
        status=400,
        title="The picture cannot be seen like this",
        remedy="Write region, size, rotation, quality and format as the IIIF Image API 3.0 does, within what info.json "
        "offers.",
    ),
    "no-key": Kind(
        status=401,
        title="A key is missing or no longer valid",
        remedy="Send 'Authorization: Bearer KEY', or the key as the password of HTTP Basic; or log in with a browser.",
    ),
    "no-right": Kind(
        status=403,
        title="The role does not allow this",
        remedy="Ask someone who runs the server for the role in 'needs', or show a key that has it.",
    ),
    "wrong-password": Kind(
        status=403,
        title="Name and password do not go together",
        remedy="Type them again; 'nearfar account change NAME --password' sets a new password.",
    ),
    "quota-reached": Kind(
        status=403,
        title="The owner's part of the server is used up",
        remedy="Wait for jobs to end, cancel some or let results be removed; the limits stand in [people] of the settings.",
    ),
    "no-account": Kind(
        status=403,
        title="Nobody here goes by what the provider says",
        remedy="Start to log in again, or ask whoever runs the server.",
    ),
    "ended-link": Kind(
        status=403,
        title="The link is no longer valid",
        remedy="Ask whoever sent it for a new one.",
    ),
    "foreign-origin": Kind(
        status=403,
        title="The request comes from another site's page",
        remedy="Use the server's own pages or a program; other sites' pages may not change anything.",
    ),
    "not-found": Kind(
        status=404,
        title="There is no such thing",
        remedy="List what there is; jobs and results are removed after their time of keeping.",
    ),
    "wrong-state": Kind(
        status=409,
        title="The state does not allow this",
        remedy="Look at 'state' and at 'possible', the states that may follow.",
    ),
    "key-reused": Kind(
        status=409,
        title="The idempotency key came before with another request",
        remedy="Use a new key for each new request, and repeat one only with the same body.",
    ),
    "wrong-offset": Kind(
        status=409,
        title="The piece does not begin where the last one ended",
        remedy="Continue at 'received', the number of bytes that are here.",
    ),
    "frame-busy": Kind(
        status=409,
        title="Another request is sending this frame",
        remedy="Wait until it ends, then ask how much was received.",
    ),
    "frame-complete": Kind(
        status=409,
        title="The frame is here already",
        remedy="Nothing is to be sent. Other bytes make another job.",
    ),
    "refused-by-store": Kind(
        status=409,
        title="The job store refuses this",
        remedy="The detail says what it found and what would do.",
    ),
    "changed": Kind(
        status=412,
        title="It is no longer what it was",
        remedy="Fetch it again, without the condition.",
    ),
    "too-large": Kind(
        status=413,
        title="This is more than the server takes",
        remedy="Send less, or raise the limit that the detail names in the server's settings.",
    ),
    "no-range": Kind(
        status=416,
        title="The file has no such part",
        remedy="Ask for bytes below 'size'.",
    ),
    "unknown-host": Kind(
        status=421,
        title="The server does not go by this name",
        remedy="Use a name that it knows, or add this one to server.names in its settings.",
    ),
    "invalid": Kind(
        status=422,
        title="The request does not hold what is expected",
        remedy="'errors' names each place and what would do there.",
    ),
    "no-such-path": Kind(
        status=422,
        title="There are no such frames where the server may look",
        remedy="Give paths below the inbox or a folder in server.shared, or upload the frames.",
    ),
    "refused": Kind(
        status=422,
        title="The stack cannot be worked on as it is",
        remedy="The detail says what was found, what was expected and what to do.",
    ),
    "frame-refused": Kind(
        status=422,
        title="The frame cannot be looked at",
        remedy="The detail says what was found in the place of the frame, and what to do.",
    ),
    "digest-mismatch": Kind(
        status=422,
        title="The bytes are not those that were announced",
        remedy="Send them again from 'received' on; what did not match was thrown away.",
    ),
    "too-many-tries": Kind(
        status=429,
        title="Too many tries to log in",
        remedy="Wait a while (programs: the seconds in Retry-After); each further try that fails makes it longer.",
    ),
    "mistake": Kind(
        status=500,
        title="A mistake of the server's own",
        remedy="The server's log says more under the number in 'instance'.",
    ),
    "damaged": Kind(
        status=500,
        title="The picture's file is damaged",
        remedy="Run the job again; if files keep being damaged, check the server's disk.",
    ),
    "bucket-refused": Kind(
        status=422,
        title="The object storage refuses this",
        remedy="The detail says what it answered; buckets and their keys stand in [objects] of the settings.",
    ),
    "bucket-away": Kind(
        status=503,
        title="The object storage does not answer",
        remedy="Try again in a while.",
    ),
    "provider-away": Kind(
        status=502,
        title="The provider of log-ins does not answer",
        remedy="Try again later, or log in with a password; the server's log says more.",
    ),
    "not-offered": Kind(
        status=501,
        title="The standard knows this, the server does not offer it",
        remedy="Ask for what info.json offers.",
    ),
    "store-unreachable": Kind(
        status=503,
        title="The job store does not answer",
        remedy="Ask again in some seconds (programs: those in Retry-After); whether a change was kept is to be looked up.",
    ),
    "late": Kind(
        status=503,
        title="Something that the server needs does not answer",
        remedy="Ask again in some seconds (programs: those in Retry-After). Nothing is lost meanwhile.",
    ),
    "not-ready": Kind(
        status=503,
        title="The frame could not be made ready to be looked at",
        remedy="Ask again in some seconds (programs: those in Retry-After); the detail and the server's log say why.",
    ),
    "no-space": Kind(
        status=507,
        title="The disk has no room for this",
        remedy="Make room on the server, then continue at 'received'; what is here stays.",
    ),
}


class Problem(HTTPException):
    """A refusal to be sent.

    Parameters
    ----------
    kind
        A name in `KINDS`.
    detail
        What was found, what was expected, what to do, for this very case.
    headers
        Further header fields of the answer.
    extras
        Further members, e.g. ``received``.
    """

    def __init__(
        self, kind: str, detail: str, *, headers: Mapping[str, str] | None = None, **extras: Any
    ) -> None:
        super().__init__(KINDS[kind].status, detail, dict(headers or {}))
        self.kind = kind
        self.extras = extras


def answer(
    status: int,
    *,
    detail: str,
    instance: str,
    kind: str | None = None,
    root: str = "",
    headers: Mapping[str, str] | None = None,
    extras: Mapping[str, Any] | None = None,
) -> Response:
    """The response for a problem; without a kind it means no more than its status."""
    body = {
        "type": f"{root}{ADDRESS}{kind}" if kind else "about:blank",
        "title": KINDS[kind].title if kind else HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        "instance": f"urn:uuid:{instance}",
        **(extras or {}),
    }
    content = json.dumps(body).encode()
    return Response(
        content, status, headers={"cache-control": "no-store", **(headers or {})}, media_type=MEDIA_TYPE
    )


def answer_for(problem: Problem, *, instance: str, root: str) -> Response:
    """The response for a `Problem`."""
    return answer(
        problem.status_code,
        detail=problem.detail,
        instance=instance,
        kind=problem.kind,
        root=root,
        headers=problem.headers,
        extras=problem.extras,
    )
