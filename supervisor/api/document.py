"""Prints what docs/reference says of the interface: ``python -m supervisor.api.document openapi | operations | refusals``.

Rules of this file: a test compares the documentation with what is printed here.
"""

import json
import sys
from typing import Any

from supervisor.api.problems import CATALOGUE
from supervisor.api.service import bare_service


def openapi_text() -> str:
    """The OpenAPI document as it is kept in docs/reference/openapi.json."""
    return json.dumps(bare_service().openapi(), indent=1, ensure_ascii=False) + "\n"


def operations_table() -> str:
    """Every operation as a Markdown table."""
    document: dict[str, Any] = bare_service().openapi()
    lines = ["| operation | does | parameters |", "| --- | --- | --- |"]
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            names = [f"`{each['name']}`" for each in operation.get("parameters", [])]
            does = operation["description"]
            lines.append(f"| `{method.upper()} {path}` | {does} | {', '.join(names)} |")
    return "\n".join(lines) + "\n"


def refusals_table() -> str:
    """The catalogue of refusals as a Markdown table."""
    lines = ["| code | name | status | means | what to do |", "| --- | --- | --- | --- | --- |"]
    lines += [f"| {k.code} | {k.name} | {k.status} | {k.title} | {k.fix} |" for k in CATALOGUE]
    return "\n".join(lines) + "\n"


PRINTED = {"openapi": openapi_text, "operations": operations_table, "refusals": refusals_table}

if __name__ == "__main__":
    sys.stdout.write(PRINTED[sys.argv[1]]())
