"""A backup as plain files in a folder: the same form for every database (docs/reference/backup.md).

Rules of this file:
- ``manifest.json`` names every other file with its rows, bytes and SHA-256, and the head that the journal in it leads to.
- Every other file has one JSON object a line. Bodies are text within it, as stored, byte for byte.
- The folder appears whole or not at all: it is written beside its place, made durable, and renamed.
- ``prev`` is left out: it is the hash of the line before.
"""

import hashlib
import os
import shutil
from collections.abc import Generator, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from supervisor.store.chain import ROOT, Known, Row, VerifyReport, verify
from supervisor.store.declarations import fits
from supervisor.store.errors import StoreError
from supervisor.store.head_note import HeadNote, known_of

FORM = "pointsman backup 1"
MANIFEST = "manifest.json"
JOURNAL, DECLARATIONS, SNAPSHOTS = "journal.jsonl", "declarations.jsonl", "snapshots.jsonl"
MANIFEST_BYTES_MAX = 1_000_000

T = TypeVar("T", bound=msgspec.Struct)


class JournalLine(msgspec.Struct):
    """One row of the journal."""

    seq: int
    at_ms: int
    schema: int
    kind: str
    body: str
    hash: str


class DeclarationLine(msgspec.Struct):
    """One cell declaration."""

    digest: str
    body: str


class SnapshotLine(msgspec.Struct):
    """One snapshot; it only spares time, and is used only where it fits the journal."""

    seq: int
    at_ms: int
    declaration: str
    shape: str
    entry_hash: str
    body: str
    body_hash: str


class FileNote(msgspec.Struct, frozen=True):
    """What a file of the backup holds."""

    name: str
    rows: int
    bytes: int
    sha256: str


class Manifest(msgspec.Struct, frozen=True):
    """What a backup is. ``standing`` is "ended" where the supervisor had ended in order at the head, else "driving"."""

    form: str
    version: str
    made_at: str
    fence: int
    standing: str
    head: HeadNote
    files: tuple[FileNote, ...]


