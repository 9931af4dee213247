"""The profile language as a JSON Schema (draft 2020-12), for editors.

Rules of this file:
- ``python -m supervisor.cell.profile_schema > docs/reference/profile.schema.json`` makes the file; a test fails when it is not current.
- It is printed from the models. What does not fit together (a bit outside its word), only ``pointsman check`` finds.
- A profile that extends another one states only what differs, so for it no section is needed.
"""

import json
import sys
from typing import Any, cast

from pydantic import TypeAdapter

from supervisor.cell.profile_language import HandlerProfile, ReaderProfile, StationProfile

DRAFT = "https://json-schema.org/draft/2020-12/schema"
KINDS = ("StationProfile", "HandlerProfile", "ReaderProfile")


def profile_schema() -> dict[str, Any]:
    """The schema of one profile file."""
    adapter: TypeAdapter[Any] = TypeAdapter(StationProfile | HandlerProfile | ReaderProfile)
    schema = adapter.json_schema(by_alias=True)
    definitions = cast("dict[str, Any]", schema["$defs"])
    for name in KINDS:
        _only_what_differs(definitions, name)
    return {
        "$schema": DRAFT,
        "title": "Interface profile",
        "description": "How one make of station, handler or tag reader maps to the words of a cell.",
        "anyOf": [
            {"$ref": f"#/$defs/{name}{part}"} for name in KINDS for part in ("", "Extending")
        ],
        "$defs": dict(sorted(definitions.items())),
    }


def _only_what_differs(definitions: dict[str, Any], name: str) -> None:
    """A second form of a profile: with ``extends``, and with sections that state a part of their entries."""
    whole = cast("dict[str, Any]", definitions[name])
    extending = json.loads(json.dumps(whole))
    extending["required"] = ["profile", "extends"]
    extending["title"] = f"{name} that extends another"
    for section in ("facets", "echoes", "orders"):
        entry = cast("dict[str, Any] | None", extending["properties"].get(section))
        reference = None if entry is None else cast("str | None", entry.get("$ref"))
        if entry is not None and reference is not None:
            inner = reference.rsplit("/", 1)[-1]
            whole_section = cast("dict[str, Any]", definitions[inner])
            definitions[f"{inner}Partly"] = {**whole_section, "required": []}
            entry["$ref"] = f"#/$defs/{inner}Partly"
    definitions[f"{name}Extending"] = extending


def schema_text() -> str:
    """The file."""
    return json.dumps(profile_schema(), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    sys.stdout.write(schema_text())
