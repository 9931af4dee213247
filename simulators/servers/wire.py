"""Values as asyncua wants them.

Rules of this file: asyncua declares number and text classes of its own but takes plain ones; the difference ends here.
"""

from datetime import datetime
from typing import Any, Literal

from asyncua import ua


def node_id(identifier: str | int, index: int) -> ua.NodeId:
    """A node id with a text or a number."""
    plain: Any = identifier
    namespace: Any = index
    return ua.NodeId(plain, namespace)


def in_namespace(other: ua.NodeId, index: int) -> ua.NodeId:
    """The same identifier in another namespace."""
    identifier: Any = other.Identifier
    return node_id(identifier, index)


def type_id(variant_type: ua.VariantType) -> ua.NodeId:
    """The node id of a built-in data type."""
    return node_id(variant_type.value, 0)


def status(code: int) -> ua.StatusCode:
    """One of ``ua.StatusCodes``."""
    plain: Any = code
    return ua.StatusCode(plain)


def data_value(variant: ua.Variant, code: int, at: datetime) -> ua.DataValue:
    """A value with its status and the time at its source."""
    source: Any = at
    return ua.DataValue(variant, status(code), SourceTimestamp=source)


def argument(name: str, data_type: ua.NodeId, rank: Literal["scalar", "array"]) -> ua.Argument:
    """The declaration of one argument of a method."""
    text: Any = name
    number: Any = 1 if rank == "array" else -1
    return ua.Argument(Name=text, DataType=data_type, ValueRank=number)
