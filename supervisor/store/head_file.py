"""The head of the journal, kept in a second file.

Rules of this file:
- Written after commits, at most once in ``EVERY_S`` and at the end, so that it is never ahead of a power-safe journal. The last commit
  before a quiet time is written by ``keep_up``, which somebody has to call every ``EVERY_S``, from any thread.
- It is replaced as a whole. One that cannot be read counts as absent, with a warning: a power cut must not keep a cell from starting.
- Trouble with it never stops the journal; it is shown.
"""

import threading
import time
from pathlib import Path

import msgspec

from supervisor.store.chain import Known, Row, head_of
from supervisor.store.head_note import HeadNote, Seal, known_of, note_of

EVERY_S = 1.0


class HeadFile:
    """Keeps the newest durable head in a file, signed where there is a key."""

    def __init__(self, path: Path, *, seal: Seal | None = None) -> None:
        self.path = path
        self.trouble = ""
        self._seal = seal
        self._due_s = 0.0
        self._newest: Row | None = None
        self._written: Row | None = None
        self._writing = threading.Lock()

    def note_kept(self) -> HeadNote | None:
        """What the file holds; None if there is no readable one."""
        try:
            note = msgspec.json.decode(self.path.read_bytes(), type=HeadNote)
            known_of(note, "")
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:  # msgspec's errors are ValueErrors
            self.trouble = f"{self.path} cannot be read and is written anew: {error}"
            return None
        return note

    def known(self) -> Known | None:
        """The head that the file holds; None if there is no readable one."""
        note = self.note_kept()
        return None if note is None else known_of(note, f"{self.path}")

    def note(self, tip: Row) -> None:
        """Keep a head, if the last one was written long enough ago."""
        self._newest = tip
        self.keep_up()

    def keep_up(self) -> None:
        """Write the newest head if it is not written and the last one was written long enough ago."""
        now_s = time.monotonic()
        if self._newest is not self._written and now_s >= self._due_s:
            self._due_s = now_s + EVERY_S
            self.flush()

    def flush(self) -> None:
        """Write the newest head now."""
        with self._writing:
            newest = self._newest
            if newest is not None and newest is not self._written and self._write(newest):
                self._written = newest

    def _write(self, tip: Row) -> bool:
        note = note_of(head_of(tip), self._seal)
        fresh = self.path.with_name(self.path.name + ".new")
        try:
            fresh.write_text(note.text() + "\n", encoding="ascii")
            fresh.replace(self.path)
        except OSError as error:
            self.trouble = f"{self.path} cannot be written: {error}"
            return False
        self.trouble = ""
        return True
