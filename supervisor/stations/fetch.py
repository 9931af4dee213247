"""Results that are asked for: by a method, out of a file, or in structures inside variants.

Rules of this file:
- A file is read whole and closed, whatever happens in between; a larger one than ``FILE_BYTES_MAX`` is refused.
- To ask changes nothing, so it needs no permit to send; to tell that a result is stored does (``tell_stored``).
- What a query says of itself (its status) is looked at before its result is.
"""

from collections.abc import Mapping
from typing import Any, cast

from supervisor.cell.profile_language import (
    Fetched,
    Find,
    Query,
    ResultCall,
    StationProfile,
    Stored,
)
from supervisor.stations.asking import filter_of, newest_id, way_taken
from supervisor.stations.connection import Connection
from supervisor.stations.goals import Fields
from supervisor.stations.opcua import CallMethodResult, NodeId, Variant, status_name, ua
from supervisor.stations.orders import handed
from supervisor.stations.plain_types import Handed, plain_content
from supervisor.stations.trouble import OrderImpossible, ResultUnreadable
from supervisor.stations.wire import Session

FILE_BYTES_MAX = 16_000_000
CHUNK_BYTES = 60_000
REQUEST_S = 4.0
LIMIT_S_MIN = 2.0
DEPTH_MAX = 20
_READ = 1  # the mode of Open for reading: bit 0 (OPC 10000-20 4.2.1, from memory)


def is_asked_for(profile: StationProfile) -> bool:
    """Whether a result does not come as the plain value of a node."""
    results = profile.results
    if not isinstance(results, Fetched):
        return False
    kinds = ("File", "Structure", "Structure[]", "Variant", "Variant[]")
    return results.node is None or profile.shown()[results.node].type in kinds


async def asked_for(
    connection: Connection, profile: StationProfile, fields: Fields, speed: float
) -> Any:
    """The result that a method gives, that a file holds, or that stands in a structure of a node.

    Raises:
        ResultUnreadable: there is none.
        LinkLost, OSError, TimeoutError: the connection went.
    """
    results = profile.results
    assert isinstance(results, Fetched)
    if results.call is not None:
        return await _asked_by_method(connection, profile, fields, speed)
    assert results.node is not None
    found = connection.found[results.node]
    if found.file:
        return await file_content(connection, results.node)
    (reading,) = await connection.read((results.node,))
    if reading.quality != "good":
        message = f"node {results.node} is {reading.quality}"
        raise ResultUnreadable(message)
    content = reading.value
    rows = plain_content(content)
    if found.structure is not None:
        one = found.structure
        rows = one.rows(content) if isinstance(content, list) else one.row(content)
    async with connection.ordering() as session:
        return await expanded(connection, session, rows, results.node)


async def _asked_by_method(
    connection: Connection, profile: StationProfile, fields: Fields, speed: float
) -> Any:
    """The result by the first way that the station has; where it is kept under an id of its own, that is found first."""
    way = way_taken(profile, connection)
    if way.find is not None:
        within_s = max(way.find.limit_s / speed, LIMIT_S_MIN)
        matching = filter_of(connection, way.find.where, fields)
        ids = await called(connection, way.find, fields, within_s, (Handed("Structure", matching),))
        found = newest_id(ids)
        if not found:
            message = f"{way.find.node} lists no result of {fields[way.find.where.field]}"
            raise ResultUnreadable(message)
        fields = {**fields, "result_id": found}
    return await called(connection, way, fields, max(way.limit_s / speed, LIMIT_S_MIN))


async def tell_stored(
    connection: Connection, stored: Stored, fields: Fields, within_s: float
) -> str:
    """Tell the station that a result is stored; what it has against it, or nothing.

    Raises:
        LinkLost, OSError, TimeoutError: the connection went.
    """
    method = connection.found[stored.node]
    arguments = [
        member.variant(handed(argument, fields))
        for member, argument in zip(method.inputs, stored.arguments, strict=True)
    ]
    async with connection.ordering() as session:
        try:
            result = await session.call(method.owner, method.node, arguments, within_s)
        except TimeoutError:
            connection.drop_orders(session)
            raise
    if not result.StatusCode.is_good():
        return status_name(result.StatusCode)
    outputs: list[Any] = result.OutputArguments or []
    status = outputs[stored.status - 1].Value if stored.status and outputs else None
    return "" if stored.status is None or status in stored.accepted else f"status {status}"


