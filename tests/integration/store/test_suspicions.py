"""What failed checks cast doubt on stands beside the records, on both databases, also after a restore."""

from datetime import UTC, datetime

import pytest

from supervisor.cell.model import Vouched
from supervisor.cell.value import replace
from supervisor.core.commands import MarkSuspect
from supervisor.store.acceptance import Acceptance
from supervisor.store.backup import back_up
from supervisor.store.opening import open_archive
from supervisor.store.records import RecordFilter
from supervisor.store.restoring import restore
from supervisor.verdict.suspicion import Suspicion

pytestmark = pytest.mark.integration


def doubt(record, **changes):
    """A failed check right after the first value of a record, about its characteristic."""
    by = next(f.decided_by for f in record.findings if f.decided_by is not None)
    number = next(f.number for f in record.findings if f.decided_by is not None)
    suspicion = Suspicion(
        station=by.station,
        program="master@touch-1",
        run_id="R9",
        about=(Vouched(part_type=record.part_type, number=number),),
        from_ms=by.measured_ms - 1,
        to_ms=by.measured_ms,
        why="missed",
    )
    return replace(suspicion, **changes)


def suspect(store, **wanted):
    page = store.records.page(RecordFilter(**wanted))
    return {kept.record.serial: [each.number for each in kept.suspect] for kept in page.records}


def written(store, make):
    """Two records, then a failed check that concerns both and one that comes too early for either."""
    record = make.record("7")
    store.journal.append([make.keeping(1, record, make.record("8"))])
    found = doubt(record)
    store.journal.append([make.entry(2, None, MarkSuspect(suspicion=found))])
    early = replace(found, from_ms=-1, to_ms=found.from_ms)
    store.journal.append([make.entry(3, None, MarkSuspect(suspicion=early))])
    return record, found, early


@pytest.mark.hazard(25)
def test_records_are_marked_and_their_text_stays(address, opened, make):
    store = opened(address)
    record = make.record("7")
    store.journal.append([make.keeping(1, record, make.record("8"))])
    before = store.records.latest("7")
    assert before.suspect == ()

    found = doubt(record)
    store.journal.append([make.entry(2, None, MarkSuspect(suspicion=found))])

    after = store.records.latest("7")
    assert (after.body, after.sha256) == (before.body, before.sha256)
    assert [(v.number, v.station, v.why) for v in after.suspect] == [
        (found.about[0].number, found.station, "missed")
    ]
    assert store.verify().fault is None


def test_suspect_records_can_be_asked_for(address, opened, make):
    store = opened(address)
    _, found, early = written(store, make)

    number = found.about[0].number
    assert suspect(store, suspect="yes") == {"7": [number], "8": [number]}
    assert store.records.count(RecordFilter(suspect="yes", serial="7")) == 1
    assert [(kept.seq, kept.suspicion) for kept in store.records.suspicions()] == [
        (2, found),
        (3, early),
    ]


def with_mean(record, *, runs=("R1", "R2")):
    """A record whose first value is the mean of two runs, beside which a third value of the same station stands."""
    finding, *others = record.findings
    by = finding.decided_by

    def given(station, run_id, later_ms):
        measured_ms = by.measured_ms + later_ms
        name = f"{station}/{run_id}"
        return replace(by, station=station, run_id=run_id, result_id=name, measured_ms=measured_ms)

    one, other = given("scan-1", runs[0], 0), given("touch-1", runs[1], 5)
    mean = replace(
        other,
        station="scan-1 + touch-1",
        run_id=" + ".join(runs),
        result_id="both",
        mean_of=(one.result_id, other.result_id),
    )
    beside = (one, other, given("touch-1", "R11", 50))
    changed = replace(finding, decided_by=mean, monitored_by=beside)
    return replace(record, findings=(changed, *others))


@pytest.mark.parametrize(
    ("failed", "found"),
    [
        (("touch-1", 0, 5), True),
        (("scan-1", -1, 0), True),
        (("touch-1", 5, 60), False),  # only the value beside the mean, of run R11
        (("ct-1", -1, 60), False),
    ],
)
def test_a_record_that_rests_on_a_mean_is_suspect_with_either_of_its_values(
    address, opened, make, failed, found
):
    store = opened(address)
    record = with_mean(make.record("7"))
    store.journal.append([make.keeping(1, record)])
    station, from_ms, to_ms = failed
    number, at_ms = record.findings[0].number, record.findings[0].monitored_by[0].measured_ms
    about = (Vouched(part_type=record.part_type, number=number),)
    mark = doubt(record, station=station, about=about, from_ms=at_ms + from_ms, to_ms=at_ms + to_ms)
    store.journal.append([make.entry(2, None, MarkSuspect(suspicion=mark))])

    assert suspect(store, suspect="yes") == ({"7": [number]} if found else {})
    assert suspect(store) == {"7": [number] if found else []}, "as worked out from the record"


def test_a_check_of_another_station_or_time_concerns_nothing(address, opened, make):
    store = opened(address)
    record = make.record("7")
    store.journal.append([make.keeping(1, record)])
    found = doubt(record)
    for seq, other in enumerate(
        (
            replace(found, station="elsewhere"),
            replace(found, from_ms=found.to_ms, to_ms=found.to_ms + 9),
            replace(found, about=(Vouched(part_type="other", number=found.about[0].number),)),
            replace(found, about=()),
        ),
        start=2,
    ):
        store.journal.append([make.entry(seq, None, MarkSuspect(suspicion=other))])

    assert suspect(store, suspect="yes") == {}
    assert suspect(store) == {"7": []}


def test_marks_are_there_after_a_restore(address, opened, make, tmp_path):
    _, found, early = written(opened(address), make)
    with open_archive(address) as archive:
        back_up(archive, tmp_path / "backup", datetime(2025, 11, 25, tzinfo=UTC))
    restored = f"{tmp_path}/restored.db"
    restore(tmp_path / "backup", restored, Acceptance(by="test", why="test", at_ms=9_000))

    with open_archive(restored) as archive:
        assert [kept.suspicion for kept in archive.records.suspicions()] == [found, early]
        assert suspect(archive, suspect="yes").keys() == {"7", "8"}
