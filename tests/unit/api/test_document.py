"""The OpenAPI document says what really happens, and the documentation holds its present form."""

import json
import re

import pytest

from supervisor.api import document
from supervisor.api.schema import Schema
from supervisor.api.service import bare_service

DOCUMENT = bare_service().openapi()
OPERATIONS = [
    pytest.param(operation, id=f"{method} {path}")
    for path, methods in DOCUMENT["paths"].items()
    for method, operation in methods.items()
]


def bodies(operation):
    """Everything that an operation takes or gives when all is well, with its media type."""
    found = [operation.get("requestBody", {}), operation["responses"]["200"]]
    return [pair for body in found for pair in body.get("content", {}).items()]


@pytest.mark.parametrize("operation", OPERATIONS)
def test_every_operation_shows_an_example_of_what_it_takes_and_gives(operation):
    assert all("example" in content for _, content in bodies(operation))
    assert bodies(operation)


def model_of(schema):
    reference = schema.get("$ref", schema.get("items", {}).get("$ref", "")).rpartition("/")[2]
    return next(model for model in Schema.__subclasses__() if model.__name__ == reference)


@pytest.mark.parametrize("operation", OPERATIONS)
def test_every_example_is_what_its_schema_accepts(operation):
    for media_type, content in bodies(operation):
        if media_type == "application/json":
            example = content["example"]
            for each in example if isinstance(example, list) else [example]:
                model_of(content["schema"]).model_validate_json(json.dumps(each))


@pytest.mark.parametrize("operation", OPERATIONS)
def test_refusals_are_problems_in_their_own_media_type(operation):
    for status, response in operation["responses"].items():
        if status == "200" or "Health" in str(response):
            continue
        shared = DOCUMENT["components"]["responses"][response["$ref"].rpartition("/")[2]]
        assert list(shared["content"]) == ["application/problem+json"]


def test_every_reference_leads_somewhere():
    for reference in re.findall(r'"\$ref": "#/([^"]+)"', json.dumps(DOCUMENT)):
        place = DOCUMENT
        for step in reference.split("/"):
            place = place[step]


def test_every_operation_id_is_its_own():
    ids = [operation.values[0]["operationId"] for operation in OPERATIONS]
    assert len(set(ids)) == len(ids)


def test_the_kept_document_is_current(repository):
    kept = (repository / "docs/reference/openapi.json").read_text(encoding="utf-8")
    fix = "run: .venv/bin/python -m supervisor.api.document openapi > docs/reference/openapi.json"
    assert kept == document.openapi_text(), fix


@pytest.mark.parametrize("table", ["operations", "refusals"])
def test_the_tables_of_the_reference_page_are_current(repository, table):
    page = (repository / "docs/reference/rest.md").read_text(encoding="utf-8")
    printed = document.PRINTED[table]()
    assert printed in page, f"put in what this prints: python -m supervisor.api.document {table}"
