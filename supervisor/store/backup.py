"""Backups of a store, also while a supervisor drives the cell.

Rules of this file:
- Everything is read in one transaction that sees one moment; the supervisor neither waits nor notices.
- The chain is followed while it is written down, past the heads kept beside it: a damaged store gives no backup.
- Records and findings are left out: they follow from the journal, and restoring makes them from it.
"""

from collections.abc import Iterator
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

from sqlalchemy import select

from supervisor.cell.value import value
from supervisor.store.backup_folder import (
    DECLARATIONS,
    FORM,
    JOURNAL,
    SNAPSHOTS,
    DeclarationLine,
    JournalLine,
    Manifest,
    SnapshotLine,
    Writing,
    writing,
)
from supervisor.store.chain import Follower, Known, Row, VerifyReport
from supervisor.store.declarations import Declarations
from supervisor.store.errors import StoreError
from supervisor.store.head_note import Seal, note_of
from supervisor.store.journal import JournalReader
from supervisor.store.opening import Archive
from supervisor.store.reader import Reader
from supervisor.store.schema import META, SNAPSHOT
from supervisor.store.verification import REMEDY, added_fault


@value
class Backup:
    """What a backup holds."""

    folder: Path
    manifest: Manifest
    report: VerifyReport


def back_up(archive: Archive, folder: Path, made_at: datetime, seal: Seal | None = None) -> Backup:
    """Write a backup of a store into a new folder.

    Raises:
        StoreError: "backup-there", "backup-unwritable", "source-damaged"; StoreRefused where the database goes away.
    """
    noted = archive.known_head()  # before the moment that is read, which may only be newer
    with archive.standing_still() as reader, writing(folder) as files:
        journal = JournalReader(reader)
        report = _write_journal(journal, files, noted)
        files.write(DECLARATIONS, _declarations(reader))
        files.write(SNAPSHOTS, _snapshots(reader))
        manifest = files.finish(
            Manifest(
                form=FORM,
                version=version("pointsman"),
                made_at=made_at.isoformat(timespec="seconds"),
                fence=_fence(reader),
                standing=journal.recorded().standing,
                head=note_of(report.head, seal),
                files=(),
            )
        )
    return Backup(folder=folder, manifest=manifest, report=report)


def _write_journal(journal: JournalReader, files: Writing, noted: Known | None) -> VerifyReport:
    """Write the journal down while its chain is followed."""
    recorded = journal.recorded()
    follower = Follower([recorded.known, *([noted] if noted is not None else [])])
    files.write(JOURNAL, (_line(row) for row in follower.passing(journal.rows(1))))
    report = follower.report()
    fault = report.fault or added_fault(recorded, report.head.seq)
    if fault is not None:
        seen = f"journal entry {fault.seq}: {fault.what}"
        raise StoreError("source-damaged", seen, f"Nothing was backed up. {REMEDY}")
    return report


def _line(row: Row) -> JournalLine:
    return JournalLine(
        seq=row.seq,
        at_ms=row.at_ms,
        schema=row.schema,
        kind=row.kind,
        body=row.body,
        hash=row.hash.hex(),
    )


def _declarations(reader: Reader) -> Iterator[DeclarationLine]:
    kept = Declarations(reader)
    for digest in kept.digests():
        yield DeclarationLine(digest=digest, body=kept.text(digest))


def _snapshots(reader: Reader) -> Iterator[SnapshotLine]:
    """The newest one: an older one would only be used if it were damaged."""
    with reader.asking() as connection:
        rows = connection.execute(select(SNAPSHOT).order_by(SNAPSHOT.c.seq.desc()).limit(1)).all()
    for row in rows:
        yield SnapshotLine(
            seq=row.seq,
            at_ms=row.at_ms,
            declaration=row.declaration,
            shape=row.shape,
            entry_hash=row.entry_hash.hex(),
            body=row.body,
            body_hash=row.body_hash.hex(),
        )


def _fence(reader: Reader) -> int:
    with reader.asking() as connection:
        return int(connection.execute(select(META.c.fence)).scalar_one())
