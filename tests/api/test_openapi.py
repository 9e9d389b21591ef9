"""The OpenAPI document: complete, fit for a generated client, and true, which requests made up from it show."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.config import SchemathesisConfig
from schemathesis.core.result import Ok
from schemathesis.specs.openapi import checks

from nearfar.jobs import Store
from nearfar.places import Places
from nearfar_api.app import create_app
from nearfar_api.openapi import operations
from tests.api.conftest import KEY, Client, Kicks, frames_in, settings_for
from tests.api.making import claim, done, fail, keep_card, submit

EXAMPLES = 10
"""Requests made up for each address."""
SEED = 20261125
CARD = "9f0c2d7ab1e4c855"
LOCAL = {"Host": "localhost"}
CHECKS = [
    not_a_server_error,
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_schema_conformance,
    checks.response_headers_conformance,
]


@pytest.fixture
def document(client: Client) -> dict[str, Any]:
    found: dict[str, Any] = client.get("/api/openapi.json").json()
    return found


def test_the_document_is_of_openapi_3_1_and_names_no_other_host(
    document: dict[str, Any], client: Client
) -> None:
    assert document["openapi"].startswith("3.1")
    # Only the address of JSON Schema's own dialect may stand there (OpenAPI 3.1, 4.8.24.6), which it leaves out.
    assert set(re.findall(r"(\w+)://", json.dumps(document))) <= {"s3"}, "and that is no host's"
    for path in ("/docs", "/redoc"):
        assert client.get(path).status_code == 404, "pages that load script from elsewhere"


def test_every_operation_has_a_name_for_a_generated_client(document: dict[str, Any]) -> None:
    names = [operation["operationId"] for _, _, operation in operations(document)]
    assert len(names) == len(set(names))
    assert all(re.fullmatch(r"[a-z]+[A-Za-z]+", name) for name in names)
    for _, _, operation in operations(document):
        assert operation["summary"]
        assert operation["tags"]


def test_every_operation_tells_its_problems(document: dict[str, Any]) -> None:
    for path, method, operation in operations(document):
        refusals = {status: r for status, r in operation["responses"].items() if status >= "400"}
        assert "500" in refusals, path
        if not path.startswith("/health"):
            assert {"421", "503"} <= set(refusals), path
        if method != "get":
            assert {"400", "403", "413", "422"} <= set(refusals), path
        for status, response in refusals.items():
            if path == "/health/ready" and status == "503":
                continue
            assert list(response["content"]) == ["application/problem+json"], (path, status)
            for example in response["content"]["application/problem+json"].get("examples", {}).values():
                assert example["value"]["status"] == int(status)
        assert "HTTPValidationError" not in json.dumps(operation)


def test_security_is_named_only_where_a_key_is_asked_for(
    document: dict[str, Any], store: Store, places: Places
) -> None:
    assert "securitySchemes" not in document["components"]
    assert all("401" not in operation["responses"] for _, _, operation in operations(document))
    locked = create_app(settings_for(places.data, key=KEY), store=store, hinter=Kicks())
    found = locked.openapi()
    assert set(found["components"]["securitySchemes"]) == {"bearer", "basic"}
    for path, _, operation in operations(found):
        for status in ("401", "403"):
            if status == "401" or operation["responses"].keys() & {"401"}:
                assert (status in operation["responses"]) == (not path.startswith(("/health", "/fetch"))), (
                    path
                )


def among_those_there_are(parameters: dict[str, Any]) -> None:
    """Bring numbers that were made up down to those of jobs and frames that exist, most of the time."""
    for name, most in (("job", 5), ("number", 3)):
        if name in parameters:
            parameters[name] = parameters[name] % most + 1
    if "card" in parameters:
        parameters["card"] = CARD


STREAMS = {"streamEvents", "streamJobEvents"}
"""They never end by themselves; the tests of a real process read them."""


@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
def test_what_is_made_up_from_the_document_is_answered_as_it_says(
    client: Client, store: Store, places: Places, mode: GenerationMode
) -> None:
    keep_card(places, CARD, frames_in(places.inbox / "moss"))
    done(store, places)
    submit(store)
    fail(store)
    submit(store)
    claim(store)
    client.post("/api/v1/jobs", json={"stack": "sent", "upload": [{"name": "1.tif", "size": 9}]})
    answers: dict[str, int] = {}
    config = SchemathesisConfig(seed=SEED)
    schema = schemathesis.openapi.from_asgi("/api/openapi.json", client.app, headers=LOCAL, config=config)
    for result in schema.get_all_operations():
        assert isinstance(result, Ok)
        operation = result.ok()
        name = operation.definition.raw["operationId"]
        if name in STREAMS:
            continue

        @seed(SEED)
        @settings(
            max_examples=EXAMPLES,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(operation.as_strategy(generation_mode=mode))
        def ask(case: Any) -> None:
            if mode is GenerationMode.POSITIVE:
                among_those_there_are(case.path_parameters)
            answer = case.call_and_validate(headers=LOCAL, checks=CHECKS)
            answers[f"{case.method} {answer.status_code // 100}xx"] = 1

        try:
            ask()
        except Unsatisfiable:  # nothing can be made up that breaks the description
            assert mode is GenerationMode.NEGATIVE, name
    wanted = (
        {"GET 2xx", "POST 2xx"} if mode is GenerationMode.POSITIVE else {"GET 4xx", "POST 4xx", "PUT 4xx"}
    )
    assert wanted <= set(answers)