class Writing:
    """A backup that is being written."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._notes: list[FileNote] = []

    def write(self, name: str, lines: Iterable[msgspec.Struct]) -> None:
        """Write one file, line by line as they come."""
        digest, rows, size = hashlib.sha256(), 0, 0
        with (self._folder / name).open("wb") as file:
            for line in lines:
                text = msgspec.json.encode(line) + b"\n"
                file.write(text)
                digest.update(text)
                rows += 1
                size += len(text)
            file.flush()
            os.fsync(file.fileno())
        self._notes.append(FileNote(name=name, rows=rows, bytes=size, sha256=digest.hexdigest()))

    def finish(self, manifest: Manifest) -> Manifest:
        """Write the manifest over the files written so far."""
        whole = msgspec.structs.replace(manifest, files=tuple(self._notes))
        with (self._folder / MANIFEST).open("wb") as file:
            file.write(msgspec.json.format(msgspec.json.encode(whole)) + b"\n")
            file.flush()
            os.fsync(file.fileno())
        return whole


@contextmanager
def writing(folder: Path) -> Generator[Writing]:
    """Write a backup that appears at ``folder`` when the block ends well.

    Raises:
        StoreError: "backup-there" or "backup-unwritable".
    """
    if folder.exists():
        hint = "A backup is never written over: choose another folder"
        raise StoreError("backup-there", f"{folder} exists", hint)
    fresh = folder.with_name(f".{folder.name}.{os.getpid()}")
    try:
        fresh.mkdir(parents=True)
        yield Writing(fresh)
        _make_durable(fresh)
        fresh.rename(folder)
        _make_durable(folder.parent)
    except OSError as error:
        raise StoreError(
            "backup-unwritable",
            f"{folder} cannot be written: {error.strerror or error}",
            "Make room, or choose a folder that may be written",
        ) from error
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def _make_durable(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class BackupFolder:
    """A backup for reading. Its files are read anew for each question; nothing is held in memory."""

    def __init__(self, folder: Path) -> None:
        """Read the manifest.

        Raises:
            StoreError: "no-backup" or "backup-damaged".
        """
        self.folder = folder
        self.manifest = _manifest(folder)
        self._notes = {note.name: note for note in self.manifest.files}
        missing = sorted({JOURNAL, DECLARATIONS, SNAPSHOTS} ^ set(self._notes))
        if missing:
            raise _damaged(f"{folder / MANIFEST} does not name, or should not name, {missing[0]}")

    def check_files(self) -> None:
        """Check that every file is the one that the manifest names.

        Raises:
            StoreError: "backup-damaged".
        """
        for note in self.manifest.files:
            path = self.folder / note.name
            try:
                with path.open("rb") as file:
                    found = hashlib.file_digest(file, "sha256").hexdigest()
            except OSError as error:
                raise _damaged(f"{path} cannot be read: {error.strerror}") from error
            if found != note.sha256:
                raise _damaged(f"{path} has SHA-256 {found}, the manifest says {note.sha256}")

    def head(self) -> Known:
        """The head that the manifest names."""
        return known_of(self.manifest.head, f"{self.folder / MANIFEST}")

    def verify(self, heads: Iterable[Known] = ()) -> VerifyReport:
        """Check the files, then follow the journal's chain to the manifest's head and past the heads kept elsewhere.

        Raises:
            StoreError: "backup-damaged".
        """
        self.check_files()
        for line in self.declarations():
            if not fits(line.digest, line.body):
                raise _damaged(f"{self.folder / DECLARATIONS}: {line.digest} is not the digest")
        report = verify(self.rows(), [self.head(), *heads])
        if report.fault is None and report.entries != self.manifest.head.seq:
            raise _damaged(f"{self.folder} has entries behind the head that its manifest names")
        return report

    def rows(self) -> Iterator[Row]:
        """The rows of the journal."""
        prev = ROOT.hash
        for line in self._lines(JOURNAL, JournalLine):
            own = _bytes_of(self.folder / JOURNAL, line.hash)
            yield Row(line.seq, line.at_ms, line.schema, line.kind, line.body, prev, own)
            prev = own

    def declarations(self) -> Iterator[DeclarationLine]:
        """The cell declarations."""
        return self._lines(DECLARATIONS, DeclarationLine)

    def snapshots(self) -> Iterator[dict[str, Any]]:
        """The snapshots as rows of their table."""
        for line in self._lines(SNAPSHOTS, SnapshotLine):
            plain = msgspec.structs.asdict(line)
            for name in ("entry_hash", "body_hash"):
                plain[name] = _bytes_of(self.folder / SNAPSHOTS, plain[name])
            yield plain

    def _lines(self, name: str, form: type[T]) -> Iterator[T]:
        path = self.folder / name
        decoder = msgspec.json.Decoder(form)
        try:
            with path.open("rb") as file:
                for number, line in enumerate(file, start=1):
                    try:
                        yield decoder.decode(line)
                    except ValueError as error:
                        raise _damaged(f"{path}, line {number}: {error}") from error
        except OSError as error:
            raise _damaged(f"{path} cannot be read: {error.strerror}") from error


def _manifest(folder: Path) -> Manifest:
    path = folder / MANIFEST
    try:
        with path.open("rb") as file:
            content = file.read(MANIFEST_BYTES_MAX)
    except OSError as error:
        hint = "Give the folder that `pointsman backup` made"
        raise StoreError("no-backup", f"there is no {path}: {error.strerror}", hint) from error
    try:
        manifest = msgspec.json.decode(content, type=Manifest)
        known_of(manifest.head, "")
    except ValueError as error:
        raise _damaged(f"{path}: {error}") from error
    if manifest.form != FORM:
        raise _damaged(f"{path} is of form {manifest.form!r}, this version reads {FORM!r}")
    return manifest


def _bytes_of(path: Path, digits: str) -> bytes:
    try:
        return bytes.fromhex(digits)
    except ValueError as error:
        raise _damaged(f"{path}: {digits!r} is no hash") from error


def _damaged(seen: str) -> StoreError:
    return StoreError("backup-damaged", seen, "Use another backup; this one is not as it was made")
