"""How values are declared in the pure rooms.

Rules of this file:
- A value is keyword-only, slotted and never changed after construction. The type checker enforces this (``frozen_default``).
- At run time the freeze itself is left out, because a frozen constructor costs three times a plain one and the core builds several
  values per event. Tests set ``POINTSMAN_FROZEN=1`` and run with the real freeze, so that a forbidden assignment still raises.
"""

import os
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from typing import Any, TypeVar, dataclass_transform

T = TypeVar("T")

_FROZEN = os.environ.get("POINTSMAN_FROZEN", "") == "1"


@dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=(field,))
def value(cls: type[T]) -> type[T]:
    """Make a class a value: keyword-only, slotted, comparable, hashable, frozen for the type checker."""
    return dataclass(slots=True, kw_only=True, frozen=_FROZEN, unsafe_hash=True)(cls)


def _copier(cls: type[Any]) -> Callable[[Any], Any]:
    """Compile the field-by-field copy of one class; a loop over field names costs four times as much."""
    names = [f.name for f in fields(cls)]
    setter = "put(new, {0!r}, old.{0})" if _FROZEN else "new.{0} = old.{0}"
    body = "\n    ".join(setter.format(name) for name in names)
    source = f"def copy(old):\n    new = make(cls)\n    {body}\n    return new\n"
    scope: dict[str, Any] = {"make": object.__new__, "cls": cls, "put": object.__setattr__}
    exec(source, scope)  # noqa: S102 - the source is built from field names of our own classes
    return scope["copy"]


_COPIERS: dict[type[Any], Callable[[Any], Any]] = {}


def replace(old: T, /, **changes: Any) -> T:
    """A copy of a value with some fields changed.

    Raises:
        AttributeError: a name is not a field of the value.
    """
    cls = old.__class__
    copier = _COPIERS.get(cls)
    if copier is None:
        copier = _COPIERS[cls] = _copier(cls)
    new = copier(old)
    for name, content in changes.items():
        object.__setattr__(new, name, content)
    return new