async def called(
    connection: Connection,
    call: ResultCall | Find | Query,
    fields: Fields,
    within_s: float,
    first: tuple[Handed, ...] = (),
) -> Any:
    """The output of a query, taken apart; ``first`` is handed over before the arguments of the profile.

    Raises:
        ResultUnreadable: it has none, or says no.
        LinkLost, OSError, TimeoutError: the connection went.
    """
    method = connection.found[call.node]
    try:
        given = (*first, *(handed(argument, fields) for argument in call.arguments))
        arguments = [member.variant(one) for member, one in zip(method.inputs, given, strict=True)]
    except OrderImpossible as error:
        raise ResultUnreadable(str(error)) from error
    async with connection.ordering() as session:
        try:
            result = await session.ask(method.owner, method.node, arguments, within_s)
        except TimeoutError:
            connection.drop_orders(session)
            raise
        content = _output(call, result)
        member = method.outputs[call.output]
        return await expanded(connection, session, member.taken(content), call.node)


def _output(call: ResultCall | Find | Query, result: CallMethodResult) -> Any:
    if not result.StatusCode.is_good():
        message = f"{call.node}: the server answered {status_name(result.StatusCode)}"
        raise ResultUnreadable(message)
    outputs: list[Any] = result.OutputArguments or []
    found = [item.Value for item in outputs]
    if call.output > len(found):
        message = f"{call.node} gave {len(found)} outputs, expected one at {call.output}"
        raise ResultUnreadable(message)
    if call.status is not None:
        status = found[call.status - 1] if call.status <= len(found) else None
        if status not in call.accepted:
            message = f"{call.node} has no result: status {status}"
            raise ResultUnreadable(message)
    return found[call.output - 1]


async def file_content(connection: Connection, name: str) -> bytes:
    """A file of the station as a whole.

    Raises:
        ResultUnreadable: it cannot be opened or read, or is too large.
        LinkLost, OSError, TimeoutError: the connection went.
    """
    found = connection.found[name]
    async with connection.ordering() as session:
        file = _File(session, found.node, found.file, name)
        handle = await file.call("Open", [ua.Variant(_READ, ua.VariantType.Byte)])
        try:
            return await file.content(handle)
        finally:
            await file.call("Close", [ua.Variant(handle, ua.VariantType.UInt32)])


class _File:
    """An object of FileType at one session (OPC 10000-20 4.2)."""

    def __init__(
        self, session: Session, node: NodeId, methods: Mapping[str, NodeId], name: str
    ) -> None:
        self._session = session
        self._node = node
        self._methods = methods
        self._name = name

    async def call(self, method: str, arguments: list[Variant]) -> Any:
        """The first output of a method of the file."""
        result = await self._session.ask(self._node, self._methods[method], arguments, REQUEST_S)
        if not result.StatusCode.is_good():
            message = f"file {self._name}: {method} answered {status_name(result.StatusCode)}"
            raise ResultUnreadable(message)
        outputs: list[Any] = result.OutputArguments or []
        return outputs[0].Value if outputs else None

    async def content(self, handle: int) -> bytes:
        """All of it from an opened file: chunks until one is empty."""
        content = b""
        while len(content) <= FILE_BYTES_MAX:
            arguments = [
                ua.Variant(handle, ua.VariantType.UInt32),
                ua.Variant(CHUNK_BYTES, ua.VariantType.Int32),
            ]
            chunk = await self.call("Read", arguments)
            if not chunk:
                return content
            content += cast("bytes", chunk)
        message = f"file {self._name} is larger than {FILE_BYTES_MAX} bytes"
        raise ResultUnreadable(message)


async def expanded(
    connection: Connection, session: Session, content: Any, node: str, depth: int = 0
) -> Any:
    """A content whose structures inside variants are taken apart as well, by the encodings that they come with.

    Raises:
        ResultUnreadable: one does not follow its own type.
    """
    if depth > DEPTH_MAX:
        message = f"node {node}: a result of more than {DEPTH_MAX} levels"
        raise ResultUnreadable(message)
    if isinstance(content, dict):
        row = cast("dict[str, Any]", content)
        return {
            name: await expanded(connection, session, inner, node, depth + 1)
            for name, inner in row.items()
        }
    if isinstance(content, list):
        return [
            await expanded(connection, session, inner, node, depth + 1)
            for inner in cast("list[Any]", content)
        ]
    if isinstance(content, ua.ExtensionObject):
        encoding = content.TypeId
        if encoding.is_null():
            return None
        structure = await connection.types.of_encoding(session, encoding, node)
        return await expanded(connection, session, structure.row(content), node, depth + 1)
    return content
