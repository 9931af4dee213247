"""The journal, the same on both databases."""

import threading
import time

import pytest

from supervisor.store import StoreError, StoreRefused, open_archive
from supervisor.store.journal import PAGE

pytestmark = pytest.mark.integration


def test_what_was_appended_is_read_back_equal_in_order(address, opened, make):
    store = opened(address)
    store.journal.append(make.entries(1, 1))
    store.journal.append(make.entries(2, 9))
    assert list(store.journal.read(1)) == make.entries(1, 9)
    assert list(store.journal.read(8)) == make.entries(8, 9)


def test_the_head_moves_with_every_append_and_survives_a_restart(address, opened, make):
    store = opened(address)
    assert store.journal.head().seq == 0
    head = store.journal.append(make.entries(1, 3))
    assert (head.seq, head.at_ms, len(head.digest)) == (3, 1_003, 64)
    store.close()
    again = opened(address)
    assert again.journal.head() == head
    again.journal.append(make.entries(4, 5))
    assert again.verify().entries == 5
    assert again.verify().fault is None


def test_a_journal_longer_than_a_page_is_read_whole(address, opened, make):
    store = opened(address)
    store.journal.append(make.entries(1, PAGE))
    assert sum(1 for _ in store.journal.read(1)) == PAGE
    store.journal.append(make.entries(PAGE + 1, PAGE + 1))
    assert sum(1 for _ in store.journal.read(1)) == PAGE + 1


def test_an_entry_out_of_turn_is_a_defect_of_ours(address, opened, make):
    store = opened(address)
    with pytest.raises(AssertionError, match="entry 2 cannot follow entry 0"):
        store.journal.append(make.entries(2, 2))


def test_an_append_is_all_or_nothing(address, opened, make):
    store = opened(address)
    store.journal.append([make.keeping(1, make.record("1", why="first"))])
    doomed = [make.entry(2), make.keeping(3, make.record("2"), make.record("1", why="other"))]
    with pytest.raises(StoreError) as caught:
        store.journal.append(doomed)
    assert caught.value.code == "record-differs"
    assert [entry.seq for entry in store.journal.read(1)] == [1]
    assert store.records.latest("2") is None
    store.journal.append([make.entry(2)])
    assert store.verify().fault is None


def test_a_row_that_somebody_else_put_in_our_way_is_not_overwritten(address, opened, make):
    store = opened(address)
    store.journal.append(make.entries(1, 1))
    alter(store, "INSERT INTO journal SELECT 2, at_ms, schema, kind, body, prev, hash FROM journal")
    with pytest.raises(StoreError) as caught:
        store.journal.append(make.entries(2, 2))
    assert caught.value.code == "entry-foreign"
    assert not isinstance(caught.value, StoreRefused)


def alter(store, statement):
    """Change the database behind the journal's back."""
    with store._writer._engine.begin() as connection:
        connection.exec_driver_sql(statement)


class OnceFailing:
    """A driver's cursor whose next COMMIT reports trouble, after or before it was carried out."""

    def __init__(self, cursor, error, *, carried_out):
        self._cursor = cursor
        self._error = error
        self._carried_out = carried_out

    def execute(self, statement, *parameters):
        if statement == "COMMIT":
            if self._carried_out == "yes":
                self._cursor.execute(statement)
            raise self._error
        return self._cursor.execute(statement, *parameters)

    def __getattr__(self, name):
        return getattr(self._cursor, name)


def appended_once_the_server_lets_go(store, batch):
    """Repeat the append as the runtime does: a busy server may hold the lock of the broken connection for a moment."""
    until = time.monotonic() + 20
    while True:
        try:
            return store.journal.append(batch)
        except StoreRefused:
            if time.monotonic() > until:
                raise
            time.sleep(0.05)


@pytest.mark.parametrize("carried_out", ["yes", "no"])
def test_a_commit_of_unknown_outcome_is_repeated_without_doing_anything_twice(
    address, opened, make, carried_out
):
    store = opened(address)
    store.journal.append(make.entries(1, 2))
    writer = store._writer
    trouble = writer._driver_error("the connection broke")
    writer.cursor = OnceFailing(writer.cursor, trouble, carried_out=carried_out)
    batch = [*make.entries(3, 4), make.keeping(5, make.record("1"))]
    with pytest.raises(StoreRefused, match="the connection broke"):
        store.journal.append(batch)
    assert appended_once_the_server_lets_go(store, batch).seq == 5
    store.journal.append([make.entry(6)])
    assert [entry.seq for entry in store.journal.read(1)] == [1, 2, 3, 4, 5, 6]
    assert store.verify().fault is None


def test_others_read_while_the_journal_is_written(address, opened, make):
    store = opened(address)
    store.journal.append(make.entries(1, 1))
    seen: list[int] = []
    faults: list[object] = []
    begun, done = threading.Event(), threading.Event()

    def read():
        with open_archive(address) as archive:
            begun.set()
            while not (done.is_set() and seen):
                seen.append(sum(1 for _ in archive.journal.read(1)))
                faults.append(archive.verify().fault)

    reading = threading.Thread(target=read)
    reading.start()
    assert begun.wait(30)
    for seq in range(2, 200):
        store.journal.append(make.entries(seq, seq))
    done.set()
    reading.join(timeout=30)
    assert seen == sorted(seen)
    assert set(faults) == {None}


def test_an_archive_changes_nothing(address, opened, make):
    opened(address).journal.append(make.entries(1, 1))
    with open_archive(address) as archive:
        assert not hasattr(archive.journal, "append")
        with (
            pytest.raises(StoreRefused, match=r"(?i)read.?only"),
            archive._reader.asking() as asked,
        ):
            asked.exec_driver_sql("DELETE FROM journal")


def test_declarations_are_kept_once_and_found_by_their_digest(address, opened):
    store = opened(address)
    store.declarations.keep("d2", '{"cell":"two"}')
    store.declarations.keep("d1", '{"cell":"one"}')
    store.declarations.keep("d1", "never written")
    with open_archive(address) as archive:
        assert archive.declarations.text("d1") == '{"cell":"one"}'
        assert archive.declarations.digests() == ("d1", "d2")
        with pytest.raises(StoreError) as caught:
            archive.declarations.text("d3")
    assert caught.value.code == "declaration-unknown"
