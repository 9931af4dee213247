"""Whatever is done to a database behind the supervisor's back is found."""

import shutil
from collections import Counter
from pathlib import Path

import pytest

from supervisor.store import StoreError, open_archive, open_store
from supervisor.store.chain import digest, verify
from supervisor.store.database import place_of, writing_engine

pytestmark = pytest.mark.integration

LENGTH = 9
SWAP_3_AND_4 = (
    "UPDATE journal SET seq = -1 WHERE seq = 3",
    "UPDATE journal SET seq = 3 WHERE seq = 4",
    "UPDATE journal SET seq = 4 WHERE seq = -1",
)
CUT_BEHIND_5 = "DELETE FROM journal WHERE seq > 5"
HEAD_TO_5 = "UPDATE meta SET head_seq = 5, head_hash = (SELECT hash FROM journal WHERE seq = 5)"
ANOTHER_RECORD = (
    "INSERT INTO record (id, seq, serial, part_type, entered_ms, revision, decided_ms, batch, verdict, body)"
    " SELECT 99, 9, 'x', part_type, entered_ms, revision, decided_ms, batch, verdict, '{}' FROM record"
)


class Written:
    """A closed store of nine entries, the last of which kept a record. The head file lies beside it."""

    def __init__(self, address, folder, make):
        self.address = address
        self.head_file = folder / "cell.head"
        with open_store(address, head_file=self.head_file) as store:
            entries = [*make.entries(1, LENGTH - 1), make.keeping(LENGTH, make.record("7"))]
            store.journal.append(entries)

    def alter(self, *statements, parameters=()):
        engine = writing_engine(place_of(self.address), "power-safe")
        with engine.begin() as connection:
            for statement in statements:
                connection.exec_driver_sql(statement, *parameters)
        engine.dispose()

    def verify(self):
        with open_archive(self.address, head_file=self.head_file) as archive:
            return archive.verify()

    def row(self, seq):
        with open_archive(self.address) as archive:
            return next(archive.journal.rows(seq))

    def reopen(self):
        open_store(self.address, head_file=self.head_file).close()


@pytest.fixture
def written(address, tmp_path, make):
    return Written(address, tmp_path, make)


def test_a_store_that_nobody_touched_verifies(written):
    report = written.verify()
    assert (report.entries, report.fault) == (LENGTH, None)
    written.reopen()


CHANGES = {
    "a changed body": (
        ["UPDATE journal SET body = replace(body, 'door', 'moor') WHERE seq = 6"],
        6,
        "was changed",
    ),
    "a changed time": (["UPDATE journal SET at_ms = at_ms + 1 WHERE seq = 2"], 2, "was changed"),
    "a removed entry": (["DELETE FROM journal WHERE seq = 4"], 4, "is missing"),
    "two swapped entries": (SWAP_3_AND_4, 3, "was changed"),
    "a cut tail": ([CUT_BEHIND_5], 6, "the table meta knows entry 9"),
    "a cut tail with its head": ([CUT_BEHIND_5, HEAD_TO_5], 6, "cell.head knows entry 9"),
    "a changed record": (
        ["UPDATE record SET body = replace(body, '25.021', '25.030')"],
        9,
        "not the one",
    ),
    "a record of another entry": (["UPDATE record SET seq = 3"], 3, "not the one"),
    "a removed record": (["DELETE FROM finding", "DELETE FROM record"], 9, "is missing"),
    "an added record": ([ANOTHER_RECORD], 9, "not the one"),
}


@pytest.mark.parametrize("case", sorted(CHANGES))
@pytest.mark.hazard(33)
def test_verifying_finds(written, case):
    statements, seq, what = CHANGES[case]
    written.alter(*statements)
    fault = written.verify().fault
    assert fault is not None
    assert fault.seq == seq
    assert what in fault.what


def added(written):
    """An entry behind the end, well made."""
    last = written.row(LENGTH)
    own = digest(last.hash, LENGTH + 1, 5, 1, "TimerFired", last.body)
    mark = "%s" if "://" in written.address else "?"
    statement = f"INSERT INTO journal VALUES ({', '.join([mark] * 7)})"
    row = (LENGTH + 1, 5, 1, "TimerFired", last.body, last.hash, own)
    written.alter(statement, parameters=(row,))


def test_verifying_finds_a_well_made_entry_behind_the_end(written):
    added(written)
    fault = written.verify().fault
    assert (fault.seq, "added behind the head" in fault.what) == (LENGTH + 1, True)


@pytest.mark.parametrize("case", ["a cut tail", "a cut tail with its head"])
@pytest.mark.hazard(33)
def test_a_supervisor_does_not_start_on_a_journal_that_was_cut(written, case):
    written.alter(*CHANGES[case][0])
    with pytest.raises(StoreError, match="its end was cut off") as caught:
        written.reopen()
    assert caught.value.code == "journal-cut"


