"""The OpenAPI document.

Rules of this file:
- The document says what really happens: refusals are problems, in their own media type, and nothing is answered that it does not name.
- Every operation shows an example of what it takes and of what it gives.
- It depends on the code alone, so that the copy in docs/reference can be compared.
"""

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from supervisor.api.head_told import HEADER
from supervisor.api.journal_view import NOTE_EXAMPLE, EntryView, HeadNoteView
from supervisor.api.problems import CATALOGUE, MEDIA_TYPE, Problem, problem_of
from supervisor.api.schema import Schema

DESCRIPTION = """Reads the cell, and takes what people and lines ask of it.

Times are RFC 3339 in UTC and those of the cell's clock; durations are seconds; units are UCUM codes. Refusals are problem details
(RFC 9457). A POST has its effect once for each idempotency key. Version 1 only ever grows: new fields and addresses may come."""

TAGS = [
    {"name": "cell", "description": "The cell as a whole and its handler."},
    {"name": "stations", "description": "Measuring stations: facets, run, what they wait for."},
    {"name": "places", "description": "Rack and outfeed places."},
    {"name": "pallets", "description": "Pallets in the cell, where they are and why."},
    {"name": "parts", "description": "One part's record, by serial number."},
    {"name": "records", "description": "Records across parts."},
    {"name": "advice", "description": "Where to correct the process that makes the parts."},
    {"name": "charts", "description": "What many records say of one characteristic."},
    {"name": "decisions", "description": "What routing chose, and what lost."},
    {"name": "agreement", "description": "Whether stations that measured the same agree."},
    {
        "name": "gauge studies",
        "description": "Whether a station measures well enough, found out by the cell itself.",
    },
    {
        "name": "shift",
        "description": "Where the time of a shift went, and how far it was from the best.",
    },
    {"name": "holds", "description": "What waits for a person, and the answers."},
    {"name": "journal", "description": "Every fact and what was decided from it."},
    {"name": "events", "description": "The journal as it grows."},
    {"name": "receivers", "description": "Who is sent messages, and whether they take them."},
    {"name": "health", "description": "For whoever starts and watches the process."},
]

EVENTS = "/api/v1/events"
_STREAM = {
    "text/event-stream": {
        "schema": {"type": "string"},
        "example": 'id: 1842\ndata: {"seq": 1842, "at": "2025-11-25T09:15:11.004Z", ...}\n\n'
        'event: beat\ndata: {"seq": 1842, "at": "2025-11-25T09:15:11.004Z", "digest": "5b3c..."}\n\n',
    }
}

FRAMEWORKS_OWN = "Validation Error"
"""How the framework describes a 422 that never leaves here as it says."""

_HEAD_HEADER = {
    "description": "The end of the journal as one line of JSON, signed where the supervisor has a key. Keep it on another machine; "
    "absent until the journal has been read.",
    "schema": {"type": "string"},
    "example": HeadNoteView(**NOTE_EXAMPLE).model_dump_json(),
}

_PROBLEM = {"$ref": "#/components/schemas/Problem"}


def document_of(app: FastAPI) -> dict[str, Any]:
    """The document, made once."""
    if app.openapi_schema is None:
        document = get_openapi(
            title=app.title,
            version=app.version,
            description=app.description,
            routes=app.routes,
            tags=app.openapi_tags,
        )
        schemas = document["components"]["schemas"]
        for name in ("HTTPValidationError", "ValidationError"):
            schemas.pop(name, None)
        for model in (Problem, EntryView):
            _add_schema(schemas, model)
        _restore_nulls(schemas)
        document["components"]["responses"] = _refusals()
        document["components"]["headers"] = {HEADER: _HEAD_HEADER}
        for operation in operations(document):
            _say_refusals(operation)
            _say_head(operation)
            _show_examples(operation, schemas)
        document["paths"][EVENTS]["get"]["responses"]["200"]["content"] = _STREAM
        app.openapi_schema = document
    return app.openapi_schema


def operations(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Every operation of a document."""
    return [operation for path in document["paths"].values() for operation in path.values()]


def _add_schema(schemas: dict[str, Any], model: type[Any]) -> None:
    whole = model.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas.update(whole.pop("$defs", {}))
    schemas[model.__name__] = whole


def _restore_nulls(schemas: dict[str, Any]) -> None:
    """Show the examples as they were written: on its way here the framework drops every null of them."""
    for model in Schema.__subclasses__():
        extra = model.model_config.get("json_schema_extra")
        if isinstance(extra, dict) and model.__name__ in schemas:
            schemas[model.__name__]["examples"] = extra["examples"]


def _refusals() -> dict[str, Any]:
    """A response for each status that the catalogue names, shown by its first kind."""
    return {str(status): _refusal(status) for status in sorted({k.status for k in CATALOGUE})}


def _refusal(status: int) -> dict[str, Any]:
    kinds = [kind for kind in CATALOGUE if kind.status == status]
    example = problem_of(kinds[0], "/api/v1/...", "what was found").model_dump()
    return {
        "description": ", ".join(f"{kind.name} ({kind.code})" for kind in kinds),
        "content": {MEDIA_TYPE: {"schema": _PROBLEM, "example": example}},
    }


def _say_refusals(operation: dict[str, Any]) -> None:
    """Name every refusal that may come, unless the operation says something of its own about the status."""
    responses = operation["responses"]
    if responses.get("422", {}).get("description") == FRAMEWORKS_OWN:
        del responses["422"]
    for status in _statuses(operation):
        responses.setdefault(str(status), {"$ref": f"#/components/responses/{status}"})


def _statuses(operation: dict[str, Any]) -> list[int]:
    """The refusals that an operation can answer with."""
    always = {413, 421, 500, 503}
    # Every address but those of health refuses parameters that it does not know.
    if "health" not in operation["tags"]:
        always.add(422)
    if any(parameter["in"] == "path" for parameter in operation.get("parameters", [])):
        always.add(404)
    if "requestBody" in operation:
        always |= {400, 409}
    if "parts" in operation["tags"]:
        always.add(409)
    return sorted(always)


def _say_head(operation: dict[str, Any]) -> None:
    """Every answer tells the head of the journal."""
    for response in operation["responses"].values():
        if "$ref" not in response:
            response["headers"] = {HEADER: {"$ref": f"#/components/headers/{HEADER}"}}


def _show_examples(operation: dict[str, Any], schemas: dict[str, Any]) -> None:
    bodies = [*operation["responses"].values(), operation.get("requestBody", {})]
    for body in bodies:
        for content in body.get("content", {}).values():
            example = _example(content.get("schema", {}), schemas)
            if example is not None:
                content["example"] = example


def _example(schema: dict[str, Any], schemas: dict[str, Any]) -> object:
    if schema.get("type") == "array":
        inner = _example(schema.get("items", {}), schemas)
        return None if inner is None else [inner]
    reference = schema.get("$ref", "").rpartition("/")[2]
    examples = schemas.get(reference, {}).get("examples")
    return examples[0] if examples else None
