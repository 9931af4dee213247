"""Records and questions about them, the same on both databases."""

from types import SimpleNamespace

import pytest

from supervisor.cell.value import replace
from supervisor.store import StoreError
from supervisor.store.records import FindingFilter, RecordFilter

pytestmark = pytest.mark.integration


@pytest.fixture
def kept(address, opened, make):
    """A store and a way to keep records, each in an entry of its own."""
    store = opened(address)

    def keep(*records):
        for record in records:
            store.journal.append([make.keeping(store.journal.head().seq + 1, record)])

    return SimpleNamespace(store=store, keep=keep, records=store.records)


def serials(page):
    return [kept.record.serial for kept in page.records]


def test_a_record_is_found_by_its_serial_number_with_the_entry_that_kept_it(kept, make):
    kept.keep(make.record("7"), make.record("8"))
    found = kept.records.latest("8")
    assert (found.record, found.seq) == (make.record("8"), 2)
    assert kept.records.latest("9") is None


def test_a_character_that_postgresql_cannot_keep_is_no_reason_to_keep_nothing(kept, make):
    """A station that fills its texts up with NUL stopped the whole cell, and a question with one looked like a database that is down."""
    seen = make.finding("12", 25.0104, "touch-1")
    padded = replace(seen, monitored_by=(replace(seen.decided_by, unit="mm\0\0"),))
    kept.keep(make.record("7", findings=(padded,), batch="B\0"))
    (found,) = kept.records.revisions("7")
    assert found.record.findings[0].monitored_by[0].unit == "mm\0\0", "the record has it as it was"
    assert serials(kept.records.page(RecordFilter(batch="B\0"), limit=9, after="")) == ["7"]
    assert kept.records.revisions("7\0") == ()
    assert kept.store.verify().fault is None


def test_a_later_revision_is_in_force_and_the_earlier_ones_stay(kept, make):
    first, second = make.record("7"), make.record("7", revision=2, verdict="nonconforming")
    kept.keep(first, second)
    assert kept.records.latest("7").record == second
    assert [k.record for k in kept.records.revisions("7")] == [second, first]


def test_a_part_that_comes_a_second_time_gets_a_record_of_its_own(kept, make):
    first, again = make.record("7", revision=3), make.record("7", entered_ms=99, decided_ms=120)
    kept.keep(first, again)
    assert kept.records.latest("7").record == again
    assert len(kept.records.page(RecordFilter()).records) == 2


def test_the_same_serial_number_of_two_part_types_are_two_parts(kept, make):
    kept.keep(make.record("7"), make.record("7", part_type="cam-ring"))
    assert kept.records.latest("7", part_type="cam-ring").record.part_type == "cam-ring"
    assert len(kept.records.revisions("7")) == 2


def test_the_same_record_again_is_kept_once(kept, make):
    kept.keep(make.record("7"), make.record("7"))
    assert [k.seq for k in kept.records.revisions("7")] == [1]
    assert kept.store.verify().fault is None


FILTERS = {
    "part type": (RecordFilter(part_type="cam-ring"), ["3"]),
    "batch": (RecordFilter(batch="B2"), ["4"]),
    "serial number": (RecordFilter(serial="2"), ["2"]),
    "verdict": (RecordFilter(verdict="nonconforming"), ["2"]),
    "station": (RecordFilter(station="ct-1"), ["4"]),
    "from": (RecordFilter(from_ms=30), ["4", "3"]),
    "to": (RecordFilter(to_ms=30), ["2", "1"]),
    "several at once": (RecordFilter(part_type="pump-body", from_ms=20, to_ms=40), ["2"]),
    "all revisions": (RecordFilter(serial="1", revisions="all"), ["1", "1"]),
    "nothing fits": (RecordFilter(batch="B9"), []),
}


@pytest.fixture
def some(kept, make):
    """Four parts that differ in one way each; part 1 has two revisions."""
    kept.keep(
        make.record("1", decided_ms=5),
        make.record("1", decided_ms=10, revision=2),
        make.record("2", decided_ms=20, verdict="nonconforming"),
        make.record("3", decided_ms=30, part_type="cam-ring"),
        make.record("4", decided_ms=40, batch="B2", findings=(make.finding("1", 1.0, "ct-1"),)),
    )
    return kept


@pytest.mark.parametrize("case", sorted(FILTERS))
def test_records_are_listed_by(some, case):
    wanted, expected = FILTERS[case]
    assert serials(some.records.page(wanted)) == expected
    assert some.records.count(wanted) == len(expected)


def test_pages_follow_each_other_without_gap_or_overlap_also_while_records_come_in(kept, make):
    kept.keep(*(make.record(str(n), decided_ms=n // 3) for n in range(10)))
    first = kept.records.page(RecordFilter(), limit=4)
    kept.keep(make.record("new", decided_ms=99))
    second = kept.records.page(RecordFilter(), limit=4, after=first.after)
    third = kept.records.page(RecordFilter(), limit=4, after=second.after)
    listed = serials(first) + serials(second) + serials(third)
    assert listed == [str(n) for n in range(9, -1, -1)]
    assert third.after == ""


@pytest.mark.parametrize("after", ["x", "1", "1-x", "-", "1;drop-2"])
def test_a_position_that_no_page_gave_is_refused(kept, after):
    with pytest.raises(StoreError) as caught:
        kept.records.page(RecordFilter(), after=after)
    assert caught.value.code == "page-unknown"


def test_the_findings_on_a_characteristic_come_in_the_order_of_measuring(kept, make):
    for serial, value, station, at_ms in (
        ("1", 25.01, "touch-1", 30),
        ("2", 25.02, "scan-1", 10),
        ("3", 25.03, "touch-1", 20),
        ("4", None, "", 0),
    ):
        kept.keep(make.record(serial, findings=(make.finding("12", value, station, at_ms),)))
    lines = kept.records.findings(FindingFilter(part_type="pump-body", number="12"))
    assert [(line.serial, line.value) for line in lines] == [
        ("2", 25.02),
        ("3", 25.03),
        ("1", 25.01),
    ]
    assert (lines[1].station, lines[1].unit, lines[1].verdict) == ("touch-1", "mm", "conforming")
    assert lines[1].seq == 3


def test_findings_are_narrowed_by_station_time_and_number(kept, make):
    for n in range(6):
        station = ("touch-1", "scan-1")[n % 2]
        kept.keep(make.record(str(n), findings=(make.finding("12", float(n), station, n),)))
    records = kept.records
    by_station = FindingFilter(
        part_type="pump-body", number="12", station="scan-1", from_ms=1, to_ms=5
    )
    assert [line.value for line in records.findings(by_station)] == [1.0, 3.0]
    everything = FindingFilter(part_type="pump-body", number="12")
    assert [line.value for line in records.findings(everything, limit=2)] == [4.0, 5.0]
    assert records.findings(FindingFilter(part_type="pump-body", number="13")) == ()


def test_only_the_record_in_force_counts_among_the_findings(kept, make):
    kept.keep(
        make.record("1", findings=(make.finding("12", 1.0, "touch-1"),)),
        make.record("1", revision=2, findings=(make.finding("12", 2.0, "touch-1"),)),
    )
    lines = kept.records.findings(FindingFilter(part_type="pump-body", number="12"))
    assert [line.value for line in lines] == [2.0]
