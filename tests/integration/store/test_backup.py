"""Backups: whole, of one moment, the same for both databases, and refused where they are not as they were made."""

import hashlib
import json
import shutil
import threading
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest
from sqlalchemy import update

from simulators.bench.trial import DAY_MS, small_world, troubles
from supervisor.cell.canonical import cell_from_json, cell_to_json, with_digest
from supervisor.cell.value import replace
from supervisor.core.decide import Core
from supervisor.core.events import (
    CellOrdered,
    HistoryLost,
    HoldReleased,
    SupervisorStarted,
    TimerFired,
)
from supervisor.core.state import CellState
from supervisor.shell.fold import Fold
from supervisor.shell.ports import SCHEMA, JournalEntry, Snapshot
from supervisor.shell.replay import replay
from supervisor.store import StoreError, open_archive, open_store, restoring
from supervisor.store.acceptance import Acceptance
from supervisor.store.backup import back_up
from supervisor.store.backup_folder import BackupFolder
from supervisor.store.chain import Known
from supervisor.store.database import place_of, writing_engine
from supervisor.store.restoring import FENCE_LEAP, restore
from supervisor.store.schema import DECLARATION

pytestmark = pytest.mark.integration

MADE = datetime(2026, 3, 2, 6, 30, tzinfo=UTC)
BY = Acceptance(by="M. Weaver", why="the disk broke", at_ms=0)
BACKUPS = 20


@pytest.fixture(scope="module")
def world():
    """Four pallets through a cell in virtual time, stopped while parts are measured."""
    made = small_world(pallets=4, declared=with_digest)
    made.run(made.now_ms + DAY_MS, done=lambda w: len(w.records) >= 2)
    return made


def keep(store, world, upto=None):
    store.declarations.keep(world.cell.digest, cell_to_json(world.cell))
    store.journal.append(world.journal.entries[:upto])


@pytest.fixture
def other(request, address, tmp_path):
    """A second store, on the other database."""
    if "://" in address:
        return str(tmp_path / "other.db")
    return request.getfixturevalue("postgres")


def backed_up(address, folder):
    with open_archive(address) as archive:
        return back_up(archive, folder, MADE)


def deciders(archive):
    return lambda digest: Core(cell_from_json(archive.declarations.text(digest)))


def contents(address):
    """Everything that a store knows, apart from its row numbers and its fence."""
    with open_archive(address) as archive:
        assert archive.verify().fault is None
        return SimpleNamespace(
            rows=list(archive.journal.rows(1)),
            records=list(archive.records.bodies()),
            texts=[archive.declarations.text(d) for d in archive.declarations.digests()],
        )


# --- there and back ------------------------------------------------------------------------------------------------------------


def test_a_backup_of_one_database_restores_into_the_other(address, other, tmp_path, world):
    with open_store(address) as store:
        keep(store, world)
        state = Snapshot(
            seq=len(world.journal.entries), at_ms=world.journal.head().at_ms,
            declaration=world.cell.digest, state=world.state,
        )  # fmt: skip
        store.snapshots(CellState).keep(state)
    before = contents(address)
    backed_up(address, tmp_path / "backup")
    made = restore(tmp_path / "backup", other, BY)
    after = contents(other)
    assert after.rows[:-1] == before.rows
    assert (after.records, after.texts) == (before.records, before.texts)
    assert len(before.records) >= 2
    assert made.lost is not None
    with open_store(other) as store:
        assert store.snapshots(CellState).latest() == state
        (entry,) = store.journal.read(len(after.rows))
    assert entry.event == made.lost
    assert (made.lost.by, made.lost.why) == ("M. Weaver", "the disk broke")


def test_the_restored_journal_replays_without_a_difference_also_past_the_loss(
    sqlite, tmp_path, world
):
    with open_store(sqlite) as store:
        keep(store, world)
    backed_up(sqlite, tmp_path / "backup")
    target = str(tmp_path / "restored.db")
    restore(tmp_path / "backup", target, BY)
    with open_archive(target) as archive:
        report = replay(deciders(archive), archive.journal.read(1))
    assert (report.entries, report.differences, report.broken) == (
        len(world.journal.entries) + 1, 0, (),
    )  # fmt: skip


def test_the_fence_leaps_over_every_supervisor_of_the_lost_history(sqlite, tmp_path, world):
    with open_store(sqlite) as store:
        keep(store, world)
    backed_up(sqlite, tmp_path / "backup")
    for _ in range(3):
        with open_store(sqlite) as store:
            lost = store.fence
    restore(tmp_path / "backup", str(tmp_path / "restored.db"), BY)
    with open_store(str(tmp_path / "restored.db")) as store:
        assert store.fence > lost
        assert store.fence == 1 + FENCE_LEAP + 1


