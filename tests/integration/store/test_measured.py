"""What a station measured, on both databases, and entries found by time and by words."""

import pytest

from supervisor.cell.value import replace
from supervisor.store import StoreError
from supervisor.store.measured import MeasuredFilter, measured

pytestmark = pytest.mark.integration
ALL = MeasuredFilter(station="touch-1", from_ms=0, to_ms=10_000)


@pytest.fixture
def store(address, opened, make):
    """Twelve parts measured by touch-1, each beside by ct-1; part 3 has a later revision without its value."""
    store = opened(address)
    for n in range(12):
        finding = make.finding("12", 25.0 + n / 1000, "touch-1", measured_ms=100 * (n // 2))
        beside = make.finding("12", 25.0, "ct-1", measured_ms=7).decided_by
        finding = replace(finding, monitored_by=(beside,))
        record = make.record(str(n), entered_ms=n, findings=(finding, make.finding("13", None, "")))
        store.journal.append([make.keeping(n + 1, record)])
    withdrawn = replace(finding, decided_by=None, monitored_by=(finding.decided_by, beside))
    later = make.record("11", entered_ms=11, revision=2, findings=(withdrawn,))
    store.journal.append([make.keeping(13, later)])
    return store


def paged(store, wanted, limit):
    lines, after = [], ""
    while True:
        page = measured(store.records.reader, wanted, limit=limit, after=after)
        lines += page.lines
        after = page.after
        if not after:
            return lines


@pytest.mark.parametrize("limit", [1, 5, 100])
def test_every_value_in_force_comes_once_in_the_order_of_time(store, limit):
    lines = paged(store, ALL, limit)
    assert sorted(line.serial for line in lines) == sorted(map(str, range(12)))
    assert [line.measured_ms for line in lines] == sorted(line.measured_ms for line in lines)
    roles = {line.serial: line.role for line in lines}
    assert roles["11"] == "monitored"
    assert roles["3"] == "decided"


def test_values_beside_the_deciding_one_belong_to_their_station(store):
    lines = paged(store, replace(ALL, station="ct-1"), 5)
    assert len(lines) == 12
    assert {line.role for line in lines} == {"monitored"}


def test_times_bound_the_measurement_from_inclusive_to_exclusive(store):
    lines = paged(store, replace(ALL, from_ms=100, to_ms=300), 100)
    assert sorted(line.measured_ms for line in lines) == [100, 100, 200, 200]


def test_a_position_that_no_page_gave_is_refused(store):
    with pytest.raises(StoreError) as caught:
        measured(store.records.reader, ALL, after="17")
    assert caught.value.code == "page-unknown"


def test_an_entry_is_found_by_its_time(address, opened, make):
    store = opened(address)
    store.journal.append(make.entries(1, 9))  # entry n at 1000 + n
    assert [store.journal.seq_at(at) for at in (0, 1_001, 1_005, 1_010)] == [1, 1, 5, 10]


def test_entries_are_found_by_their_words_and_kinds_within_a_range(address, opened, make):
    store = opened(address)
    store.journal.append(
        make.entries(1, 9)
    )  # started, observed scan-1, timer with the door of scan-1, again
    found = store.journal.mentioning(2, 8, ['"scan-1"'], [])
    assert [each.seq for each in found] == [2, 3, 5, 6, 8]
    found = store.journal.mentioning(1, 9, ["100%_"], ["SupervisorStarted"])
    assert [each.seq for each in found] == [1, 4, 7]
