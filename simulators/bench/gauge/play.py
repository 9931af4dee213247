"""One gauge study of a declared cell in virtual time, ordered and carried out as in a real cell.

Rules of this file:
- The pallets are put into the rack while the cell is paused, so that nothing is measured before the study is ordered; then it is ordered,
  then the cell may run. What happens from there on is the production core's own doing.
- When the study is over the world stops: its pallets would be inspected as ordinary parts from there on.
"""

from dataclasses import dataclass
from decimal import Decimal

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.world import World
from supervisor.cell.model import Cell, Program
from supervisor.cell.value import replace
from supervisor.core.events import CellOrdered, GaugeStudyOrdered
from supervisor.core.gauge import refusal
from supervisor.process.gauge_study import GaugeStudy, Reference

START_MS = 1_764_000_000_000
MINUTE_MS = 60_000
LONGEST_MS = 30 * 24 * 60 * MINUTE_MS
ADMISSION_MS_MAX = 30 * MINUTE_MS
"""How long the pallets may take to be put down and identified."""


class WrongStudy(Exception):  # noqa: N818 - it says what is wrong with what was asked
    """The study cannot be carried out as it was asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is asked for."""

    cell: Cell
    program: str
    parts: int
    loadings: int
    repeats: int
    seed: int


def program_of(cell: Cell, name: str) -> Program:
    """The declared program of a name.

    Raises:
        WrongStudy: there is none.
    """
    for program in cell.programs:
        if program.program == name:
            return program
    known = ", ".join(each.program for each in cell.programs)
    raise WrongStudy(f"the cell has no program {name}: expected one of {known}")


def play(wanted: Wanted) -> tuple[GaugeStudy, World]:
    """Carry a study out; the world as it stands afterwards tells the truth and where each pallet was carried.

    Raises:
        WrongStudy: it cannot be begun.
    """
    world = with_pallets(wanted)
    order = order_for(wanted, world)
    lacking = refusal(world.core.tables, world.state, order)
    if lacking:
        raise WrongStudy(lacking)
    world.tell(order)
    world.tell(CellOrdered(want="run", by="the study"))
    world.run(world.now_ms + LONGEST_MS, done=lambda w: w.state.studies[-1].end != "")
    return world.state.studies[-1], world


def with_pallets(wanted: Wanted) -> World:
    """A paused cell with the pallets of the study in its rack, identified.

    Raises:
        WrongStudy: the rack has not so many places.
    """
    cell = wanted.cell
    program = program_of(cell, wanted.program)
    racks = sum(place.kind == "rack" for place in cell.places)
    if wanted.parts > racks:
        raise WrongStudy(f"{wanted.parts} parts: the rack has {racks} places")
    alone = replace(
        cell, part_types=tuple(p for p in cell.part_types if p.part_type == program.part_type)
    )
    physics = physics_of(
        cell,
        pallets=pallets_for(alone, wanted.parts, wanted.seed),
        arrivals_ms=[START_MS] * wanted.parts,
        bad_share=0.0,
    )
    world = World(cell, physics, seed=wanted.seed, start_ms=START_MS)
    world.tell(CellOrdered(want="pause", by="the study"))
    world.run(START_MS + ADMISSION_MS_MAX, done=lambda w: _all_known(w, wanted.parts))
    return world


def _all_known(world: World, count: int) -> bool:
    return sum(p.stage == "planned" for p in world.state.pallets.values()) == count


def order_for(wanted: Wanted, world: World) -> GaugeStudyOrdered:
    """The order of a study over all pallets of a world; one part comes with its true values as calibrated ones."""
    program = program_of(wanted.cell, wanted.program)
    pallets = tuple(sorted(world.state.pallets))
    return GaugeStudyOrdered(
        pallets=pallets,
        station=program.station,
        program=program.program,
        loadings=wanted.loadings,
        repeats=wanted.repeats,
        references=_calibrated(world, program) if len(pallets) == 1 else (),
        by="the study",
    )


def _calibrated(world: World, program: Program) -> tuple[Reference, ...]:
    """The truth of the one part: a calibration without error."""
    (pallet,) = world.physics.pallets
    truth = world.models.parts.truth(pallet.part_type, pallet.serial)
    return tuple(
        Reference(number=cover.number, value=Decimal(repr(truth[cover.number])), u=Decimal(0))
        for cover in program.covers
    )