# --- what followed the backup ----------------------------------------------------------------------------------------------------


def test_a_stopped_cell_that_moves_with_its_head_file_loses_nothing(sqlite, tmp_path, world):
    with open_store(sqlite) as store:
        keep(store, world)
    backed_up(sqlite, tmp_path / "backup")
    target = tmp_path / "moved.db"
    shutil.copy(f"{sqlite}.head", f"{target}.head")
    made = restore(tmp_path / "backup", str(target), BY)
    assert made.lost is None
    assert contents(str(target)).rows == contents(sqlite).rows


def test_a_head_beyond_the_backup_says_how_much_is_lost(sqlite, tmp_path, world, make):
    with open_store(sqlite) as store:
        keep(store, world)
        backed_up(sqlite, tmp_path / "backup")
        last = len(world.journal.entries)
        store.journal.append([make.entry(last + 1), make.entry(last + 2)])
    target = tmp_path / "restored.db"
    shutil.copy(f"{sqlite}.head", f"{target}.head")
    made = restore(tmp_path / "backup", str(target), BY)
    assert (made.lost.lost_from, made.lost.lost_to) == (last + 1, last + 2)
    open_store(str(target)).close()  # the head file knows the new end now


def test_without_a_head_nobody_knows_what_is_lost_even_after_an_orderly_end(
    sqlite, tmp_path, world
):
    with open_store(sqlite) as store:
        keep(store, world)
    backed_up(sqlite, tmp_path / "backup")
    made = restore(tmp_path / "backup", str(tmp_path / "restored.db"), BY)
    assert (made.lost.lost_from, made.lost.lost_to) == (len(world.journal.entries) + 1, 0)
    assert "not known" in made.lost.seen


def test_a_backup_taken_while_driving_never_counts_as_the_end(sqlite, tmp_path, world):
    """The second file may be a second behind: a head that fits does not say that nothing came after."""
    with open_store(sqlite) as store:
        keep(store, world)
        backed_up(sqlite, tmp_path / "backup")
    head = BackupFolder(tmp_path / "backup").head()
    made = restore(tmp_path / "backup", str(tmp_path / "restored.db"), BY, heads=[head])
    assert made.lost is not None


# --- under load ----------------------------------------------------------------------------------------------------------------


class Load:
    """A supervisor's writer that does not rest: a run to its end, then waits that nobody waits for."""

    def __init__(self, store, world, *, begun):
        self._store, self._entries, self._next = store, world.journal.entries, begun + 1
        self._stop, self._grown = threading.Event(), threading.Event()
        self.failed = []
        self._thread = threading.Thread(target=self._write)
        self._thread.start()

    def _write(self):
        try:
            while not self._stop.is_set():
                self._store.journal.append([self._entry(self._next)])
                self._next += 1
                self._grown.set()
        except Exception as error:  # noqa: BLE001 - told by the test, whatever it is
            self.failed.append(error)

    def _entry(self, seq):
        last = self._entries[-1]
        if seq <= last.seq:
            return self._entries[seq - 1]
        return replace(last, seq=seq, event=TimerFired(timer=f"load {seq}"), commands=())

    def wait_for_growth(self):
        self._grown.clear()
        assert self._grown.wait(30), self.failed

    def end(self):
        self._stop.set()
        self._thread.join()
        assert self.failed == []


def test_twenty_backups_under_load_all_verify_restore_and_replay(address, tmp_path, world):
    heads = []
    with open_store(address) as store:
        keep(store, world, upto=30)
        load = Load(store, world, begun=30)
        for n in range(BACKUPS):
            load.wait_for_growth()
            heads.append(backed_up(address, tmp_path / f"backup {n}").manifest.head.seq)
        load.end()
    assert heads == sorted(set(heads))
    for n in range(BACKUPS):
        folder = BackupFolder(tmp_path / f"backup {n}")
        assert folder.verify().fault is None
        target = str(tmp_path / f"restored {n}.db")
        restore(folder.folder, target, BY)
        with open_archive(target) as archive:
            assert archive.verify().fault is None
            report = replay(deciders(archive), archive.journal.read(1))
            assert (report.entries, report.differences) == (heads[n] + 1, 0)


