"""Every condition of the interlock table is needed: dropped from its row, the exploration finds something wrong.

A few conditions are covered: wherever one of them fails, another rule keeps the goal back as well, so that its loss changes nothing.
That is shown, too: in no evaluation of its row during an exploration is such a condition the only one that fails, hence the core
without it decides the same in every state, and reaches the same states. ``MUTANTS`` and ``COVERED`` together are the whole table.
"""

from collections import Counter

import pytest

from simulators.bench.proof.__main__ import ONE_OF_ANY, TWO_OF_ANY, budget_of
from simulators.bench.proof.cells import CELLS
from simulators.bench.proof.explore import Explorer
from supervisor.core.interlocks import INTERLOCKS, Condition

pytestmark = [pytest.mark.timeout(300)]

Found = tuple[str, int, str]
"""Cell, pallets and budget of trouble in which a defect is found."""

LOSS_AND_HAND: Found = ("single", 1, "loss=1,hand=1")
LOSS_AND_LATE: Found = ("single", 1, "loss=1,late=1")

MUTANTS: dict[tuple[str, str], Found] = {
    ("door open", "station automatic"): LOSS_AND_HAND,
    ("door open", "station not held"): LOSS_AND_LATE,
    ("door open", "work not running"): ("two", 1, ""),
    ("door closed", "station automatic"): LOSS_AND_HAND,
    ("door closed", "handler clear"): ("single", 1, "restart=1"),
    ("program prepared", "station automatic"): LOSS_AND_HAND,
    ("program prepared", "station not held"): LOSS_AND_LATE,
    ("program prepared", "station quiet"): ("single", 2, ""),
    ("run started", "station automatic"): ("single", 1, "hand=1"),
    ("run started", "station not held"): ("single", 1, "late=1"),
    ("run started", "door closed"): ("two", 1, ""),
    ("run started", "handler clear"): ("single", 1, "loss=1"),
    ("run started", "nest holds the pallet of the run"): ("doorless", 1, "late=1"),
    ("run started", "station quiet"): ("single", 1, "restart=1,hand=1"),
    ("run started", "station fit to measure"): ("counting", 1, "restart=1,fault=1"),
    ("run started", "start not doubtful"): ("single", 1, "late=1,loss=1,hand=1"),
    ("run aborted", "station link up"): LOSS_AND_LATE,
    ("result acknowledged", "station link up"): ("single", 1, "restart=1"),
    ("fault cleared", "station link up"): ("single", 1, "loss=1,fault=1"),
    ("handler before a place", "handler automatic"): LOSS_AND_HAND,
    ("handler before a place", "handler not held"): LOSS_AND_LATE,
    ("handler into a station", "handler automatic"): LOSS_AND_HAND,
    ("handler into a station", "handler not held"): ("single", 1, "restart=1"),
    ("handler into a station", "jaws as expected"): ("doorless", 1, "loss=1,hand=1"),
    ("handler into a station", "station automatic"): LOSS_AND_HAND,
    ("handler into a station", "station not held"): ("doorless", 1, "late=1,loss=1"),
    ("handler into a station", "door open"): ("two", 1, ""),
    ("handler into a station", "work not running"): ("doorless", 1, "restart=1,hand=1"),
    ("handler into a station", "nest as expected"): LOSS_AND_HAND,
    ("handler at a place", "handler automatic"): LOSS_AND_HAND,
    ("handler at a place", "handler not held"): LOSS_AND_LATE,
    ("handler at a place", "jaws as expected"): LOSS_AND_HAND,
    ("handler at a place", "place as expected"): ("single", 2, "hand=1"),
    ("handler at a place", "tag proven"): ("single", 1, "restart=1,hand=1"),
    ("tag read", "pallet seen there"): ("single", 1, "loss=1"),
}
"""Each condition that something goes wrong without, and where that shows."""

UNKNOWN = "an image of a lost connection has no mode, and unknown is not automatic"

COVERED: dict[tuple[str, str], str] = {
    ("door open", "station link up"): UNKNOWN,
    ("door closed", "station link up"): UNKNOWN,
    ("program prepared", "station link up"): UNKNOWN,
    ("run started", "station link up"): UNKNOWN,
    ("run started", "prepared program belongs to the part type"): "a start is made out on an image "
    "that shows the program, and one that goes out again waits for 'start not doubtful'",
    ("handler before a place", "handler link up"): UNKNOWN,
    ("handler into a station", "handler link up"): UNKNOWN,
    ("handler into a station", "station link up"): UNKNOWN,
    ("handler into a station", "station not taken"): "the one handler has one order at a time, and "
    "is held when an order ends inside",
    ("handler at a place", "handler link up"): UNKNOWN,
    ("handler at a place", "outfeed matches the verdict"): "routing offers a part no other outfeed",
    ("tag read", "reader link up"): "a place behind a lost connection does not read occupied",
}
"""Each condition that another rule covers, and which."""

