# ruff: noqa: T201
"""Virtual time: the whole production core with modelled machines, and decide alone, beside a SimPy model of the same cell.

Rules of this file: ratios within one run, medians of three interleaved rounds, CPU time of the process. Nothing is asserted.
"""

import random
import statistics
import time
from collections.abc import Callable

import simpy

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.scenarios import small_cell
from simulators.bench.world import World
from supervisor.core.decide import Core

SHIFT_MS = 8 * 3_600_000
PALLETS = 110
EVERY_MS = SHIFT_MS // PALLETS
ROUNDS = 3
START_MS = 1_764_000_000_000


def whole_core() -> World:
    """One shift of the small cell in virtual time."""
    cell = small_cell()
    pallets = pallets_for(cell, PALLETS, 3)
    physics = physics_of(
        cell, pallets=pallets, arrivals_ms=[n * EVERY_MS for n in range(PALLETS)], bad_share=0.05
    )
    world = World(cell, physics, seed=3, start_ms=START_MS)
    world.run(
        START_MS + 2 * SHIFT_MS, done=lambda w: len(w.records) == PALLETS and not w.state.pallets
    )
    assert len(world.records) == PALLETS
    return world


def decide_alone(world: World) -> None:
    """The same shift's facts through decide."""
    core = Core(small_cell())
    state = core.initial()
    for entry in world.journal.entries:
        state = core.decide(state, entry.event, entry.at_ms).state


def simpy_model() -> int:
    """The same cell, programs, handler and arrivals as plain SimPy processes: first come, first served."""
    env = simpy.Environment()
    robot = simpy.Resource(env, 1)
    stations = {name: simpy.Resource(env, 1) for name in ("scan-1", "touch-1")}
    draw = random.Random(3)
    finished: list[float] = []
    door_ms, travel_ms, stop_ms = 3_500, 2_000, 4_000

    def carry() -> simpy.events.ProcessGenerator:
        with robot.request() as arm:
            yield arm
            yield env.timeout(travel_ms)
            yield env.timeout(stop_ms)
            yield env.timeout(travel_ms)
            yield env.timeout(stop_ms)

    def pallet(at_ms: int) -> simpy.events.ProcessGenerator:
        yield env.timeout(at_ms)
        for name, run_ms in (("scan-1", 90_000), ("touch-1", 240_000)):
            with stations[name].request() as nest:
                yield nest
                yield env.timeout(door_ms)
                yield from carry()
                yield env.timeout(door_ms)
                yield env.timeout(run_ms * draw.gauss(1.0, 0.02))
                yield env.timeout(door_ms)
        yield from carry()
        finished.append(env.now)

    for number in range(PALLETS):
        env.process(pallet(number * EVERY_MS))
    env.run()
    return len(finished)


def timed(run: Callable[[], object]) -> tuple[float, object]:
    """CPU seconds of a call, and what it returned."""
    begun = time.process_time()
    got = run()
    return time.process_time() - begun, got


def main() -> None:
    """Print the figures with their denominator from the same rounds."""
    whole: list[float] = []
    decide: list[float] = []
    plain: list[float] = []
    entries = 0
    for _ in range(ROUNDS):
        cpu_s, world = timed(whole_core)
        assert isinstance(world, World)
        entries = len(world.journal.entries)
        whole.append(cpu_s)
        decide.append(timed(lambda world=world: decide_alone(world))[0])
        plain.append(timed(simpy_model)[0])
    whole_s, decide_s, plain_s = (statistics.median(each) for each in (whole, decide, plain))
    print(
        f"virtual time: one shift, {PALLETS} pallets, {entries} facts; medians of {ROUNDS} rounds, CPU time"
    )
    print(
        f"  whole core and models  {1 / whole_s:8.2f} shifts/s   ratio to SimPy {plain_s / whole_s:.4f}"
    )
    print(
        f"  decide alone           {1 / decide_s:8.2f} shifts/s   ratio to SimPy {plain_s / decide_s:.4f}   {entries / decide_s:,.0f} facts/s"
    )
    print(
        f"  SimPy                  {1 / plain_s:8.2f} shifts/s   (first come, first served; denominator)"
    )


if __name__ == "__main__":
    main()
