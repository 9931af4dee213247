"""A store made from a backup, on either database.

Rules of this file:
- Only into a store that holds nothing, in one transaction: after a crash in its middle there is still nothing.
- The journal comes back byte for byte; records and findings are made from it as they were made before.
- Behind the backup the world moved on, and nobody knows how far. So ``HistoryLost`` follows in the same transaction, and the core
  gives up what it held of the world. It is left out only where the supervisor had ended in order at the backup's head and the head
  kept in its second file says that nothing came after.
- The fence leaps over every number that supervisors of the lost history may have had.
"""

from collections.abc import Iterable, Sequence
from pathlib import Path

from sqlalchemy import Connection, func, insert, select, update

from supervisor.cell.value import value
from supervisor.core.commands import MarkSuspect, StoreRecord
from supervisor.core.events import HistoryLost
from supervisor.store.acceptance import Acceptance, lost_entry
from supervisor.store.backup_folder import BackupFolder
from supervisor.store.chain import Known, Row, VerifyReport, next_row
from supervisor.store.codec import decode_entry, record_texts
from supervisor.store.database import Place, place_of, writing_engine
from supervisor.store.errors import StoreError
from supervisor.store.head_note import Seal
from supervisor.store.lock import take_lock
from supervisor.store.migration import migrate
from supervisor.store.opening import head_keeper_of, open_archive
from supervisor.store.records import PAPERS, keep_paper, keep_record
from supervisor.store.schema import DECLARATION, JOURNAL, META, SNAPSHOT
from supervisor.store.suspicions import keep_suspicion
from supervisor.store.writer import Writer

FENCE_LEAP = 1_000
ROWS_AT_ONCE = 1_000
PAPER_KINDS = frozenset(kind.__name__ for kind in PAPERS)


@value
class Restored:
    """What was restored, and the loss that was journalled behind it (None: nothing came after the backup)."""

    report: VerifyReport
    lost: HistoryLost | None


def restore(
    folder: Path,
    address: str,
    acceptance: Acceptance,
    *,
    heads: Sequence[Known] = (),
    head_file: Path | None = None,
    seal: Seal | None = None,
) -> Restored:
    """Make the store at ``address`` from a backup. ``heads`` are heads of the lost store that somebody kept.

    Raises:
        StoreError: "no-backup", "backup-damaged", "backup-foreign", "backup-empty", "store-there", "restore-failed", or what
            opening the database raises.
    """
    backup = BackupFolder(folder)
    place = place_of(address)
    keeper = head_keeper_of(place, "power-safe", head_file, seal)
    noted = keeper.known() if keeper is not None else None
    known = [*([noted] if noted is not None else []), *heads]
    lost = _loss(backup, known, acceptance)
    tip = _write(place, backup, acceptance, lost)
    if keeper is not None:
        keeper.note(tip)
    with open_archive(address, head_file=head_file) as archive:
        report = archive.verify()
    if report.fault is not None or report.head.seq != tip.seq:
        raise StoreError(
            "restore-failed",
            f"{place} does not hold what {folder} holds: {report.fault}",
            "This is a defect of ours: keep both and report it",
        )
    return Restored(report=report, lost=lost)


def _loss(
    backup: BackupFolder, known: Sequence[Known], acceptance: Acceptance
) -> HistoryLost | None:
    """Verify a backup, and say what is lost behind it."""
    head = backup.head()
    report = backup.verify([each for each in known if each.seq <= head.seq])
    if report.fault is not None:
        raise StoreError(
            "backup-foreign",
            f"{backup.folder}, journal entry {report.fault.seq}: {report.fault.what}",
            "This is not a backup of the store that gave the head: use one that is",
        )
    if head.seq == 0:
        seen = f"{backup.folder} holds no entry"
        raise StoreError("backup-empty", seen, "Begin a new store: there is nothing to restore")
    newest = max([each.seq for each in known], default=0)
    if backup.manifest.standing == "ended" and newest == head.seq:
        return None
    behind = f"entries up to {newest} are known to have followed" if newest > head.seq else ""
    return HistoryLost(
        by=acceptance.by,
        why=acceptance.why,
        seen=f"restored from a backup of {backup.manifest.made_at}; {behind or 'what followed is not known'}",
        lost_from=head.seq + 1,
        lost_to=newest if newest > head.seq else 0,
        orphans=(),
    )


def _write(
    place: Place, backup: BackupFolder, acceptance: Acceptance, lost: HistoryLost | None
) -> Row:
    """Fill an empty store; its last row."""
    lock = take_lock(place.file) if place.file is not None else None
    engine = writing_engine(place, "power-safe")
    tips: list[Row] = []

    def work(connection: Connection) -> None:
        migrate(connection)
        _check_empty(connection, place)
        tips.append(_fill(connection, backup, acceptance, lost))

    try:
        writer = Writer(engine, place)
        try:
            writer.run(work)
        finally:
            writer.drop()
    finally:
        engine.dispose()
        if lock is not None:
            lock.release()
    return tips[-1]


def _check_empty(connection: Connection, place: Place) -> None:
    for table in (JOURNAL, DECLARATION):
        if connection.execute(select(func.count()).select_from(table)).scalar_one():
            raise StoreError(
                "store-there",
                f"{place} holds a store already",
                "Restore into a new database; keep the old one aside, it is evidence",
            )


def _fill(
    connection: Connection, backup: BackupFolder, acceptance: Acceptance, lost: HistoryLost | None
) -> Row:
    tip = _fill_journal(connection, backup.rows())
    for line in backup.declarations():
        connection.execute(insert(DECLARATION).values(digest=line.digest, body=line.body))
    for snapshot in backup.snapshots():
        connection.execute(insert(SNAPSHOT).values(**snapshot))
    if lost is not None:
        tip = next_row(tip, lost_entry(tip.seq + 1, tip.at_ms, acceptance, lost))
        connection.execute(insert(JOURNAL).values(tip._asdict()))
    end = {"head_seq": tip.seq, "head_hash": tip.hash, "standing": "ended"}
    fence = backup.manifest.fence + FENCE_LEAP
    connection.execute(update(META).values(fence=fence, **end))
    return tip


def _fill_journal(connection: Connection, rows: Iterable[Row]) -> Row:
    waiting: list[Row] = []
    last: Row | None = None
    for row in rows:
        waiting.append(row)
        last = row
        if len(waiting) == ROWS_AT_ONCE:
            _insert(connection, waiting)
            waiting = []
    if waiting:
        _insert(connection, waiting)
    assert last is not None, "an empty backup was refused before"
    return last


def _insert(connection: Connection, rows: Sequence[Row]) -> None:
    connection.execute(insert(JOURNAL), [row._asdict() for row in rows])
    for row in rows:
        beside = '"StoreRecord"' in row.body or '"MarkSuspect"' in row.body
        if beside or row.kind in PAPER_KINDS:
            entry = decode_entry(row.seq, row.at_ms, row.schema, row.kind, row.body)
            kept = [c.record for c in entry.commands if isinstance(c, StoreRecord)]
            for record, text in zip(kept, record_texts(row.body), strict=True):
                keep_record(connection, row.seq, record, text)
            keep_paper(connection, entry)
            for command in entry.commands:
                if isinstance(command, MarkSuspect):
                    keep_suspicion(connection, row.seq, command.suspicion)
