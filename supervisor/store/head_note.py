"""A head as text, to be kept where nobody who can reach the journal can reach it.

Rules of this file:
- One line of JSON, the same wherever it goes: the head file, the header of every answer, the end of an export, a backup.
- What is signed is the text of ``signed_text``, nothing else; ``key`` names the public key that fits. Without a key both are "".
- A file of kept heads has one note a line; every one of them counts.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

import msgspec

from supervisor.shell.ports import Head
from supervisor.store.chain import ORIGIN, Known
from supervisor.store.errors import StoreError

NOTES_BYTES_MAX = 16_000_000


class HeadNote(msgspec.Struct, frozen=True):
    """Number and hash (hexadecimal) of a durable entry, its time, and who signed them (key and signature in hexadecimal)."""

    seq: int
    hash: str
    at_ms: int = 0
    key: str = ""
    signature: str = ""

    def text(self) -> str:
        """One line of JSON, without its end."""
        return msgspec.json.encode(self).decode()

    def signed_text(self) -> bytes:
        """What the signature is over: the purpose, then number, time and hash, each ended by a line feed."""
        return f"pointsman head 1\n{self.seq}\n{self.at_ms}\n{self.hash}\n".encode()


class Seal(Protocol):
    """Whoever can sign heads."""

    def note(self, head: Head) -> HeadNote:
        """The signed note of a head."""
        ...


class Witness(Protocol):
    """Whoever can tell whether a head was signed."""

    def check(self, note: HeadNote, where: str) -> None:
        """Accept a signed note.

        Raises:
            StoreError: "head-unsigned" or "head-forged".
        """
        ...


def note_of(head: Head, seal: Seal | None) -> HeadNote:
    """The note of a head, signed where there is a key."""
    if seal is not None:
        return seal.note(head)
    return HeadNote(seq=head.seq, at_ms=head.at_ms, hash=head.digest)


def known_of(note: HeadNote, where: str) -> Known:
    """A note as a head that the journal is compared with.

    Raises:
        ValueError: its hash is none, or its number cannot be.
    """
    hash_ = bytes.fromhex(note.hash)
    if len(hash_) != len(ORIGIN) or note.seq < 0:
        raise ValueError(f"no head: entry {note.seq} with a hash of {len(hash_)} bytes")
    return Known(seq=note.seq, hash=hash_, where=where)


def kept_heads(path: Path, witness: Witness | None) -> Sequence[Known]:
    """The heads that somebody kept in a file, one a line; signed ones only, where their key is known.

    Raises:
        StoreError: "head-unreadable", "head-unsigned" or "head-forged".
    """
    found: list[Known] = []
    for number, line in enumerate(_lines(path), start=1):
        if not line.strip():
            continue
        where = f"{path}, line {number}"
        try:
            note = msgspec.json.decode(line, type=HeadNote)
            known = known_of(note, where)
        except ValueError as error:  # msgspec's errors are ValueErrors
            raise _unreadable(f"{where}: {error}") from error
        if witness is not None:
            witness.check(note, where)
        found.append(known)
    if not found:
        raise _unreadable(f"{path} holds no head")
    return found


def _lines(path: Path) -> Sequence[bytes]:
    try:
        with path.open("rb") as file:
            content = file.read(NOTES_BYTES_MAX + 1)
    except OSError as error:
        raise _unreadable(f"{path} cannot be read: {error.strerror}") from error
    if len(content) > NOTES_BYTES_MAX:
        raise _unreadable(f"{path} is larger than {NOTES_BYTES_MAX} bytes")
    return content.splitlines()


def _unreadable(seen: str) -> StoreError:
    hint = 'Give a file with heads as the interface tells them, one a line: {"seq": ..., "hash": "...", ...}'
    return StoreError("head-unreadable", seen, hint)