PAIRS: dict[tuple[tuple[str, str], ...], Found] = {
    (
        ("run started", "prepared program belongs to the part type"),
        ("run started", "start not doubtful"),
    ): ("single", 1, "restart=1,hand=1"),
    (
        ("handler before a place", "handler link up"),
        ("handler before a place", "handler automatic"),
    ): ("single", 1, "loss=1"),
    (
        ("door closed", "station link up"),
        ("door closed", "station automatic"),
    ): ("single", 1, "loss=1"),
    (
        ("tag read", "reader link up"),
        ("tag read", "pallet seen there"),
    ): ("single", 1, "loss=1"),
}
"""What covers a condition dropped with it."""


def drop(monkeypatch, row: str, condition: str) -> None:
    left = tuple(each for each in INTERLOCKS[row] if each.name != condition)
    assert len(left) < len(INTERLOCKS[row])
    monkeypatch.setitem(INTERLOCKS, row, left)


def explored(found: Found):
    cell, pallets, budget = found
    report = Explorer(CELLS[cell](pallets), budget_of(budget)).explore()
    assert report.closed or report.finding is not None
    return report


def test_every_condition_of_every_row_is_a_mutant_or_covered():
    table = [(row, each.name) for row, conditions in INTERLOCKS.items() for each in conditions]
    assert sorted(table) == sorted([*MUTANTS, *COVERED])


def with_no_condition_missing():
    for found in sorted({*MUTANTS.values(), *PAIRS.values()}):
        long = budget_of(found[2]).total > TWO_OF_ANY.total
        yield pytest.param(found, marks=[pytest.mark.soak] if long else [], id=str(found))


@pytest.mark.parametrize("found", list(with_no_condition_missing()))
def test_nothing_is_found_while_no_condition_is_missing(found):
    assert explored(found).finding is None


@pytest.mark.parametrize(("row", "condition"), MUTANTS, ids=str)
def test_a_missing_condition_is_found(monkeypatch, row, condition):
    drop(monkeypatch, row, condition)
    assert explored(MUTANTS[row, condition]).finding is not None


@pytest.mark.parametrize("pair", PAIRS, ids=str)
def test_a_condition_missing_together_with_what_covers_it_is_found(monkeypatch, pair):
    for row, condition in pair:
        drop(monkeypatch, row, condition)
    assert explored(PAIRS[pair]).finding is not None


class Watch:
    """Counts for each condition how often it failed, and how often it was the only one of its row."""

    def __init__(self, monkeypatch) -> None:
        self.failed: Counter[tuple[str, str]] = Counter()
        self.alone: Counter[tuple[str, str]] = Counter()
        for row, conditions in list(INTERLOCKS.items()):
            monkeypatch.setitem(INTERLOCKS, row, (self._watching(row, conditions), *conditions))

    def _watching(self, row: str, conditions: tuple[Condition, ...]) -> Condition:
        def holds(draft, goal) -> bool:
            unmet = [each.name for each in conditions if not each.holds(draft, goal)]
            self.failed.update((row, name) for name in unmet)
            if len(unmet) == 1:
                self.alone[row, unmet[0]] += 1
            return True

        return Condition(name="watch", text="", holds=holds)


NEVER_FAILS = {
    ("handler into a station", "station not taken"),
    ("handler at a place", "outfeed matches the verdict"),
}


def look_for_covered_ones(monkeypatch, cell, pallets, budget) -> Counter[tuple[str, str]]:
    watch = Watch(monkeypatch)
    report = Explorer(CELLS[cell](pallets), budget).explore()
    assert report.closed
    assert report.finding is None
    assert {name for name in COVERED if watch.alone[name]} == set()
    assert {name for name in NEVER_FAILS if watch.failed[name]} == set()
    return watch.failed


def test_a_covered_condition_is_never_the_only_one_that_fails(monkeypatch):
    failed = look_for_covered_ones(monkeypatch, "single", 2, ONE_OF_ANY)
    rare = {("run started", "prepared program belongs to the part type")}
    assert all(failed[name] for name in set(COVERED) - NEVER_FAILS - rare)


@pytest.mark.soak
@pytest.mark.parametrize("cell", ["single", "counting", "doorless", "swap"])
def test_a_covered_condition_is_never_the_only_one_that_fails_under_more_trouble(monkeypatch, cell):
    look_for_covered_ones(monkeypatch, cell, 1, TWO_OF_ANY)
