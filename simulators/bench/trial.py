"""The small cell in virtual time, and what is wrong with how it went.

Rules of this file: whether all is well is judged by the machines' own account, never by what the core believes.
"""

from collections.abc import Callable, Sequence
from typing import Literal, TypeVar

from simulators.bench.checks import findings
from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.scenarios import small_cell
from simulators.bench.world import World
from simulators.models.physics import Physics
from supervisor.cell.model import Cell

T = TypeVar("T")

START_MS = 1_764_000_000_000
DAY_MS = 24 * 3_600_000


def as_it_is(anything: T) -> T:
    """Nothing is changed."""
    return anything


def small_world(
    *,
    pallets: int = 3,
    jaws: Literal[1, 2] = 2,
    seed: int = 7,
    bad_share: float = 0.0,
    declared: Callable[[Cell], Cell] = as_it_is,
    built: Callable[[Physics], Physics] = as_it_is,
) -> World:
    """A world of the small cell with so many pallets, part types in turn, put down at the start.

    ``declared`` may change the declaration, ``built`` the machines, the pallets and when they come.
    """
    cell = declared(small_cell(jaws=jaws))
    physics = physics_of(
        cell,
        pallets=pallets_for(cell, pallets, seed),
        arrivals_ms=[0] * pallets,
        bad_share=bad_share,
    )
    return World(cell, built(physics), seed=seed, start_ms=START_MS)


def finish(world: World, *, parts: int) -> None:
    """Let time pass until so many records are kept and nothing is left in the cell, or for a day."""

    def over(_: World) -> bool:
        gone = not world.state.pallets and not world.models.operator.waiting
        return gone and len(world.records) >= parts

    world.run(world.now_ms + DAY_MS, done=over)


def serials(world: World) -> list[str]:
    """The serial numbers of all parts that come into the cell."""
    return sorted(pallet.serial for pallet in world.physics.pallets)


def troubles(world: World, *, parts: Sequence[str]) -> list[str]:
    """Everything that went wrong, in words; ``parts`` are the serial numbers that should have exactly one record."""
    found = [f"{v.who}: {v.text}" for v in world.floor.violations]
    found += [
        f"run {run} was begun {count} times" for run, count in world.starts.items() if count > 1
    ]
    return found + findings(world.cell, world.records, world.floor.witnessed, parts)
