"""Amendments and signatures are found by part, on both databases, also after a restore; monitors follow records."""

import json
import sqlite3
from datetime import UTC, datetime

import pytest
from sqlalchemy import insert, select

from supervisor.cell.value import replace
from supervisor.core.commands import StoreRecord
from supervisor.core.events import RecordAmended, RecordSigned
from supervisor.shell.ports import SCHEMA
from supervisor.store.acceptance import Acceptance
from supervisor.store.backup import back_up
from supervisor.store.chain import ROOT, digest
from supervisor.store.codec import decode_record, encode_record
from supervisor.store.opening import open_archive
from supervisor.store.records import keep_record
from supervisor.store.restoring import restore
from supervisor.store.schema import JOURNAL, MONITOR
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
        connection.exec_driver_sql("DROP TABLE suspicion")
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0001'")

    store._writer.run(back_to_the_first)
    store.close()
    with opened(address)._reader.asking() as connection:
        question = select(MONITOR.c.position, MONITOR.c.station, MONITOR.c.value)
        rows = connection.execute(question.order_by(MONITOR.c.position)).all()
    assert rows == [(0, "scan-1", 25.0), (1, "ct-1", None)]


def test_a_signature_still_fits_after_a_restore_of_what_an_older_version_wrote(
    sqlite, opened, make, tmp_path
):
    """The older version wrote records shorter. A restore keeps that text, or the hash that was signed would be nobody's."""
    old = json.loads(encode_record(make.record("7")))
    for finding in old["findings"]:
        finding.pop("conformance_probability")
    text = json.dumps(old, separators=(",", ":"))
    body = f'{{"event":["TimerFired",{{"timer":"a"}}],"commands":[["StoreRecord",{{"record":{text}}}]]}}'
    store = opened(sqlite)
    own = digest(ROOT.hash, 1, 1_001, SCHEMA, "TimerFired", body)

    def write(connection):
        row = {"seq": 1, "at_ms": 1_001, "schema": SCHEMA, "kind": "TimerFired", "body": body}
        connection.execute(insert(JOURNAL).values(**row, prev=ROOT.hash, hash=own))
        keep_record(connection, 1, decode_record(text), text)

    store._writer.run(write)
    store.close()
    with sqlite3.connect(
        sqlite
    ) as raw:  # as after a crash: the journal may be longer than the head
        raw.execute("UPDATE meta SET standing = 'driving'")
    raw.close()
    store = opened(sqlite)
    store.journal.append([make.entry(2, signature(store.records.latest("7")))])
    assert store.verify().fault is None
    store.close()
    with open_archive(sqlite) as archive:
        back_up(archive, tmp_path / "backup", datetime(2025, 11, 25, tzinfo=UTC))
    again = f"{tmp_path}/restored.db"
    restore(tmp_path / "backup", again, Acceptance(by="test", why="test", at_ms=9_000))
    with open_archive(again) as archive:
        kept = archive.records.latest("7")
        (paper,) = archive.records.papers("7", part_type="pump-body")
        assert kept.body == text
        assert paper.event.record_sha256 == kept.sha256
        assert archive.verify().fault is None


def test_a_signature_under_a_record_that_nobody_kept_is_found(address, opened, make):
    store = opened(address)
    store.journal.append([make.keeping(1, make.record("7"))])
    event = replace(signature(store.records.latest("7")), record_sha256="0" * 64)
    store.journal.append([make.entry(2, event)])
    fault = store.verify().fault
    assert fault is not None
    assert (fault.seq, "bound to a record that no entry kept" in fault.what) == (2, True)
