"""The OpenAPI document is whole: every route explained, with examples and its errors."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from openapi_spec_validator import validate

from api.app import create_app
from api.bodies import NDJSON
from api.examples import DOCUMENTS, TOKEN, TRACE, VEHICLE_AMENDMENT, VOID
from api.requests import TokenRequest, VehicleAmendment, VoidRequest
from api.trace_shapes import TraceDocument
from fleetdb.cautions import CAUTIONS
from fleetdb.records.documents import Kind
from fleetdb.settings import Settings
from fleetdb.trace.reading import JSON, MEDIA_TYPES


@pytest.fixture
def document(sqlite_settings: Settings) -> dict[str, Any]:
    return create_app(sqlite_settings).openapi()


def operations(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, item in document["paths"].items():
        for method, operation in item.items():
            yield method, path, operation


def test_the_document_is_valid(document: dict[str, Any]) -> None:
    validate(document)


def test_building_the_application_touches_nothing(sqlite_settings: Settings) -> None:
    create_app(sqlite_settings)
    assert not sqlite_settings.home.exists()


def test_a_batch_of_tests_is_described_with_the_cautions(document: dict[str, Any]) -> None:
    described = document["paths"]["/v1/test-records/batch"]["post"]["description"]
    assert all(caution in described for caution in CAUTIONS)


def test_every_route_is_explained(document: dict[str, Any]) -> None:
    ids = [operation["operationId"] for _, _, operation in operations(document)]
    assert len(ids) == len(set(ids)) >= 40
    for method, path, operation in operations(document):
        assert operation["summary"], (method, path)
        assert len(operation["description"]) > 20, (method, path)
        assert operation["tags"], (method, path)
        for parameter in operation.get("parameters", []):
            assert parameter["description"], (method, path, parameter["name"])


def test_every_body_has_its_schema_and_an_example(document: dict[str, Any]) -> None:
    bodies = 0
    for method, path, operation in operations(document):
        if method != "post" or path.endswith("/revoke"):
            assert "requestBody" not in operation, (method, path)
            continue
        contents = operation["requestBody"]["content"]
        kinds = MEDIA_TYPES if path.endswith("/traces") else (NDJSON if "/batch" in path else JSON,)
        assert contents.keys() == set(kinds)
        content = contents.get(JSON) or contents[NDJSON]
        model = content["schema"]["$ref"].rsplit("/", 1)[1]
        properties = document["components"]["schemas"][model]["properties"]
        assert content["example"].keys() <= properties.keys(), path
        bodies += 1
    assert bodies >= 18


def test_the_examples_are_good_documents() -> None:
    for kind in Kind:
        kind.model.model_validate(DOCUMENTS[kind])
    VehicleAmendment.model_validate(VEHICLE_AMENDMENT)
    VoidRequest.model_validate(VOID)
    TokenRequest.model_validate(TOKEN)
    TraceDocument.model_validate_json(json.dumps(TRACE))


def test_every_route_tells_its_errors(document: dict[str, Any]) -> None:
    for method, path, operation in operations(document):
        if not path.startswith("/v1/"):
            continue
        expected = {"401", "403", "404", "422", "503"}
        if method == "post":
            expected |= {"415"}
            if "/batch" not in path:
                expected |= {"409", "413"}
        assert operation["responses"].keys() >= expected, (method, path)
        assert operation["security"], (method, path)
        for status in expected:
            ((media_type, content),) = operation["responses"][status]["content"].items()
            assert media_type == "application/problem+json"
            assert content["schema"] == {"$ref": "#/components/schemas/ProblemBody"}
            assert content["example"]["status"] == int(status)


def test_it_is_served_and_no_page_that_loads_scripts_is(api: Any) -> None:
    client = api.client()
    assert client.get("/openapi.json").json()["info"]["title"] == "fleetdb"
    for path in ("/docs", "/redoc", "/docs/oauth2-redirect"):
        assert client.get(path).status_code == 404
