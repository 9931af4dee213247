"""What every schema of the interface shares.

Rules of this file:
- Schemas are strict: an unknown field is refused, text is not taken for a number.
- Times are RFC 3339 in UTC with milliseconds; durations are seconds; units are UCUM codes. Absent text is "", an absent object
  or number is null; no key is ever left out.
- A field's docstring is its description in the OpenAPI document.
"""

from datetime import UTC, datetime
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

TEXT_MAX = 200

Instant = Annotated[
    str,
    Field(
        pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$",
        json_schema_extra={"format": "date-time"},
    ),
]
"""A point in the cell's time."""


Example = dict[str, Any]
"""A schema's content as a reader of the documentation sees it."""


class Schema(BaseModel):
    """The form of every schema."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, use_attribute_docstrings=True
    )


def shown_by(example: Example) -> ConfigDict:
    """The configuration of a schema that the OpenAPI document shows with this example."""
    return ConfigDict(json_schema_extra={"examples": [example]})


def instant(ms: int) -> Instant:
    """Cell time in ms as RFC 3339."""
    return (
        datetime.fromtimestamp(ms / 1000, UTC)
        .isoformat(timespec="milliseconds")
        .replace("+00:00", "Z")
    )


def instant_or_none(ms: int | None) -> Instant | None:
    """Cell time that may be absent."""
    return None if ms is None else instant(ms)


def milliseconds(text: str) -> int:
    """RFC 3339 as cell time in ms.

    Raises:
        ValueError: the text is no RFC 3339 time with an offset.
    """
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text} has no time zone: end it with Z or an offset such as +02:00")
    return round(moment.timestamp() * 1000)


def seconds(ms: int) -> float:
    """A duration in ms as seconds."""
    return ms / 1000
