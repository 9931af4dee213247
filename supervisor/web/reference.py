"""The interface's reference for people, made from its OpenAPI document.

Rules of this file: what stands here stands in the document; nothing is added.
"""

import json
from typing import Any

from supervisor.cell.value import value


@value
class Parameter:
    """One parameter of an operation, and where it goes."""

    name: str
    place: str
    needed: str
    text: str


@value
class Operation:
    """One operation, with an example of what it takes and gives ("" where there is none)."""

    method: str
    path: str
    text: str
    parameters: tuple[Parameter, ...]
    takes: str
    gives: str
    refusals: tuple[tuple[str, str], ...]


@value
class Chapter:
    """The operations of one noun."""

    noun: str
    text: str
    operations: tuple[Operation, ...]


def reference_of(document: dict[str, Any]) -> tuple[Chapter, ...]:
    """The chapters of a document in the order of its nouns."""
    found = [
        (operation["tags"][0], _operation(method, path, operation, document))
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
    ]
    return tuple(
        Chapter(
            noun=tag["name"],
            text=tag["description"],
            operations=tuple(operation for noun, operation in found if noun == tag["name"]),
        )
        for tag in document["tags"]
    )


def _operation(
    method: str, path: str, operation: dict[str, Any], document: dict[str, Any]
) -> Operation:
    responses = operation["responses"]
    return Operation(
        method=method.upper(),
        path=path,
        text=operation["description"],
        parameters=tuple(_parameter(each) for each in operation.get("parameters", [])),
        takes=_example(operation.get("requestBody", {})),
        gives=_example(responses["200"]),
        refusals=tuple(
            (status, _described(response, document))
            for status, response in responses.items()
            if status != "200"
        ),
    )


def _described(response: dict[str, Any], document: dict[str, Any]) -> str:
    named = response.get("$ref", "").rpartition("/")[2]
    return (document["components"]["responses"][named] if named else response)["description"]


def _parameter(parameter: dict[str, Any]) -> Parameter:
    return Parameter(
        name=parameter["name"],
        place=parameter["in"],
        needed="needed" if parameter.get("required") else "optional",
        text=parameter.get("description", ""),
    )


def _example(body: dict[str, Any]) -> str:
    content = body.get("content", {}).get("application/json", {})
    return json.dumps(content["example"], indent=2) if "example" in content else ""
