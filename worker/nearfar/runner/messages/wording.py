"""Subject and text of messages to people: templates with names in braces, which an owner may rewrite."""

from __future__ import annotations

import string
from collections.abc import Mapping
from typing import Any

from nearfar.errors import UsageError

NAMES = ("job", "stack", "owner", "state", "cause", "reason", "result", "link", "about")
"""What may stand in braces; what is not known of an event is empty."""
USUAL: Mapping[str, tuple[str, str]] = {
    "done": ("{stack} is done", "The picture of {stack} is done (job {job}).\n\n{result}\n{link}\n"),
    "failed": (
        "{stack} failed",
        "{stack} could not be merged (job {job}).\n\n{reason}\n\nThe frames are as they were.\n{link}\n",
    ),
    "held": (
        "{stack} waits for you",
        "{stack} is held until you decide (job {job}).\n\n{reason}\n\n{link}\n",
    ),
    "disk": ("Space runs short", "{reason}.\n\nWork in progress continues; nothing new is begun.\n{link}\n"),
}
LONGEST = 20_000
"""Characters of a template."""


def check(template: str | None) -> str | None:
    """A template that will do. Raises `UsageError`."""
    if template is None:
        return None
    if len(template) > LONGEST:
        raise UsageError(f"the template has {len(template)} characters; expected at most {LONGEST}")
    try:
        parts = list(string.Formatter().parse(template))
    except ValueError as error:
        raise UsageError(f"the template cannot be read: {error}; write {{{{ for a brace") from error
    for _, name, form, conversion in parts:
        if name is not None and (name not in NAMES or form or conversion):
            raise UsageError(
                f"{{{name}}} is not known in a template; known are "
                f"{', '.join('{' + each + '}' for each in NAMES)}"
            )
    return template


def words(
    about: str,
    content: Mapping[str, Any],
    *,
    subject: str | None = None,
    body: str | None = None,
    url: str | None = None,
) -> tuple[str, str]:
    """Subject and text of a message; ``url`` is where the server's pages are reached."""
    data = dict(content["data"])
    job = data.get("job")
    link = "" if url is None else f"{url.rstrip('/')}{f'/jobs/{job}' if job is not None else ''}"
    known = {name: data.get(name) for name in NAMES} | {"link": link, "about": about}
    filled = {name: "" if value is None else str(value) for name, value in known.items()}
    usual = USUAL[about]
    return (subject or usual[0]).format_map(filled), (body or usual[1]).format_map(filled)
