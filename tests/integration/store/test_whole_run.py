"""A whole run of the production core over a real database: the journal, its records, replay, snapshots and restarts."""

import asyncio
from types import SimpleNamespace

import pytest

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.scenarios import small_cell
from simulators.bench.world import World
from supervisor.cell.canonical import cell_from_json, cell_to_json, with_digest
from supervisor.core.decide import Core
from supervisor.core.events import SupervisorStarted
from supervisor.core.state import CellState
from supervisor.shell.memory import MemorySnapshots
from supervisor.shell.outbox import outbox_for
from supervisor.shell.ports import Snapshot
from supervisor.shell.recovery import recover
from supervisor.shell.replay import fingerprint, replay
from supervisor.shell.runtime import Runtime, Wiring
from supervisor.store import open_archive

pytestmark = pytest.mark.integration

START_MS = 1_764_000_000_000
HOUR_MS = 3_600_000


@pytest.fixture(scope="module")
def world():
    """Three pallets through a cell in virtual time."""
    cell = with_digest(small_cell())
    physics = physics_of(
        cell, pallets=pallets_for(cell, 3, 7), arrivals_ms=[0, 0, 0], bad_share=0.0
    )
    world = World(cell, physics, seed=7, start_ms=START_MS)
    world.run(START_MS + 3 * HOUR_MS, done=lambda w: len(w.records) >= 3)
    return SimpleNamespace(
        cell=cell, entries=world.journal.entries, state=world.state, records=world.records
    )


@pytest.fixture
def kept(address, opened, world):
    """The run in a database, in batches of uneven size."""
    store = opened(address)
    store.declarations.keep(world.cell.digest, cell_to_json(world.cell))
    at = 0
    for size in range(1, 1_000):
        batch = world.entries[at : at + size]
        if not batch:
            break
        store.journal.append(batch)
        at += size
    return store


def deciders_of(archive):
    return lambda digest: Core(cell_from_json(archive.declarations.text(digest)))


def test_the_run_is_worth_looking_at(world):
    assert len(world.entries) > 100
    assert len({r.serial for r in world.records}) == 3


@pytest.mark.usefixtures("kept")
def test_the_journal_replays_without_a_difference_and_with_nothing_but_the_database(address, world):
    with open_archive(address) as archive:
        report = replay(deciders_of(archive), archive.journal.read(1))
        assert archive.verify().fault is None
    assert (report.entries, report.differences, report.broken) == (len(world.entries), 0, ())
    assert report.end_fingerprint == fingerprint(world.state)


def test_every_record_of_the_run_is_kept_equal(kept, world):
    for record in world.records:
        assert record in [k.record for k in kept.records.revisions(record.serial)]


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 1.0])
def test_a_snapshot_taken_anywhere_leads_to_the_same_state_as_the_whole_journal(kept, world, share):
    cut = max(1, int(len(world.entries) * share))
    early = SimpleNamespace(
        read=lambda seq: iter(world.entries[seq - 1 : cut]), head=kept.journal.head
    )
    before = recover(deciders_of(kept), early, MemorySnapshots())
    snapshots = kept.snapshots(CellState)
    last = world.entries[cut - 1]
    snapshots.keep(
        Snapshot(seq=cut, at_ms=last.at_ms, declaration=world.cell.digest, state=before.fold.state)
    )
    again = recover(deciders_of(kept), kept.journal, snapshots)
    assert again.folded == len(world.entries) - cut
    assert again.fold.state == world.state


class Silent:
    """A machine that is switched off."""

    def __init__(self, name):
        self.name = name
        self.given = []

    async def run(self, emit):
        """Unused."""

    def give(self, goal):
        self.given.append(goal)


@pytest.mark.parametrize("writer", ["inline", "thread"])
async def test_a_restarted_runtime_goes_on_behind_the_journal_with_a_larger_fence(
    kept, address, opened, world, writer
):
    kept.close()
    store = opened(address)
    recovered = recover(deciders_of(store), store.journal, store.snapshots(CellState))
    cell = world.cell
    names = [*(s.station for s in cell.stations), "handler", *(r.reader for r in cell.readers)]
    seen = []
    wiring = Wiring(
        journal=store.journal,
        snapshots=store.snapshots(CellState),
        clock=SimpleNamespace(now_ms=lambda: 0, real_s=lambda ms: ms / 1000),
        outbox=outbox_for(cell, [Silent(name) for name in names]),
        publisher=SimpleNamespace(publish=seen.append),
        writer=writer,
    )
    runtime = Runtime(recovered, wiring)
    started = SupervisorStarted(declaration=cell.digest, version="test", fence=store.fence)
    task = asyncio.create_task(runtime.run(started))
    async with asyncio.timeout(30):
        while not seen:  # noqa: ASYNC110 - published from the loop, no event to wait for
            await asyncio.sleep(0)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert seen[0].head.seq == len(world.entries) + 1
    assert seen[0].state.fence == 2
    assert seen[0].entries[0].at_ms == world.entries[-1].at_ms
    assert store.verify().fault is None
