"""The OpenAPI document: what the framework knows, with the problems that every address may answer added."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from nearfar import __version__
from nearfar_api import problems
from nearfar_api.access import rights

DESCRIPTION = """\
Stacks of frames come in, pictures that are sharp from near to far go out. Every refusal is a problem document by
RFC 9457 whose `type` leads to an explanation. Addresses in `links` are relative to the root path of the server.
"""
PROBLEM_SCHEMA: dict[str, Any] = {
    "type": "object",
    "title": "Problem",
    "description": "Problem details by RFC 9457; some kinds carry further members.",
    "required": ["type", "title", "status", "detail", "instance"],
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer", "minimum": 400, "maximum": 599},
        "detail": {"type": "string"},
        "instance": {"type": "string", "format": "uri-reference"},
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["detail"],
                "properties": {
                    "detail": {"type": "string"},
                    "pointer": {"type": "string"},
                    "parameter": {"type": "string"},
                    "in": {"type": "string"},
                },
            },
        },
        "received": {"type": "integer", "minimum": 0},
        "size": {"type": "integer", "minimum": 0},
        "limit": {"type": "integer", "minimum": 0},
        "state": {"type": "string"},
        "possible": {"type": "array", "items": {"type": "string"}},
    },
    "additionalProperties": True,
}
ANYWHERE = ("unknown-host", "mistake", "store-unreachable")
WRITING = ("malformed", "foreign-origin", "too-large")
FOREIGN = ("HTTPValidationError", "ValidationError")
"""What the framework would answer with if its handlers were left in place."""
METHODS = ("get", "put", "post", "patch", "delete")


def refusals(*kinds: str) -> dict[int | str, dict[str, Any]]:
    """Entries of a route's ``responses`` for kinds of problems."""
    found: dict[int | str, dict[str, Any]] = {}
    for kind in kinds:
        about = problems.KINDS[kind]
        entry = found.setdefault(about.status, _entry(about.title))
        if about.title not in entry["description"]:
            entry["description"] += f"; {about.title}"
        entry["content"][problems.MEDIA_TYPE].setdefault("examples", {})[kind] = {"value": _example(kind)}
    return found


def _entry(title: str) -> dict[str, Any]:
    schema = {"$ref": "#/components/schemas/Problem"}
    return {"description": title, "content": {problems.MEDIA_TYPE: {"schema": schema}}}


def _example(kind: str) -> dict[str, Any]:
    about = problems.KINDS[kind]
    return {
        "type": f"{problems.ADDRESS}{kind}",
        "title": about.title,
        "status": about.status,
        "detail": about.remedy,
        "instance": "urn:uuid:6b1f6ae2-6d0c-4c9c-9f5a-3f1a4f7e2c11",
    }


def install(app: FastAPI, *, locked: bool) -> None:
    """Give an application its document; ``locked``: a key is asked for."""

    def document() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = _document(app, locked=locked)
        return app.openapi_schema

    app.openapi = document  # type: ignore[method-assign]


def _document(app: FastAPI, *, locked: bool) -> dict[str, Any]:
    found = get_openapi(
        title="Nearfar",
        version=__version__,
        openapi_version="3.1.0",
        summary="A server that merges stacks of frames",
        description=DESCRIPTION,
        routes=app.routes,
        license_info={"name": "Apache-2.0", "identifier": "Apache-2.0"},
    )
    components = found.setdefault("components", {})
    schemas = components.setdefault("schemas", {})
    schemas["Problem"] = PROBLEM_SCHEMA
    for name in FOREIGN:
        schemas.pop(name, None)
    if locked:
        components["securitySchemes"] = {
            "bearer": {"type": "http", "scheme": "bearer", "description": "The server's key."},
            "basic": {"type": "http", "scheme": "basic", "description": "Any name, the key as password."},
        }
        found["security"] = [{"bearer": []}, {"basic": []}]
    for path, method, operation in operations(found):
        _complete(operation, path, method, locked=locked)
    return found


def operations(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Path, method and object of every operation."""
    for path, item in document["paths"].items():
        for method in METHODS:
            if method in item:
                yield path, method, item[method]


def _complete(operation: dict[str, Any], path: str, method: str, *, locked: bool) -> None:
    kinds = [*ANYWHERE]
    if method != "get":
        kinds += WRITING
    if "requestBody" in operation or operation.get("parameters"):
        kinds.append("invalid")
    if rights.TABLE.get((method.upper(), path), rights.STRICTEST).role is None:
        operation["security"] = []
    elif locked:
        kinds += ["no-key", "no-right"]
    if path.startswith("/health/"):
        kinds = ["mistake"]
    responses: dict[str, Any] = operation["responses"]
    if FOREIGN[0] in str(responses.get("422")):
        del responses["422"]
    for status, entry in refusals(*kinds).items():
        known = responses.setdefault(str(status), entry)
        examples = known.get("content", {}).get(problems.MEDIA_TYPE, {}).get("examples")
        if known is not entry and examples is not None:
            examples |= entry["content"][problems.MEDIA_TYPE]["examples"]
    if "application/json" in operation.get("requestBody", {}).get("content", {}):
        responses.setdefault("415", _entry("The body is not JSON"))
    operation["responses"] = dict(sorted(responses.items()))
