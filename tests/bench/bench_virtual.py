"""Virtual time: the whole production core with modelled machines, and decide alone, beside a SimPy model of the same cell.

Rules of this file: ratios within one run, medians of three interleaved rounds, CPU time of the process. Nothing is asserted.
"""

import time
from collections.abc import Callable

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.scenarios import small_cell
from simulators.bench.world import World
from supervisor.core.decide import Core
from supervisor.core.draft import Draft
from supervisor.core.redeclare import blank_state
from supervisor.core.tables import CellTables
from tests.bench.figure import ROUNDS, Figure, Size, at_least, beside
from tests.bench.simpy_cell import SimpyCell

SHIFT_MS = 8 * 3_600_000
PALLETS: dict[Size, int] = {"full": 110, "smallest": 3}
EVERY_MS = SHIFT_MS // PALLETS["full"]
START_MS = 1_764_000_000_000


def whole_core(pallets: int) -> World:
    """So many pallets of a shift of the small cell in virtual time."""
    cell = small_cell()
    physics = physics_of(
        cell,
        pallets=pallets_for(cell, pallets, 3),
        arrivals_ms=[number * EVERY_MS for number in range(pallets)],
        bad_share=0.05,
    )
    world = World(cell, physics, seed=3, start_ms=START_MS)
    world.run(
        START_MS + 2 * SHIFT_MS, done=lambda w: len(w.records) == pallets and not w.state.pallets
    )
    assert len(world.records) == pallets
    return world


def decide_alone(world: World) -> None:
    """The same shift's facts through decide."""
    core = Core(small_cell())
    state = core.initial()
    for entry in world.journal.entries:
        state = core.decide(state, entry.event, entry.at_ms).state


def decide_nothing(world: World) -> None:
    """The same facts, each with a draft that is opened and closed again: what a decision costs that decides nothing."""
    tables = CellTables(small_cell())
    state = blank_state(tables)
    for entry in world.journal.entries:
        state = Draft(tables, state, entry.at_ms).close()


def simpy_model(pallets: int) -> None:
    """The same shift in SimPy."""
    assert SimpyCell(small_cell(), pallets, EVERY_MS).run() == pallets


def timed(run: Callable[[], object]) -> tuple[float, object]:
    """CPU seconds of a call, and what it returned."""
    begun = time.process_time()
    got = run()
    return time.process_time() - begun, got


def measure(size: Size) -> list[Figure]:
    """Shifts per CPU second of the whole core, and of decide alone, beside SimPy."""
    pallets = PALLETS[size]
    whole, decide, nothing, plain = [], [], [], []
    for _ in range(ROUNDS[size]):
        spent_s, world = timed(lambda: whole_core(pallets))
        assert isinstance(world, World)
        whole.append(1 / spent_s)
        decide.append(1 / timed(lambda world=world: decide_alone(world))[0])
        nothing.append(1 / timed(lambda world=world: decide_nothing(world))[0])
        plain.append(1 / timed(lambda: simpy_model(pallets))[0])
    simpy_shifts = ("the same cell in SimPy", plain)
    name = f"virtual time, shifts of {pallets} pallets per CPU second"
    return [
        beside(f"{name}, whole core and models", whole, "/s", simpy_shifts, at_least(0.5)),
        beside(f"{name}, decide alone", decide, "/s", simpy_shifts),
        beside(f"{name}, a decision that decides nothing", nothing, "/s", simpy_shifts),
    ]
