"""Which jobs a request is about, so that the guard can look up their owners."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from nearfar_api.access import rights

PICTURE = re.compile(r"job-([0-9]{1,18})(?::.*)?", re.DOTALL)
NAMES = ("job", "other")
"""Names of parameters, in paths and queries, that are numbers of jobs."""


def jobs_named(found: rights.Found, query: Mapping[str, Sequence[str]]) -> list[int] | None:
    """Numbers of the jobs that a request names; None if it names a picture that belongs to no job.

    Raises
    ------
    ValueError
        A number is not written in plain digits, so that a route might read another one than this function.
    """
    texts = [found.names[name] for name in NAMES if name in found.names]
    if found.path is not None and "{job}" in found.path:
        texts += query.get("other", [])
    if "identifier" in found.names:
        match = PICTURE.fullmatch(found.names["identifier"])
        if match is None:
            return None
        texts.append(match[1])
    odd = [text for text in texts if not (text.isascii() and text.isdigit() and len(text) <= 18)]
    if odd:
        raise ValueError(f"{odd[0][:40]!r} is not the number of a job")
    return [int(text) for text in texts]
