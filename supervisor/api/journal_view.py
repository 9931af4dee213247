"""Journal entries as people and other programs see them: the stored facts and goals, field by field.

Rules of this file: what an entry holds is told by ``supervisor.core.events`` and ``supervisor.core.commands``; the schema number grows
with them (S12). An interface that promises each field of each fact would bind the core to its readers, so ``content`` is open.
"""

from typing import Any

import msgspec
from pydantic import JsonValue

from supervisor.api.ports import Note
from supervisor.api.schema import Example, Instant, Schema, instant, shown_by
from supervisor.core.commands import Command
from supervisor.core.events import Event
from supervisor.shell.ports import Head, JournalEntry

ENTRY_EXAMPLE: Example = {
    "seq": 1842,
    "at": "2025-11-25T09:15:11.004Z",
    "schema_number": 1,
    "fact": {
        "kind": "HoldReleased",
        "content": {
            "hold": "hold-3120000042",
            "answer": "try again",
            "by": "M. Weaver, shift 2",
            "place": "",
        },
    },
    "commands": [
        {
            "kind": "SetDoor",
            "content": {"order": 3120000061, "station": "scan-1", "door": "open"},
        }
    ],
}
HEAD_EXAMPLE: Example = {
    "seq": 1842,
    "at": "2025-11-25T09:15:11.004Z",
    "digest": "5b3c1a44b0f2c9d7a3be0a9c1f6f5c86d64f2e35aef0a0d1c0b9b1c6a7d4e921",
}


NOTE_EXAMPLE: Example = {
    "seq": 1842,
    "at_ms": 1764062111004,
    "hash": "5b3c1a44b0f2c9d7a3be0a9c1f6f5c86d64f2e35aef0a0d1c0b9b1c6a7d4e921",
    "key": "9f27c1d2a4b0e853",
    "signature": "7d" * 64,
}


class Said(Schema):
    """A fact or a command: its kind and its fields."""

    kind: str
    content: dict[str, JsonValue]


class EntryView(Schema):
    """One step of the cell: the fact, when it was taken, and the commands decided from it."""

    model_config = shown_by(ENTRY_EXAMPLE)

    seq: int
    """Counts from 1 without a gap."""
    at: Instant
    schema_number: int
    """The form of the stored entry; it grows when a field changes."""
    fact: Said
    commands: list[Said]


class HeadView(Schema):
    """The end of the journal."""

    model_config = shown_by(HEAD_EXAMPLE)

    seq: int
    """0 for an empty journal."""
    at: Instant | None
    digest: str
    """The hash of the last entry, which covers all before it: note it down to prove later that nothing was changed."""


class HeadNoteView(Schema):
    """The end of the journal as one line to be kept on another machine: `pointsman verify --head` proves a copy by it."""

    model_config = shown_by(NOTE_EXAMPLE)

    seq: int
    at_ms: int
    """The cell's time of that entry, ms since 1970 UTC: signed as it stands."""
    hash: str
    key: str
    """The name of the key that signed; "" where the supervisor has none."""
    signature: str
    """Ed25519 in hexadecimal; "" where the supervisor has no key."""


class EntriesPage(Schema):
    """Entries in order."""

    model_config = shown_by({"entries": [ENTRY_EXAMPLE], "next": 1843})

    entries: list[EntryView]
    next: int | None
    """Give it as ``from`` to get the next page; null when the end is reached."""


def entry_view(entry: JournalEntry) -> EntryView:
    """One entry."""
    return EntryView(
        seq=entry.seq,
        at=instant(entry.at_ms),
        schema_number=entry.schema,
        fact=_said(entry.event),
        commands=[_said(command) for command in entry.commands],
    )


def head_view(head: Head) -> HeadView:
    """The journal's end."""
    return HeadView(seq=head.seq, at=instant(head.at_ms) if head.seq else None, digest=head.digest)


def _said(said: Event | Command) -> Said:
    content = msgspec.json.decode(msgspec.json.encode(said), type=dict[str, Any])
    return Said(kind=type(said).__name__, content=content)


def head_note_view(note: Note) -> HeadNoteView:
    """A head for keeping."""
    return HeadNoteView(
        seq=note.seq, at_ms=note.at_ms, hash=note.hash, key=note.key, signature=note.signature
    )
