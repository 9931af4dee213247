"""An old journal, decided again.

Rules of this file:
- Replay compares every recorded command with what the core decides now and names the first difference as a value.
- A difference says that the core decides otherwise today; it does not say which of the two is right.
- The end fingerprint is equal exactly when the end states are equal, in any process and under any hash seed.
"""

import hashlib
from collections.abc import Iterable, Iterator
from itertools import zip_longest
from typing import Any, cast

import msgspec

from supervisor.cell.value import value
from supervisor.core.commands import Command
from supervisor.core.events import Event
from supervisor.shell.fold import Fold, attempt
from supervisor.shell.ports import DeciderFor, JournalEntry, S

_CANONICAL = msgspec.json.Encoder(order="deterministic")


@value
class Difference:
    """An entry whose recorded commands are not those decided now. ``raised`` is what the core raised ("" = nothing)."""

    seq: int
    event: Event
    recorded: tuple[Command, ...]
    decided: tuple[Command, ...]
    raised: str


@value
class ReplayReport:
    """Entries replayed, entries that differ, the first of them, the end state's fingerprint and its broken invariants."""

    entries: int
    differences: int
    first: Difference | None
    end_fingerprint: str
    broken: tuple[str, ...]


def fingerprint(state: object) -> str:
    """SHA-256 of a state's canonical form, as hexadecimal text."""
    return hashlib.sha256(_CANONICAL.encode(state)).hexdigest()


def replay(deciders: DeciderFor[S], entries: Iterable[JournalEntry]) -> ReplayReport:
    """Fold entries from the journal's first on and compare."""
    fold = Fold(deciders)
    first: Difference | None = None
    count = differences = 0
    for entry in entries:
        count += 1
        found = _difference(fold, entry)
        if found is not None:
            differences += 1
            first = found if first is None else first
            if found.raised:
                break
    return ReplayReport(
        entries=count,
        differences=differences,
        first=first,
        end_fingerprint=fingerprint(fold.state) if fold.started() else "",
        broken=fold.broken(),
    )


def _difference(fold: Fold[S], entry: JournalEntry) -> Difference | None:
    decision = attempt(fold, entry.event, entry.at_ms)
    if isinstance(decision, str):
        return _differs(entry, (), raised=decision)
    if decision.commands == entry.commands:
        return None
    if entry.commands == () and fold.broken():
        return None  # the live core stopped here and sent nothing (S10)
    return _differs(entry, decision.commands, raised="")


def _differs(entry: JournalEntry, decided: tuple[Command, ...], *, raised: str) -> Difference:
    return Difference(
        seq=entry.seq,
        event=entry.event,
        recorded=entry.commands,
        decided=decided,
        raised=raised,
    )


# --- for people -------------------------------------------------------------------------------------------------------------


def where_they_differ(difference: Difference) -> list[str]:
    """Each place where the recorded commands are not those decided now: command, field, both values."""
    lines: list[str] = []
    for recorded, decided in zip_longest(difference.recorded, difference.decided):
        if type(recorded) is type(decided):
            name = type(recorded).__name__
            lines += _fields_apart(
                name, msgspec.to_builtins(recorded), msgspec.to_builtins(decided)
            )
        else:
            lines += [f"only recorded: {recorded}"] if recorded is not None else []
            lines += [f"only decided now: {decided}"] if decided is not None else []
    return lines


def _fields_apart(path: str, recorded: object, decided: object) -> Iterator[str]:
    old, new = _parts(recorded), _parts(decided)
    if recorded == decided:
        return
    if old and new:
        for name in old | new:
            yield from _fields_apart(f"{path}.{name}", old.get(name), new.get(name))
    else:
        yield f"{path}: recorded {recorded!r}, decided now {decided!r}"


def _parts(content: object) -> dict[Any, object]:
    """What a field is made of, by name or by number; nothing for a plain value."""
    if isinstance(content, dict):
        return cast("dict[Any, object]", content)
    if isinstance(content, list | tuple):
        return dict(enumerate(cast("list[object]", content)))
    return {}
