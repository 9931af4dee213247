"""Journal entries as text and back.

Rules of this file:
- The body of an entry is JSON: ``{"event": [kind, fields], "commands": [[kind, fields], ...]}``. A kind is the name of a class.
- The classes are those of the closed unions ``Event`` and ``Command``; a kind that is none of them is an error.
- Decoding is strict: types, literals and missing fields are checked. What was encoded decodes to an equal value, or encoding fails.
"""

import math
from typing import Any, Literal, get_args

import msgspec

from supervisor.core.commands import Command, StoreRecord
from supervisor.core.events import Event, ResultArrived
from supervisor.shell.ports import SCHEMA, JournalEntry
from supervisor.store.errors import StoreError
from supervisor.store.upcast import lifted
from supervisor.verdict.record import Record

EVENTS: dict[str, type[Any]] = {cls.__name__: cls for cls in get_args(Event)}
COMMANDS: dict[str, type[Any]] = {
    cls.__name__: cls for part in get_args(Command) for cls in (get_args(part) or (part,))
}

_encode = msgspec.json.Encoder().encode


def _body_decoder(kind: str, cls: type[Any]) -> msgspec.json.Decoder[Any]:
    """A decoder for the whole body of one kind of event: the event typed, its commands still raw."""
    body = msgspec.defstruct(
        f"{kind}Body",
        [("event", tuple[Literal[kind], cls]), ("commands", list[tuple[str, msgspec.Raw]])],
        forbid_unknown_fields=True,
    )
    return msgspec.json.Decoder(body)


_BODIES = {kind: _body_decoder(kind, cls) for kind, cls in EVENTS.items()}
_COMMANDS = {kind: msgspec.json.Decoder(cls) for kind, cls in COMMANDS.items()}
_RECORD = msgspec.json.Decoder(Record)


class _Bare(msgspec.Struct):
    """The body of an entry, nothing of it read."""

    event: msgspec.Raw
    commands: list[tuple[str, msgspec.Raw]]


class _Kept(msgspec.Struct):
    """A ``StoreRecord``, its record not read."""

    record: msgspec.Raw


def record_texts(body: str) -> list[str]:
    """The text of each record that an entry commands to be kept, as it was written: hashes and signatures are over it.

    Raises:
        msgspec.DecodeError: the body is none.
    """
    bare = msgspec.json.decode(body, type=_Bare)
    kept = [raw for kind, raw in bare.commands if kind == StoreRecord.__name__]
    return [bytes(msgspec.json.decode(raw, type=_Kept).record).decode() for raw in kept]


def encode_body(entry: JournalEntry) -> str:
    """The body of an entry.

    Raises:
        StoreError: "value-not-finite", a result holds a number that JSON has no text for.
    """
    event = entry.event
    if isinstance(event, ResultArrived):
        _check_finite(event)
    commands = [(command.__class__.__name__, command) for command in entry.commands]
    return _encode({"event": (event.__class__.__name__, event), "commands": commands}).decode()


def decode_entry(seq: int, at_ms: int, schema: int, kind: str, body: str) -> JournalEntry:
    """The entry of one row of the journal.

    Raises:
        StoreError: "entry-unreadable", naming the entry and what is wrong with it.
    """
    try:
        plain = _BODIES[kind].decode(body if schema == SCHEMA else lifted(schema, body))
        commands = tuple([_COMMANDS[name].decode(raw) for name, raw in plain.commands])
    except (KeyError, msgspec.DecodeError) as error:
        seen = f"unknown kind {error}" if isinstance(error, KeyError) else str(error)
        raise StoreError(
            "entry-unreadable",
            f"journal entry {seq} ({kind}) cannot be read: {seen}",
            "Verify the journal; restore it from a backup if it was changed",
        ) from error
    return JournalEntry(
        seq=seq, at_ms=at_ms, schema=schema, event=plain.event[1], commands=commands
    )


def encode_record(record: Record) -> str:
    """A record as JSON text."""
    return _encode(record).decode()


def decode_record(body: str) -> Record:
    """A record from its JSON text."""
    return _RECORD.decode(body)


def _check_finite(event: ResultArrived) -> None:
    if event.part_c is not None and not math.isfinite(event.part_c):
        raise StoreError(
            "value-not-finite",
            f"{event.station} gave {event.part_c} for the part's temperature",
            "The station's adapter must turn it into None",
        )
    for measured in event.values:
        number = measured.value
        if number is not None and not -float("inf") < number < float("inf"):
            raise StoreError(
                "value-not-finite",
                f"{event.station} gave {number} for characteristic {measured.number}",
                "The station's adapter must turn it into None with quality bad",
            )
