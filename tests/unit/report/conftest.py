"""Records of a whole virtual shift of the example cell, good parts and bad ones."""

from pathlib import Path

import pytest

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.trial import START_MS, finish
from simulators.bench.world import World
from supervisor.cell.load import load_cell
from supervisor.verdict.record import Record

PARTS = 6


@pytest.fixture(scope="session")
def records(repository: Path) -> tuple[Record, ...]:
    cell = load_cell(repository / "deploy/cells/vane-pumps").cell
    pallets = pallets_for(cell, PARTS, 7)
    physics = physics_of(cell, pallets=pallets, arrivals_ms=[0] * PARTS, bad_share=0.5)
    world = World(cell, physics, seed=7, start_ms=START_MS)
    finish(world, parts=PARTS)
    return tuple(world.records)


@pytest.fixture(scope="session")
def rejected(records) -> Record:
    return next(each for each in records if each.verdict == "nonconforming")