def test_a_backup_is_of_one_moment_however_much_is_written_meanwhile(
    address, tmp_path, world, monkeypatch
):
    """The journal goes on right after its first page was read."""
    entries = world.journal.entries
    with open_store(address) as store, open_archive(address) as archive:
        keep(store, world, upto=40)
        reading = archive.standing_still

        def standing_still():
            still = reading()
            enter = still.__enter__

            class Late:
                def __enter__(self):
                    reader = enter()
                    with reader.asking() as connection:
                        connection.exec_driver_sql("SELECT count(*) FROM journal").scalar()
                    store.journal.append(entries[40:])
                    return reader

                def __exit__(self, *error):
                    return still.__exit__(*error)

            return Late()

        monkeypatch.setattr(archive, "standing_still", standing_still)
        made = back_up(archive, tmp_path / "backup", MADE)
        assert store.journal.head().seq == len(entries)
    assert made.manifest.head.seq == 40
    assert BackupFolder(tmp_path / "backup").verify().entries == 40


# --- refusals --------------------------------------------------------------------------------------------------------------------


@pytest.fixture
def backup(sqlite, tmp_path, world):
    with open_store(sqlite) as store:
        keep(store, world, upto=60)
    return backed_up(sqlite, tmp_path / "backup").folder


def refused(backup, target, **options):
    with pytest.raises(StoreError) as caught:
        restore(backup, str(target), BY, **options)
    return caught.value


@pytest.mark.parametrize(
    "name", ["manifest.json", "journal.jsonl", "declarations.jsonl", "snapshots.jsonl"]
)
def test_a_missing_file_is_named(backup, tmp_path, name):
    (backup / name).unlink()
    error = refused(backup, tmp_path / "restored.db")
    assert error.code == ("no-backup" if name == "manifest.json" else "backup-damaged")
    assert name in error.seen


