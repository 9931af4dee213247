"""What the core keeps of corrections at the machines that make the parts: the last one of each offset, and nothing is sent."""

from decimal import Decimal

import pytest

from supervisor.cell.load import load_cell
from supervisor.cell.value import replace
from supervisor.core.decide import Core
from supervisor.core.events import (
    AdviceDeclined,
    HistoryLost,
    ProcessCorrected,
    SupervisorStarted,
)

KEY = "pump-body/rotor-bore"
AT_MS = 1_764_000_000_000


@pytest.fixture(scope="module")
def core(repository):
    return Core(load_cell(repository / "deploy/cells/vane-pumps").cell)


@pytest.fixture
def state(core):
    start = SupervisorStarted(declaration=core.tables.cell.digest, version="1", fence=1)
    return core.decide(core.initial(), start, AT_MS).state


def corrected(number, amount="0.004", **changes):
    plain = ProcessCorrected(
        part_type="pump-body", offset="rotor-bore", number=number, amount=Decimal(amount), advice="", by="M. Weaver",
        why="", expected=(),
    )  # fmt: skip
    return replace(plain, **changes)


def declined():
    return AdviceDeclined(
        part_type="pump-body", offset="rotor-bore", advice="a", by="M. Weaver", why="tool change"
    )


def after(core, state, *events):
    for at, event in enumerate(events):
        decision = core.decide(state, event, AT_MS + 1000 * (at + 1))
        assert decision.commands == ()
        assert core.broken(decision.state) == ()
        state = decision.state
    return state


def test_corrections_are_counted_and_added_up_and_nothing_is_sent(core, state):
    known = after(core, state, corrected(1), corrected(2, "-0.001")).tool_offsets[KEY]
    assert (known.corrected.number, known.corrected.total) == (2, Decimal("0.003"))
    assert known.corrected.at_ms == AT_MS + 2000


@pytest.mark.hazard(44)
def test_a_correction_that_was_decided_on_something_older_changes_nothing(core, state):
    once = after(core, state, corrected(1))
    assert after(core, once, corrected(1, "-0.007")) == once
    assert after(core, once, corrected(3)) == once


def test_an_offset_that_nobody_declared_changes_nothing(core, state):
    assert after(core, state, corrected(1, offset="x"), corrected(1, part_type="y")) == state


def test_what_was_declined_is_known_until_the_next_correction(core, state):
    told = after(core, state, corrected(1), declined())
    assert told.tool_offsets[KEY].declined.why == "tool change"
    assert told.tool_offsets[KEY].corrected.number == 1
    assert after(core, told, corrected(2)).tool_offsets[KEY].declined is None


@pytest.mark.hazard(44)
def test_after_history_is_lost_no_evidence_from_before_is_used(core, state):
    """Which corrections the lost entries held, nobody knows."""
    lost = HistoryLost(by="M. Weaver", why="backup", seen="", lost_from=7, lost_to=0, orphans=())
    known = core.decide(state, lost, AT_MS + 5000).state.tool_offsets
    assert {each.corrected.at_ms for each in known.values()} == {AT_MS + 5000}
    assert KEY in known


def test_an_offset_that_is_no_longer_declared_is_forgotten(core, state):
    told = after(core, state, corrected(1))
    cell = core.tables.cell
    bare = replace(
        cell,
        digest="other",
        part_types=tuple(
            replace(p, tool_offsets=(), plan=tuple(replace(c, answers=()) for c in p.plan))
            for p in cell.part_types
        ),
    )
    start = SupervisorStarted(declaration="other", version="1", fence=2)
    assert Core(bare).decide(told, start, AT_MS + 9000).state.tool_offsets == {}
