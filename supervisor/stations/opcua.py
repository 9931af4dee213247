"""asyncua's protocol types as this room uses them.

Rules of this file:
- asyncua writes its annotations as texts that a strict checker cannot resolve, so ``ua`` is dynamically typed here, once, and the
  names below say in signatures what is meant.
- A node id is a real type: mixing it up with anything else is the mistake that reads a wrong node.
"""

from typing import Any, TypeAlias

import asyncua
import asyncua.common.utils
import asyncua.ua.ua_binary
from asyncua import ua as _ua

ua: Any = _ua
binary: Any = asyncua.ua.ua_binary
Client: Any = asyncua.Client
Buffer: Any = asyncua.common.utils.Buffer

NodeId: TypeAlias = _ua.NodeId
UaError: TypeAlias = _ua.UaError
StatusError: TypeAlias = _ua.UaStatusCodeError

AttributeId: TypeAlias = Any
VariantType: TypeAlias = Any
Variant: TypeAlias = Any
DataValue: TypeAlias = Any
StatusCode: TypeAlias = Any
QualifiedName: TypeAlias = Any
Reference: TypeAlias = Any
BrowsePathResult: TypeAlias = Any
CallMethodResult: TypeAlias = Any
StructureDefinition: TypeAlias = Any
StructureField: TypeAlias = Any
PublishResult: TypeAlias = Any
Acknowledgement: TypeAlias = Any
SubscriptionParameters: TypeAlias = Any
SubscriptionResult: TypeAlias = Any
ItemRequest: TypeAlias = Any
ItemResult: TypeAlias = Any


def numeric_id(identifier: int) -> NodeId:
    """A node of the namespace of OPC UA itself."""
    return ua.NodeId(identifier)


def plain_id(node: NodeId) -> NodeId:
    """A node id of the same server as a plain NodeId; browsing gives the expanded kind, which compares unequal."""
    return ua.NodeId(node.Identifier, node.NamespaceIndex)


def content_of(found: DataValue) -> Any:
    """What a data value holds; None where it holds nothing."""
    return None if found.Value is None else found.Value.Value


def written(content: Any) -> str:
    """A value as people read it: node ids and names in the notation of OPC 10000-6, a localized text as its text, the rest as it is."""
    if isinstance(content, (ua.NodeId, ua.QualifiedName)):
        return str(content.to_string())
    return repr(content.Text if isinstance(content, ua.LocalizedText) else content)


def status_name(status: StatusCode | None) -> str:
    """A status code by its name."""
    return "Good" if status is None else status.name
