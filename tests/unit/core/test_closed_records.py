"""What people do with closed records: an amendment is kept, and touches nothing of the cell."""

import pytest

from simulators.bench.trial import finish
from supervisor.cell.value import replace
from supervisor.core.commands import StoreRecord
from supervisor.core.events import RecordAmended, RecordSigned

LATER_MS = 60_000


@pytest.fixture
def closed(a_world):
    """A world in which a part had its record and left, that record amended, and a pallet as it stood in the cell before."""
    world = a_world()
    world.run(world.now_ms + LATER_MS)
    pallet = next(iter(world.state.pallets.values()))
    finish(world, parts=1)
    amended = replace(world.records[0], revision=9)
    return world, RecordAmended(by="M. Weaver", why="tag", changes=(), record=amended), pallet


def decided(world, state, event):
    return world.core.decide(state, event, world.now_ms + LATER_MS)


def without(state, record):
    pallets = {n: p for n, p in state.pallets.items() if p.serial != record.serial}
    return replace(state, pallets=pallets)


def test_the_amended_record_is_kept_and_the_cell_stays_as_it_is(closed):
    world, event, _ = closed
    state = without(world.state, event.record)
    decision = decided(world, state, event)
    assert decision.commands == (StoreRecord(record=event.record),)
    assert decision.state.pallets == state.pallets


def test_while_the_part_is_in_the_cell_its_revisions_are_the_cells_own(closed):
    world, event, before = closed
    pallet = replace(
        before,
        serial=event.record.serial,
        part_type=event.record.part_type,
        entered_ms=event.record.entered_ms,
    )
    state = replace(world.state, pallets={**world.state.pallets, pallet.pallet: pallet})
    kept = [c for c in decided(world, state, event).commands if isinstance(c, StoreRecord)]
    assert kept == []


def test_a_signature_changes_nothing_but_the_journal(closed):
    world, event, _ = closed
    record = event.record
    signed = RecordSigned(
        serial=record.serial, part_type=record.part_type, entered_ms=record.entered_ms, revision=record.revision,
        record_sha256="0" * 64, by="R. Miller", meaning="approval",
    )  # fmt: skip
    decision = decided(world, world.state, signed)
    assert decision.commands == ()
    assert decision.state == world.state
