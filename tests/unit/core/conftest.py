"""A small cell in virtual time for tests of the core: the production core, modelled machines."""

from collections.abc import Callable
from typing import Literal

import pytest

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.scenarios import small_cell
from simulators.bench.world import World

START_MS = 1_764_000_000_000
HOUR_MS = 3_600_000


@pytest.fixture
def a_world() -> Callable[..., World]:
    """Makes a world: ``pallets`` of part types in turn, all put down at the start."""

    def make(
        *,
        pallets: int = 3,
        jaws: Literal[1, 2] = 2,
        racks: int = 12,
        seed: int = 7,
        bad_share: float = 0.0,
    ) -> World:
        cell = small_cell(jaws=jaws, racks=racks)
        physics = physics_of(
            cell,
            pallets=pallets_for(cell, pallets, seed),
            arrivals_ms=[0] * pallets,
            bad_share=bad_share,
        )
        return World(cell, physics, seed=seed, start_ms=START_MS)

    return make
