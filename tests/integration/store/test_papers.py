"""Amendments and signatures are found by part, on both databases, also after a restore; monitors follow records."""

from datetime import UTC, datetime

import pytest
from sqlalchemy import select

from supervisor.cell.value import replace
from supervisor.core.commands import StoreRecord
from supervisor.core.events import RecordAmended, RecordSigned
from supervisor.store.acceptance import Acceptance
from supervisor.store.backup import back_up
from supervisor.store.opening import open_archive
from supervisor.store.restoring import restore
from supervisor.store.schema import MONITOR
from supervisor.verdict.change import Change

pytestmark = pytest.mark.integration


def amendment(record):
    later = replace(record, revision=record.revision + 1, batch="B2")
    change = Change(field="batch", before=record.batch, after="B2")
    return RecordAmended(by="M. Weaver", why="wrong tag", changes=(change,), record=later)


def signature(kept):
    record = kept.record
    return RecordSigned(
        serial=record.serial, part_type=record.part_type, entered_ms=record.entered_ms, revision=record.revision,
        record_sha256=kept.sha256, by="R. Miller", meaning="approval",
    )  # fmt: skip


def written(store, make):
    """A record, its amendment, its signature, and a part that nobody touched."""
    record = make.record("7")
    store.journal.append([make.keeping(1, record, make.record("8"))])
    event = amendment(record)
    store.journal.append([make.entry(2, event, StoreRecord(record=event.record))])
    store.journal.append([make.entry(3, signature(store.records.latest("7")))])
    return event


def test_papers_are_found_by_part_in_order(address, opened, make):
    store = opened(address)
    event = written(store, make)
    found = store.records.papers("7", part_type="pump-body")
    assert [each.seq for each in found] == [2, 3]
    assert found[0].event == event
    assert found[1].event.record_sha256 == store.records.latest("7").sha256
    assert store.records.papers("8", part_type="pump-body") == ()
    assert store.records.papers("7", part_type="cam-ring") == ()
    assert store.verify().fault is None


def test_the_record_before_stays_with_the_hash_that_it_had(address, opened, make):
    store = opened(address)
    store.journal.append([make.keeping(1, make.record("7"))])
    before = store.records.latest("7").sha256
    event = amendment(make.record("7"))
    store.journal.append([make.entry(2, event, StoreRecord(record=event.record))])
    assert [each.sha256 for each in store.records.revisions("7")][1] == before
    assert store.records.latest("7").sha256 != before


def test_an_amendment_that_the_core_did_not_take_is_no_paper(address, opened, make):
    store = opened(address)
    store.journal.append([make.keeping(1, make.record("7"))])
    store.journal.append([make.entry(2, amendment(make.record("7")))])
    assert store.records.papers("7", part_type="pump-body") == ()
    assert store.records.latest("7").record == make.record("7")


def test_papers_and_monitors_come_back_with_a_backup(address, opened, make, tmp_path):
    store = opened(address)
    beside = make.finding("12", 25.0, "scan-1").decided_by
    findings = (replace(make.finding("12", 25.01, "touch-1"), monitored_by=(beside,)),)
    store.journal.append([make.keeping(1, make.record("7", findings=findings))])
    kept = store.records.latest("7")
    store.journal.append([make.entry(2, signature(kept))])
    with open_archive(address) as archive:
        back_up(archive, tmp_path / "backup", datetime(2025, 11, 25, tzinfo=UTC))
    again = f"{tmp_path}/restored.db"
    restore(tmp_path / "backup", again, Acceptance(by="test", why="test", at_ms=9_000))
    with open_archive(again) as archive:
        assert [each.seq for each in archive.records.papers("7", part_type="pump-body")] == [2]
        with archive.standing_still() as reader, reader.asking() as connection:
            rows = connection.execute(select(MONITOR.c.station, MONITOR.c.value)).all()
    assert rows == [("scan-1", 25.0)]


def test_the_second_schema_fills_the_monitors_of_records_that_are_there(address, opened, make):
    """A store of the first schema, with a record whose body names two stations beside the deciding one."""
    store = opened(address)
    beside = make.finding("12", 25.0, "scan-1").decided_by
    other = replace(beside, station="ct-1", value=None)
    findings = (replace(make.finding("12", 25.01, "touch-1"), monitored_by=(beside, other)),)
    store.journal.append([make.keeping(1, make.record("7", findings=findings))])

    def back_to_the_first(connection):
        connection.exec_driver_sql("DROP TABLE monitor")
        connection.exec_driver_sql("DROP TABLE paper")
        connection.exec_driver_sql("DROP TABLE lease")
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0001'")

    store._writer.run(back_to_the_first)
    store.close()
    with opened(address)._reader.asking() as connection:
        question = select(MONITOR.c.position, MONITOR.c.station, MONITOR.c.value)
        rows = connection.execute(question.order_by(MONITOR.c.position)).all()
    assert rows == [(0, "scan-1", 25.0), (1, "ct-1", None)]
