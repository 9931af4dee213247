"""A state of the small cell with every kind of thing in it, from modelled machines."""

import pytest

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.scenarios import small_cell
from simulators.bench.world import World
from supervisor.api.waits import Now

START_MS = 1_764_000_000_000


@pytest.fixture
def world() -> World:
    """Six pallets put down at the start, nothing done yet."""
    cell = small_cell()
    pallets = pallets_for(cell, 6, seed=7)
    physics = physics_of(cell, pallets=pallets, arrivals_ms=[0] * 6, bad_share=0.0)
    return World(cell, physics, seed=7, start_ms=START_MS)


@pytest.fixture
def seen_from():
    """The view of a world as it is now."""

    def make(world: World) -> Now:
        return Now(core=world.core, state=world.state, at_ms=world.now_ms, choice=None)

    return make