def test_a_supervisor_does_not_start_on_a_journal_that_somebody_continued(written):
    added(written)
    with pytest.raises(StoreError) as caught:
        written.reopen()
    assert caught.value.code == "journal-changed"


def test_a_supervisor_does_not_start_on_a_journal_with_another_last_entry(written):
    written.alter("UPDATE journal SET hash = prev WHERE seq = 9")
    with pytest.raises(StoreError) as caught:
        written.reopen()
    assert caught.value.code == "journal-changed"


def test_without_a_head_kept_elsewhere_a_clean_cut_cannot_be_seen(written):
    """The limit of a chain, stated: this is what the head file, and copies of the head on other machines, are for."""
    written.alter(CUT_BEHIND_5, HEAD_TO_5, "DELETE FROM finding", "DELETE FROM record")
    written.head_file.unlink()
    assert written.verify().fault is None


DAMAGES = 60


@pytest.mark.parametrize("damage", ["cut", "flipped bit"])
@pytest.mark.hazard(33)
def test_damage_to_the_write_ahead_log_never_shortens_history_unnoticed(tmp_path, make, damage):
    original = tmp_path / "original"
    original.mkdir()
    with open_store(str(original / "cell.db"), lease_s=0.01) as store:  # the copies wait it out
        for seq in range(1, 30):
            store.journal.append(make.entries(seq, seq))
        store._head_file.flush()
        log = (original / "cell.db-wal").read_bytes()
        outcomes = []
        for n in range(DAMAGES):
            copy = tmp_path / f"copy {n}"
            shutil.copytree(original, copy, ignore=shutil.ignore_patterns("*-shm", "*.lock"))
            hurt(copy / "cell.db-wal", log, len(log) * n // DAMAGES, damage)
            outcomes.append(opening_of(copy))
    assert set(outcomes) <= {"whole", "refused"}
    assert "refused" in outcomes


FLIPS = 300
CUTS = 1_000


@pytest.fixture(scope="module")
def log_and_store(tmp_path_factory, make):
    """A store whose entries but the first stand in its write-ahead log, as after a power cut; its head file knows the last."""
    original = tmp_path_factory.mktemp("original")
    with open_store(str(original / "cell.db")) as store:
        store.journal.append(make.entries(1, 1))
    store = open_store(str(original / "cell.db"))
    for seq in range(2, LOGGED + 1):
        store.journal.append(make.entries(seq, seq))
    store._head_file.flush()
    copy = tmp_path_factory.mktemp("copy")
    shutil.copytree(original, copy, dirs_exist_ok=True)
    store.close()
    (copy / "cell.db-shm").unlink()
    return copy, (copy / "cell.db-wal").read_bytes()


LOGGED = 30
TRIES = {"flipped bit": FLIPS, "cut": CUTS}


@pytest.mark.hazard(33)
@pytest.mark.timeout(240)  # it opens a store a thousand times, on a disk that others write to
@pytest.mark.parametrize("damage", sorted(TRIES))
def test_the_chain_alone_sees_no_damage_to_the_log_and_the_head_sees_all_that_shortens(
    log_and_store, tmp_path, damage
):
    """What docs/explanation/evidence.md says of the write-ahead log: positions spread evenly over the whole of it."""
    original, log = log_and_store
    tries = TRIES[damage]
    seen = Counter()
    for n in range(tries):
        for name in ("cell.db", "cell.db.head"):
            shutil.copy(original / name, tmp_path / name)
        (tmp_path / "cell.db-shm").unlink(missing_ok=True)
        hurt(tmp_path / "cell.db-wal", log, len(log) * n // tries, damage)
        seen[judged(tmp_path / "cell.db")] += 1
    assert seen["shorter, unnoticed"] == 0
    assert seen["broken chain"] == 0
    assert seen["shorter, found by the head alone"] + seen["whole"] == tries
    assert seen["shorter, found by the head alone"] > tries * 0.9


def judged(database: Path) -> str:
    """What a reader makes of a damaged store."""
    try:
        with open_archive(str(database)) as archive:
            alone = verify(archive.journal.rows(1))
            report = archive.verify()
    except StoreError:
        return "no store any more"
    if alone.fault is not None:
        return "broken chain"
    if alone.entries == LOGGED:
        return "whole"
    return "shorter, unnoticed" if report.fault is None else "shorter, found by the head alone"


def hurt(log: Path, content: bytes, at: int, damage: str) -> None:
    if damage == "cut":
        log.write_bytes(content[:at])
    else:
        log.write_bytes(content[:at] + bytes([content[at] ^ 1]) + content[at + 1 :])


def opening_of(folder: Path) -> str:
    try:
        with open_store(str(folder / "cell.db")) as store:
            report = store.verify()
    except StoreError:
        return "refused"
    return "whole" if (report.entries, report.fault) == (29, None) else "shorter"
