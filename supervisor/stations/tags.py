"""A tag, read by the methods of its reader: found first where the reader finds tags, then its memory read.

Rules of this file:
- No tag, one, several and a failed reading are told apart; of several none is chosen.
- A call that the server answered well says nothing of the tag: its status does.
"""

from collections.abc import Mapping
from typing import Any, cast

from supervisor.cell.profile_language import TagMemory, TagOrder, TagWord
from supervisor.cell.value import value
from supervisor.stations.connection import Connection
from supervisor.stations.goals import Fields
from supervisor.stations.opcua import CallMethodResult, status_name
from supervisor.stations.orders import Desk, returned_by
from supervisor.stations.pick import MISSING, field_of
from supervisor.stations.plain_types import Handed
from supervisor.stations.structures import Structure, given_back
from supervisor.stations.trouble import OrderImpossible, ResultUnreadable


@value
class TagSeen:
    """What a reading gave: the payload only where one tag was read."""

    status: TagWord
    payload: bytes = b""
    why: str = ""


async def read_tag(desk: Desk, connection: Connection, order: TagOrder, fields: Fields) -> TagSeen:
    """Read the tag that an order means.

    Raises:
        TimeoutError, LinkLost, OSError, UaError: no answer.
        OrderImpossible, ResultUnreadable: the server refused the call, or what came is not what the profile says.
    """
    result = await desk.call(order, fields)
    seen = _seen(result, order)
    if order.found is None or seen.status != "read":
        return seen
    entries = (
        connection.found[order.node]
        .outputs[order.found.output]
        .taken(_output(result, order.found.output))
    )
    if not isinstance(entries, list):
        message = f"output {order.found.output} of {order.node} is no list of tags"
        raise ResultUnreadable(message)
    tags = cast("list[Mapping[str, Any]]", entries)
    if len(tags) != 1:
        return TagSeen(status="several tags" if tags else "no tag", why=f"{len(tags)} tags found")
    memory = order.memory
    if memory is None or memory.node not in connection.found:
        return TagSeen(status="read", payload=_content(tags[0], order.found.content))
    found = _given_back(connection, order, tags[0])
    return _seen(await desk.call(memory, fields, found), memory)


def _seen(result: CallMethodResult, order: TagOrder | TagMemory) -> TagSeen:
    if result.StatusCode is not None and not result.StatusCode.is_good():
        message = f"the server answered {status_name(result.StatusCode)}"
        raise OrderImpossible(message)
    returned = returned_by(result, order.outputs)
    status = "failed" if returned.status is None else order.statuses.get(returned.status, "failed")
    why = returned.text or ("" if status == "read" else f"status {returned.status}")
    return TagSeen(status=status, payload=returned.payload if status == "read" else b"", why=why)


def _output(result: CallMethodResult, position: int) -> Any:
    given: list[Any] = result.OutputArguments or []
    return given[position - 1].Value if position <= len(given) else None


def _content(tag: Mapping[str, Any], paths: list[str]) -> bytes:
    """What a tag says: the first of the paths that is there."""
    for path in paths:
        content = field_of(tag, tuple(path.split(".")))
        if isinstance(content, bytes):
            return content
        if isinstance(content, str):
            return content.encode("utf-8", "replace")
        if content is not MISSING:
            message = f"{path} is {type(content).__name__}, expected a text or bytes"
            raise ResultUnreadable(message)
    message = f"the tag that was found has none of {', '.join(paths)}"
    raise ResultUnreadable(message)


def _given_back(
    connection: Connection, order: TagOrder, tag: Mapping[str, Any]
) -> Mapping[str, Handed]:
    """The fields of what was found, to be handed over again."""
    assert order.found is not None
    shape = connection.found[order.node].outputs[order.found.output].shape
    assert isinstance(shape, Structure)
    return {
        member.name: given_back(member, tag[member.name])
        for member in shape.members
        if tag.get(member.name) is not None
    }
