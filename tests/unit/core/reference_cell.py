"""The small cell with a reference part that checks touch-1, and worlds of it.

Rules of this file: the calibrated values are the simulators' truth, which no rule of the core knows.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from dataclasses import replace as changed
from decimal import Decimal
from typing import Any, Literal

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.scenarios import small_cell
from simulators.bench.trial import as_it_is
from simulators.bench.world import World
from simulators.models.part import Parts
from simulators.models.physics import Pallet
from supervisor.cell.model import (
    Cell,
    CheckRule,
    Coverage,
    PartType,
    Program,
    Reference,
    ReferenceValue,
    Vouched,
)
from supervisor.cell.value import replace

START_MS = 1_764_000_000_000
SERIAL = "7"
MASTER = "grai:0614141.12345.99"
SEED = 7
KINDS = ("cam-ring", "port-plate", "pump-body")


def rule(**wishes: object) -> CheckRule:
    """Every three runs, in grace for a day, failed by two runs in a row, unless wished otherwise."""
    plain = CheckRule(
        station="touch-1",
        every_ms=0,
        every_runs=3,
        after=(),
        kelvin=None,
        grace_ms=24 * 3_600_000,
        runs_to_fail=2,
    )
    return replace(plain, **wishes)


def with_master(
    cell: Cell,
    values: tuple[ReferenceValue, ...],
    check: CheckRule,
    stations: tuple[str, ...] = ("touch-1",),
    **about: str,
) -> Cell:
    """A cell with the master ring, which these stations are checked with in a minute."""
    plan = cell.part_types[0].plan[:2]
    measures = [_program(station) for station in stations]
    master = PartType(
        part_type="master",
        title="master ring",
        gtin="00614141000043",
        revision="A",
        plan=plan,
        reference=Reference(
            serial=about.get("serial", SERIAL),
            certificate="K-9",
            due=about.get("due", "2026-12-31"),
            values=values,
            checks=tuple(replace(check, station=station) for station in stations),
        ),
    )
    types = sorted((*cell.part_types, master), key=lambda part: part.part_type)
    programs = sorted((*cell.programs, *measures), key=lambda each: each.program)
    return replace(cell, digest="with master", part_types=tuple(types), programs=tuple(programs))


def _program(station: str) -> Program:
    return Program(
        program=f"master@{station}",
        station=station,
        part_type="master",
        name=f"master-{station}",
        number=99,
        revision="1",
        covers=tuple(
            Coverage(number=number, expanded_u=Decimal("0.0015"), k=Decimal(2))
            for number in ("1", "2")
        ),
        part_free_ms=60_000,
        result_ms=60_000,
    )


def a_value(number: str, value: str, *vouched: str, u: str = "0.0002") -> ReferenceValue:
    """A calibrated value that vouches for characteristics of these numbers of every part type."""
    return ReferenceValue(
        number=number,
        value=Decimal(value),
        expanded_u=Decimal(u),
        k=Decimal(2),
        vouches_for=tuple(
            Vouched(part_type=kind, number=each) for kind in KINDS for each in vouched
        ),
    )


@dataclass(frozen=True, kw_only=True)
class Wishes:
    """A world: so many parts, one each ``every_ms``, and the master ring in the rack before them or not at all.

    ``vouch`` is the number that all calibrated values vouch for ("" = each for its own). ``declared`` may change the declaration.
    """

    parts: int = 9
    check: CheckRule = field(default_factory=rule)
    every_ms: int = 60_000
    seed: int = SEED
    jaws: Literal[1, 2] = 2
    master: Literal["there", "missing"] = "there"
    take_after_ms: int = 20_000
    stations: tuple[str, ...] = ("touch-1",)
    vouch: str = ""
    declared: Callable[[Cell], Cell] = as_it_is
    about: dict[str, str] = field(default_factory=dict[str, str])


def world_of(**wishes: Any) -> World:
    """The world that is wished for. Its values "1" and "2" vouch for the same numbers of every part type."""
    wish = Wishes(**wishes)
    small = wish.declared(small_cell(jaws=wish.jaws))
    plain = with_master(small, (), wish.check, wish.stations, **wish.about)
    drawn = physics_of(
        plain,
        pallets=pallets_for(small_cell(), wish.parts, wish.seed),
        arrivals_ms=[START_MS + (1 + at) * wish.every_ms for at in range(wish.parts)],
        bad_share=0.0,
    )
    operator = changed(drawn.operator, take_after_ms=wish.take_after_ms)
    physics = changed(drawn, operator=operator)
    truth = Parts(physics, seed=wish.seed).truth("master", SERIAL)
    values = tuple(
        a_value(number, f"{truth[number]:.6f}", wish.vouch or number) for number in ("1", "2")
    )
    cell = with_master(small, values, wish.check, wish.stations, **wish.about)
    world = World(cell, physics, seed=wish.seed, start_ms=START_MS)
    if wish.master == "there":
        bring_master(world)
    return world


def bring_master(world: World) -> None:
    """A person puts the master ring into the rack."""
    world.physics.pallet[MASTER] = Pallet(
        pallet=MASTER,
        part_type="master",
        serial=SERIAL,
        batch="M",
        produced="2025-11-01T00:00:00Z",
    )
    place = next(
        name
        for name, state in sorted(world.state.places.items())
        if name.startswith("rack") and not state.pallet and not state.reserved
    )
    assert world.floor.set_down(place, MASTER)
    world.look()
