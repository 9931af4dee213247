"""Old journal entries, lifted to the present form when they are read (S12).

Rules of this file:
- An entry is never edited. ``LIFTS[n]`` turns the body of an entry of schema n into one of schema n + 1, as plain JSON values.
- When a field of an event or command changes, ``SCHEMA`` grows by one and a lift is written here, with a stored entry as its test.
"""

from collections.abc import Callable, Mapping
from typing import Any

import msgspec

from supervisor.shell.ports import SCHEMA
from supervisor.store.errors import StoreError

Lift = Callable[[dict[str, Any]], dict[str, Any]]


def _as_it_is(plain: dict[str, Any]) -> dict[str, Any]:
    """What an old entry does not say has a default that means "not kept".

    To schema 2: records and results say more. To schema 3: a person's answer has a reason.
    To schema 4: records name the last check that vouches for a value. To schema 5: results say when they were made.
    To schema 6: results say whether they name their run themselves.
    """
    return plain


LIFTS: Mapping[int, Lift] = {1: _as_it_is, 2: _as_it_is, 3: _as_it_is, 4: _as_it_is, 5: _as_it_is}


def lifted(
    schema: int, body: str, *, lifts: Mapping[int, Lift] = LIFTS, present: int = SCHEMA
) -> str:
    """The body of an entry in the present form.

    Raises:
        StoreError: "schema-unknown", the entry is of a newer form than this version knows.
    """
    if schema == present:
        return body
    if schema > present:
        raise StoreError(
            "schema-unknown",
            f"the journal entry has schema {schema}, this version knows up to {present}",
            "Use the version that wrote the journal, or a newer one",
        )
    plain: dict[str, Any] = msgspec.json.decode(body)
    for step in range(schema, present):
        plain = lifts[step](plain)
    return msgspec.json.encode(plain).decode()
