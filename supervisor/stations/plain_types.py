"""The built-in types of OPC UA on the wire (OPC 10000-6 5.2.2), both ways.

Rules of this file:
- What is handed over carries the type that the profile states; a value that does not fit is refused before anything is sent.
- What is not handed over is the type's own nothing: 0, false, the null text.
"""

from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from typing import Any, Final, NamedTuple, cast
from uuid import UUID

from supervisor.cell.profile_checks import in_range
from supervisor.cell.profile_language import REAL_TYPES, WORD_BITS
from supervisor.stations.opcua import Variant, VariantType, binary, ua
from supervisor.stations.trouble import OrderImpossible


class Handed(NamedTuple):
    """What an order hands over: a plain content with its type, fields by name of a structure, or a list of entries."""

    type: str
    content: Any


class Plain(NamedTuple):
    """A built-in type by its name on the wire."""

    base: str
    unpack: Callable[[Any], Any]
    pack: Callable[[Handed | None], bytes]


def variant(content: Any, kind: VariantType) -> Variant:
    """A value as a variant of the type that the node or argument has.

    Raises:
        OrderImpossible: it does not fit.
    """
    return ua.Variant(fitting(content, kind.name), kind)


def fitting(content: Any, name: str) -> Any:
    """A value as a built-in type takes it.

    Raises:
        OrderImpossible: it does not fit.
    """
    is_truth = isinstance(content, bool)
    if name == "String":
        return str(content)
    if name == "LocalizedText":
        return ua.LocalizedText(str(content))
    if name == "ByteString" and isinstance(content, str | bytes | None):
        return bytes.fromhex(content) if isinstance(content, str) else content
    if name == "Boolean" and is_truth:
        return content
    if name in REAL_TYPES and isinstance(content, int | float) and not is_truth:
        return float(content)
    if name in WORD_BITS and isinstance(content, int) and not is_truth and in_range(content, name):
        return int(content)
    message = f"{content!r} does not fit into {name}; nothing was sent"
    raise OrderImpossible(message)


def plain_content(content: Any) -> Any:
    """What the library has made of a value, as mappings, lists and plain values; a structure that it does not know stays as it is."""
    if isinstance(content, ua.Variant | ua.DataValue):
        return plain_content(content.Value)
    if isinstance(content, ua.LocalizedText):
        return content.Text
    if isinstance(content, list):
        return [plain_content(item) for item in cast("list[Any]", content)]
    if isinstance(content, ua.NodeId | ua.ExtensionObject | ua.QualifiedName | ua.StatusCode):
        return content
    if is_dataclass(content):
        return {
            field.name: plain_content(getattr(content, field.name)) for field in fields(content)
        }
    return content


def _text(data: Any) -> Any:
    return binary.struct_from_binary(ua.LocalizedText, data).Text


def _variant(data: Any) -> Any:
    return plain_content(binary.variant_from_binary(data))


def _pack_variant(handed: Handed | None) -> bytes:
    if handed is None:
        return binary.variant_to_binary(ua.Variant())
    return binary.variant_to_binary(handed_variant(handed))


def handed_variant(handed: Handed) -> Variant:
    """What is handed over as a variant of its stated type.

    Raises:
        OrderImpossible: it does not fit, or it is a structure, whose type a variant does not say.
    """
    scalar = handed.type.removesuffix("[]")
    if scalar in ("Structure", "Variant"):
        message = f"a {scalar} inside a variant cannot be handed over; nothing was sent"
        raise OrderImpossible(message)
    kind = ua.VariantType[travels_as(scalar)]
    if handed.type.endswith("[]"):
        entries = [fitting(entry.content, kind.name) for entry in handed.content]
        return ua.Variant(entries, kind, is_array=True)
    return variant(handed.content, kind)


def travels_as(scalar: str) -> str:
    """The built-in type that a type of the language travels as."""
    return "Int32" if scalar == "Enumeration" else scalar


def _primitive(name: str, nothing: Any) -> Plain:
    primitive = getattr(binary.Primitives, name)

    def pack(handed: Handed | None) -> bytes:
        return primitive.pack(nothing if handed is None else fitting(handed.content, name))

    return Plain(name, primitive.unpack, pack)


def _only_nothing(name: str, unpack: Callable[[Any], Any], nothing: Callable[[], bytes]) -> Plain:
    """A type that can be read, and of which only the own nothing can be handed over."""

    def pack(handed: Handed | None) -> bytes:
        if handed is not None:
            message = f"a {name} cannot be handed over; nothing was sent"
            raise OrderImpossible(message)
        return nothing()

    return Plain(name, unpack, pack)


def _pack_text(handed: Handed | None) -> bytes:
    text = ua.LocalizedText() if handed is None else fitting(handed.content, "LocalizedText")
    return binary.struct_to_binary(text)


def _pack_number(handed: Handed | None) -> bytes:
    return binary.Primitives.Int32.pack(0 if handed is None else fitting(handed.content, "Int32"))


_IDS: Any = ua.ObjectIds
VARIANT: Final = Plain("Variant", _variant, _pack_variant)
_NUMBERS = {name: 0.0 if name in REAL_TYPES else 0 for name in (*sorted(WORD_BITS), *REAL_TYPES)}

PLAIN: Mapping[int, Plain] = {
    **{getattr(_IDS, name): _primitive(name, nothing) for name, nothing in _NUMBERS.items()},
    _IDS.Boolean: _primitive("Boolean", False),  # noqa: FBT003 - the value itself
    _IDS.String: _primitive("String", None),
    _IDS.LocalizedText: Plain("LocalizedText", _text, _pack_text),
    _IDS.Enumeration: Plain("Enumeration", binary.Primitives.Int32.unpack, _pack_number),
    _IDS.StatusCode: _only_nothing(
        "StatusCode", binary.Primitives.UInt32.unpack, lambda: binary.Primitives.UInt32.pack(0)
    ),
    _IDS.DateTime: _only_nothing(
        "DateTime", binary.Primitives.DateTime.unpack, lambda: binary.Primitives.Int64.pack(0)
    ),
    _IDS.Guid: _only_nothing(
        "Guid", binary.Primitives.Guid.unpack, lambda: binary.Primitives.Guid.pack(UUID(int=0))
    ),
    _IDS.ByteString: _primitive("ByteString", None),
    _IDS.NodeId: _only_nothing(
        "NodeId", binary.nodeid_from_binary, lambda: binary.nodeid_to_binary(ua.NodeId())
    ),
    _IDS.ExpandedNodeId: _only_nothing(
        "ExpandedNodeId", binary.nodeid_from_binary, lambda: binary.nodeid_to_binary(ua.NodeId())
    ),
    _IDS.QualifiedName: _only_nothing(
        "QualifiedName",
        lambda data: binary.struct_from_binary(ua.QualifiedName, data).Name,
        lambda: binary.struct_to_binary(ua.QualifiedName()),
    ),
    _IDS.BaseDataType: VARIANT,
    _IDS.Number: VARIANT,
    _IDS.Integer: VARIANT,
    _IDS.UInteger: VARIANT,
}