def test_any_flipped_bit_of_the_journal_is_found_at_every_position_tried(backup, tmp_path):
    file = backup / "journal.jsonl"
    content = file.read_bytes()
    for at in range(0, len(content), max(1, len(content) // 100)):
        file.write_bytes(content[:at] + bytes([content[at] ^ 4]) + content[at + 1 :])
        assert refused(backup, tmp_path / "restored.db").code == "backup-damaged"
    assert not (tmp_path / "restored.db").exists()


def test_a_journal_that_was_rewritten_with_its_manifest_is_found_by_its_chain(backup):
    """Somebody who changes an entry and puts the file's new hash into the manifest still meets the chain."""
    file, manifest = backup / "journal.jsonl", backup / "manifest.json"
    before = hashlib.sha256(file.read_bytes()).hexdigest()
    file.write_bytes(file.read_bytes().replace(b"occupied", b"emptied.", 1))
    after = hashlib.sha256(file.read_bytes()).hexdigest()
    manifest.write_text(manifest.read_text().replace(before, after))
    fault = BackupFolder(backup).verify().fault
    assert fault is not None
    assert "was changed" in fault.what


def test_a_backup_of_another_store_is_told_from_a_head_of_this_one(backup, tmp_path):
    foreign = Known(seq=7, hash=bytes(32), where="a printed report")
    error = refused(backup, tmp_path / "restored.db", heads=[foreign])
    assert (error.code, "a printed report" in error.seen) == ("backup-foreign", True)


def test_a_store_that_holds_something_is_never_restored_over(backup, sqlite):
    before = contents(sqlite)
    assert refused(backup, sqlite).code == "store-there"
    assert contents(sqlite).rows == before.rows


def test_a_backup_is_never_written_over(backup, sqlite):
    with pytest.raises(StoreError) as caught:
        backed_up(sqlite, backup)
    assert caught.value.code == "backup-there"


def test_a_damaged_store_gives_no_backup_and_leaves_nothing_behind(sqlite, tmp_path, world):
    with open_store(sqlite) as store:
        keep(store, world)
    engine = writing_engine(place_of(sqlite), "power-safe")
    with engine.begin() as connection:
        connection.exec_driver_sql("UPDATE journal SET at_ms = at_ms + 1 WHERE seq = 50")
    engine.dispose()
    with pytest.raises(StoreError, match="entry 50") as caught:
        backed_up(sqlite, tmp_path / "backup")
    assert caught.value.code == "source-damaged"
    assert not [path for path in tmp_path.iterdir() if "backup" in path.name]


def test_an_empty_store_has_nothing_to_restore(sqlite, tmp_path):
    open_store(sqlite).close()
    backed_up(sqlite, tmp_path / "backup")
    assert refused(tmp_path / "backup", tmp_path / "restored.db").code == "backup-empty"


def test_a_restore_that_is_cut_off_leaves_an_empty_store_that_can_be_restored_into(
    backup, address, tmp_path, monkeypatch
):
    target = str(tmp_path / "restored.db") if "://" not in address else address

    def dies(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(restoring, "next_row", dies)
        with pytest.raises(KeyboardInterrupt):
            restore(backup, target, BY)
    assert restore(backup, target, BY).report.entries == 61


# --- driving on -------------------------------------------------------------------------------------------------------------------


@pytest.mark.hazard(33)
def test_a_supervisor_drives_on_from_a_restored_store_in_a_world_that_moved_on(address, tmp_path):
    """Backup while a part is measured; the cell goes on, its supervisor dies; the successor has nothing but the restored store."""
    world = small_world(pallets=4, declared=with_digest)

    def measuring(w):
        return any(name.startswith("R") for name in w.starts) and len(w.journal.entries) > 60

    world.run(world.now_ms + DAY_MS, done=measuring)
    with open_store(address) as store:
        keep(store, world)
        backed_up(address, tmp_path / "backup")
    world.run(world.now_ms + DAY_MS, done=lambda w: len(w.records) >= 1 and len(w.starts) >= 3)
    begun = set(world.starts)
    world.die()
    world.run(world.now_ms + 10 * 60_000)
    target = str(tmp_path / "restored.db")
    restore(tmp_path / "backup", target, Acceptance(by="M", why="fire", at_ms=world.cell_ms()))
    with open_archive(target) as archive:
        world.journal.entries = list(archive.journal.read(1))
    assert isinstance(world.journal.entries[-1].event, HistoryLost)
    fold = Fold(lambda _: world.core)
    for entry in world.journal.read(1):
        fold.take(entry.event, entry.at_ms)
    world.state = (
        fold.state
    )  # ``revive`` would take it for a forgetful journal, which here is the very point
    world.revive()
    world.run(world.now_ms + 20 * 60_000)
    assert set(world.starts) == begun
    assert {h.code for h in world.state.holds.values()} <= {
        "nest-unknown", "jaw-unknown", "foreign-run",
    }  # fmt: skip
    world.tell(CellOrdered(want="run", by="M"))
    world.run(world.now_ms + 2 * DAY_MS, done=_finished)
    assert troubles(world, parts=[]) == []
    assert {r.serial for r in world.records} == {p.serial for p in world.physics.pallets}


def _finished(world):
    for hold in list(world.state.holds.values()):
        places = {"nest-unknown": (hold.subject,), "jaw-unknown": world.physics.jaws}
        for place in places.get(hold.code, ()):
            if pallet := world.floor.lift(place):
                world.models.operator.bring(pallet, world.now_ms + 60_000)
        world.look()
        world.tell(HoldReleased(hold=hold.hold, answer=hold.answers[0], by="a person", place=""))
    return not (world.state.pallets or world.models.operator.waiting or world.state.holds)


def test_a_started_supervisor_follows_the_loss(sqlite, tmp_path, world):
    """The restored store takes entries like any other."""
    with open_store(sqlite) as store:
        keep(store, world)
    backed_up(sqlite, tmp_path / "backup")
    target = str(tmp_path / "restored.db")
    restore(tmp_path / "backup", target, BY)
    with open_store(target) as store:
        seq = store.journal.head().seq + 1
        started = SupervisorStarted(declaration=world.cell.digest, version="1", fence=store.fence)
        store.journal.append(
            [JournalEntry(seq=seq, at_ms=world.now_ms, schema=SCHEMA, event=started, commands=())]
        )
        assert store.verify().fault is None


def widened(text):
    """The declaration of a cell that somebody renamed; a limit would do as well."""
    other = text.replace('"cell":"', '"cell":"another ', 1)
    assert other != text
    return other


def test_a_changed_declaration_is_found_by_the_entry_that_names_it(address, world):
    with open_store(address) as store:
        keep(store, world)
        (text,) = [store.declarations.text(digest) for digest in store.declarations.digests()]
    engine = writing_engine(place_of(address), "power-safe")
    with engine.begin() as connection:
        connection.execute(update(DECLARATION).values(body=widened(text)))
    engine.dispose()
    with open_archive(address) as archive:
        fault = archive.verify().fault
    assert fault is not None
    assert (fault.seq, "was changed" in fault.what) == (1, True)


def test_a_changed_declaration_with_its_manifest_is_found_by_its_digest(backup, tmp_path):
    file, manifest = backup / "declarations.jsonl", backup / "manifest.json"
    before = hashlib.sha256(file.read_bytes()).hexdigest()
    (line,) = [json.loads(line) for line in file.read_text().splitlines()]
    file.write_text(json.dumps({**line, "body": widened(line["body"])}) + "\n")
    after = hashlib.sha256(file.read_bytes()).hexdigest()
    manifest.write_text(manifest.read_text().replace(before, after))
    error = refused(backup, tmp_path / "restored.db")
    assert (error.code, "declarations.jsonl" in error.seen) == ("backup-damaged", True)
