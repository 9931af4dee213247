"""How a profile writes the address of a node, taken apart.

Rules of this file:
- An address names namespaces by the profile's own prefixes; the empty prefix is the namespace of OPC UA itself.
- ``/`` always separates the parts of a path and the first ``:`` of a part ends its prefix. A browse name that holds a ``/`` has to be
  addressed by node id.
"""

import re
from typing import Literal, NamedTuple, cast

IdKind = Literal["i", "s", "g", "b"]

PLACE = "{place}"

_ID = re.compile(r"(?:(?P<prefix>[^;=]+);)?(?P<kind>[isgb])=(?P<identifier>.+)", re.DOTALL)
_FORMS = {
    "i": re.compile(r"\d{1,10}"),
    "s": re.compile(r".+", re.DOTALL),
    "g": re.compile(r"[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}"),
    "b": re.compile(r"[A-Za-z0-9+/]+={0,2}"),
}


class BrowseName(NamedTuple):
    """A browse name with the prefix of its namespace."""

    prefix: str
    name: str

    def __str__(self) -> str:
        return f"{self.prefix}:{self.name}" if self.prefix else self.name


class WrittenId(NamedTuple):
    """A node id with the prefix of its namespace."""

    prefix: str
    kind: IdKind
    identifier: str


def browse_name(written: str) -> BrowseName:
    """``prefix:Name`` or ``Name``.

    Raises:
        ValueError: there is no name.
    """
    prefix, colon, name = written.partition(":")
    found = BrowseName(prefix, name) if colon else BrowseName("", prefix)
    if not found.name:
        raise ValueError(written)
    return found


def browse_path(written: str) -> tuple[BrowseName, ...]:
    """``prefix:Name/prefix:Name``; the empty text is the empty path.

    Raises:
        ValueError: a part has no name.
    """
    return tuple(browse_name(part) for part in written.split("/")) if written else ()


def node_id(written: str) -> WrittenId:
    """``prefix;s=Text``, ``prefix;i=12``, ``prefix;g=...`` or ``prefix;b=...`` (base64).

    Raises:
        ValueError: the text is no node id.
    """
    match = _ID.fullmatch(written)
    if match is None or not _FORMS[match["kind"]].fullmatch(match["identifier"]):
        raise ValueError(written)
    return WrittenId(match["prefix"] or "", cast("IdKind", match["kind"]), match["identifier"])
