"""A journal that is short of a known head: refused at the start, and gone on with only where a person says so and why."""

import pytest

from supervisor.core.events import HistoryLost
from supervisor.store import StoreError, open_archive, open_store
from supervisor.store.acceptance import Acceptance, accept_damage
from supervisor.store.chain import Known
from supervisor.store.database import place_of, writing_engine
from supervisor.store.head_note import kept_heads
from supervisor.store.signing import make_key, verifying_key

pytestmark = pytest.mark.integration

LENGTH = 9
BY = Acceptance(by="M. Weaver", why="power cut, disk replaced", at_ms=5)
CUT = ("DELETE FROM journal WHERE seq > 5",)
CUT_CLEAN = (
    *CUT,
    "UPDATE meta SET head_seq = 5, head_hash = (SELECT hash FROM journal WHERE seq = 5)",
)


class Cell:
    """A store of nine entries, the last of which kept a record; its signed head lies elsewhere."""

    def __init__(self, address, folder, make):
        self.address = address
        self.head_file = folder / "cell.head"
        self.kept = folder / "kept heads"
        self.seal = make_key(folder / "cell.key")
        self.public = verifying_key(folder / "cell.key.pub")
        with self.open() as store:
            store.journal.append(make.entries(1, LENGTH - 1))
            store.journal.append([make.keeping(LENGTH, make.record("7"))])
            self.kept.write_text(store.head_note(self.seal).text() + "\n")

    def open(self, **options):
        return open_store(self.address, head_file=self.head_file, seal=self.seal, **options)

    def heads(self):
        return kept_heads(self.kept, self.public)

    def alter(self, *statements):
        engine = writing_engine(place_of(self.address), "power-safe")
        with engine.begin() as connection:
            for statement in statements:
                connection.exec_driver_sql(statement)
        engine.dispose()

    def verify(self, heads=()):
        with open_archive(self.address, head_file=self.head_file) as archive:
            return archive.verify(heads)

    def accept(self, **options):
        return accept_damage(self.address, BY, head_file=self.head_file, seal=self.seal, **options)

    def refused(self, **options):
        with pytest.raises(StoreError) as caught:
            self.open(**options).close()
        return caught.value


@pytest.fixture
def cell(address, tmp_path, make):
    return Cell(address, tmp_path, make)


@pytest.mark.hazard(33)
def test_a_start_is_refused_short_of_a_signed_head_where_nothing_else_tells(cell):
    """Journal, table and head file agree on a shorter history: only the head on another machine knows better."""
    cell.alter(*CUT_CLEAN)
    cell.head_file.unlink()
    cell.open().close()
    error = cell.refused(heads=cell.heads())
    assert error.code == "journal-cut"
    assert f"{cell.kept}, line 1 knows entry 9" in error.seen
    assert "pointsman accept" in error.hint


def test_a_whole_journal_starts_and_verifies_by_its_signed_head(cell, make):
    with cell.open(heads=cell.heads()) as store:
        store.journal.append([make.entry(LENGTH + 1)])
    assert cell.verify(cell.heads()).fault is None


def test_the_head_file_is_signed(cell):
    (known,) = kept_heads(cell.head_file, cell.public)
    assert known.seq == LENGTH


@pytest.mark.hazard(33)
def test_accepting_is_journalled_with_who_and_why_and_what_was_found(cell):
    cell.alter(*CUT)
    made = cell.accept()
    with cell.open() as store:
        (entry,) = store.journal.read(6)
    lost = entry.event
    assert isinstance(lost, HistoryLost)
    assert (lost.by, lost.why) == ("M. Weaver", "power cut, disk replaced")
    assert "its end was cut off" in lost.seen
    assert (lost.lost_from, lost.lost_to) == (6, LENGTH)
    assert entry.commands == ()
    assert entry.at_ms == 1_005  # never before the last entry, whatever the clock says
    assert made.head.seq == 6


def test_after_accepting_the_cell_starts_and_verifies(cell, make):
    cell.alter(*CUT)
    cell.accept()
    assert cell.verify().fault is None
    with cell.open() as store:
        store.journal.append([make.entry(7)])
    assert cell.verify().fault is None


def test_a_record_whose_entry_is_gone_is_kept_in_the_accepting_entry(cell, make):
    cell.alter(*CUT)
    made = cell.accept()
    assert made.orphans == 1
    with open_archive(cell.address) as archive:
        assert archive.records.revisions("7") == ()
        (entry,) = archive.journal.read(6)
    assert entry.event.orphans == (make.record("7"),)
    with cell.open() as store:  # the same part is measured and kept again
        store.journal.append([make.keeping(7, make.record("7", why="measured again"))])
        assert store.verify().fault is None


def test_a_head_kept_elsewhere_goes_on_saying_what_it_knows_and_the_journal_who_gave_it_up(
    cell, make
):
    cell.alter(*CUT)
    cell.accept()
    with cell.open() as store:
        store.journal.append(make.entries(7, 12))
    fault = cell.verify(cell.heads()).fault
    assert fault.seq == LENGTH
    assert "kept heads, line 1 knows" in fault.what
    assert "entry 6 says that M. Weaver gave history up from entry 6 on" in fault.what
    assert cell.refused(heads=cell.heads()).code == "journal-changed"


def test_what_was_added_behind_the_end_can_be_accepted_too(cell):
    cell.alter("UPDATE meta SET head_seq = 8, head_hash = (SELECT hash FROM journal WHERE seq = 8)")
    cell.head_file.unlink()
    assert cell.refused().code == "journal-changed"
    assert "added behind the head" in cell.accept().seen
    cell.open().close()


def test_there_is_nothing_to_accept_in_a_whole_journal(cell):
    with pytest.raises(StoreError) as caught:
        cell.accept()
    assert caught.value.code == "nothing-to-accept"
    assert cell.verify().entries == LENGTH


def test_a_journal_without_any_entry_cannot_be_gone_on_with(cell):
    cell.alter("DELETE FROM journal")
    with pytest.raises(StoreError) as caught:
        cell.accept()
    assert caught.value.code == "journal-empty"


def test_a_head_of_another_history_is_accepted_by_name_only(cell):
    foreign = Known(seq=3, hash=bytes(32), where="a printed report")
    assert cell.refused(heads=[foreign]).code == "journal-changed"
    assert "a printed report" in cell.accept(heads=[foreign]).seen


def test_nobody_accepts_while_a_supervisor_drives(cell):
    with cell.open(), pytest.raises(StoreError) as caught:
        cell.accept()
    assert caught.value.code == "cell-taken"
