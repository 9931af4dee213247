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


def _replacer(cls: type[Any], changed: tuple[str, ...]) -> Callable[[Any, dict[str, Any]], Any]:
    """Compile the copy of one class with certain fields changed; a loop over field names costs four times as much."""
    names = [f.name for f in fields(cls)]
    unknown = sorted(set(changed) - set(names))
    if unknown:
        raise AttributeError(f"{cls.__name__} has no field {', '.join(unknown)}")
    frozen = (
        cls.__dataclass_params__.frozen
    )  # of the class itself: some are frozen whatever the tests wish
    setter = "put(new, {0!r}, {1})" if frozen else "new.{0} = {1}"
    sources = [(name, f"changes[{name!r}]" if name in changed else f"old.{name}") for name in names]
    body = "\n    ".join(setter.format(name, source) for name, source in sources)
    text = f"def replaced(old, changes):\n    new = make(cls)\n    {body}\n    return new\n"
    scope: dict[str, Any] = {"make": object.__new__, "cls": cls, "put": object.__setattr__}
    exec(text, scope)  # noqa: S102 - the text is built from field names of our own classes
    return scope["replaced"]


_REPLACERS: dict[tuple[Any, ...], Callable[[Any, dict[str, Any]], Any]] = {}
"""By class and changed fields; as many as there are calls of ``replace`` in the code."""


def replace(old: T, /, **changes: Any) -> T:
    """A copy of a value with some fields changed.

    Raises:
        AttributeError: a name is not a field of the value.
    """
    key = (old.__class__, *changes)
    replacer = _REPLACERS.get(key)
    if replacer is None:
        replacer = _REPLACERS[key] = _replacer(old.__class__, key[1:])
    return replacer(old, changes)
