"""Any value of the pure rooms as JSON and back, directed by its type.

Rules of this file:
- Built from dataclasses, dictionaries, tuples, unions, literals, decimals, numbers and text; everything else is refused at once.
- A union of several dataclasses is written as ``[kind, fields]``. All other parts are written as msgspec writes them.
- ``shape_of`` describes a type so completely that two versions with equal descriptions can read each other's text.
"""

import hashlib
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from typing import Any, Generic, Literal, TypeVar, get_args, get_origin, get_type_hints

import msgspec

T = TypeVar("T")
Turn = Callable[[Any], Any]

# A union of classes and a union with a literal have different origins.
_UNIONS = (get_origin(int | str), get_origin(Literal[""] | Literal["-"]))


class Shape(Generic[T]):
    """Encodes and decodes values of one type."""

    def __init__(self, cls: type[T]) -> None:
        """Compile the way there and back."""
        self.fingerprint = hashlib.sha256(shape_of(cls).encode()).hexdigest()
        self._pack = _packer(cls)
        self._unpack = _unpacker(cls)

    def encode(self, content: T) -> str:
        """JSON text."""
        return msgspec.json.encode(self._pack(content)).decode()

    def decode(self, text: str) -> T:
        """The value; the text must be one that ``encode`` wrote for a type of the same fingerprint."""
        return self._unpack(msgspec.json.decode(text))


def shape_of(hint: object) -> str:
    """A type in words, with all that it is made of."""
    parts: dict[str, str] = {}
    outer = _describe(hint, parts)
    return "\n".join([outer, *(f"{name}: {parts[name]}" for name in sorted(parts))])


def _describe(hint: object, parts: dict[str, str]) -> str:
    if is_dataclass(hint) and isinstance(hint, type):
        if hint.__qualname__ not in parts:
            parts[hint.__qualname__] = ""
            hints = get_type_hints(hint)
            described = [f"{f.name} {_describe(hints[f.name], parts)}" for f in fields(hint)]
            parts[hint.__qualname__] = ", ".join(described)
        return hint.__qualname__
    members = get_args(hint)
    if not members:
        return getattr(hint, "__qualname__", repr(hint))
    name = "Union" if _is_union(hint) else getattr(get_origin(hint), "__name__", str(hint))
    return f"{name}[{', '.join(_describe(member, parts) for member in members)}]"


def _is_union(hint: object) -> bool:
    return get_origin(hint) in _UNIONS


def _members(hint: object, turner: Callable[[Any], Turn]) -> dict[str, Turn]:
    """The dataclasses of a union by name, each with its turn."""
    classes = [member for member in get_args(hint) if isinstance(member, type)]
    return {cls.__name__: turner(cls) for cls in classes if is_dataclass(cls)}


def _fits_msgspec(hint: object) -> bool:
    """Whether msgspec alone can read a type back."""
    try:
        msgspec.json.Decoder(hint)
    except TypeError:
        return False
    return True


def _packer(hint: object) -> Turn:
    """A function from a value to what msgspec can write and ``_unpacker`` can read."""
    if _fits_msgspec(hint):
        return _same
    if _is_union(hint):
        members = _members(hint, _packer)
        return lambda content: (
            [kind, members[kind](content)]
            if (kind := content.__class__.__name__) in members
            else content
        )
    if is_dataclass(hint):
        turns = [(name, _packer(part)) for name, part in get_type_hints(hint).items()]
        return lambda content: {name: turn(getattr(content, name)) for name, turn in turns}
    return _container(hint, _packer)


def _unpacker(hint: object) -> Turn:
    if _fits_msgspec(hint):
        return lambda plain: msgspec.convert(plain, hint)
    if _is_union(hint):
        members = _members(hint, _unpacker)
        return lambda plain: members[plain[0]](plain[1]) if isinstance(plain, list) else plain
    if is_dataclass(hint) and isinstance(hint, type):
        turns = [(name, _unpacker(part)) for name, part in get_type_hints(hint).items()]
        return lambda plain: hint(**{name: turn(plain[name]) for name, turn in turns})
    return _container(hint, _unpacker)


def _container(hint: object, turner: Callable[[Any], Turn]) -> Turn:
    members = get_args(hint)
    if get_origin(hint) is dict and members[0] is str:
        turn = turner(members[1])
        return lambda content: {key: turn(part) for key, part in content.items()}
    if get_origin(hint) is tuple and members[1:] == (...,):
        turn = turner(members[0])
        return lambda content: tuple([turn(part) for part in content])
    raise TypeError(f"a state cannot hold {hint}: no rule to write it as JSON")


def _same(content: T) -> T:
    return content
