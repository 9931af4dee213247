"""Cells and shifts drawn from a seed, for the campaign.

Rules of this file:
- A drawn cell is one that an integrator could declare: every mandatory characteristic has a capable program (but for a rare gap, which
  the cell has to notice), every sorting an outfeed, every limit is longer than what it limits.
- Nothing here is a measured cell: positions, speeds and durations are invented.
- Each question has a generator of its own (``chance``), so that one answer never shifts the others.
"""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from random import Random
from typing import Literal

from simulators.bench.parts import pallets_for, physics_of
from simulators.bench.random_trust import gtin_of, ordinary, reference_pallets, trusted
from simulators.bench.scenarios import Q_MAX
from simulators.models.chance import chance
from simulators.models.physics import Pallet, Physics
from supervisor.cell import value
from supervisor.cell.model import (
    Cell,
    Characteristic,
    Coverage,
    DecisionRule,
    Handler,
    PartType,
    Place,
    Program,
    Reach,
    Reader,
    Routing,
    Soak,
    Sorting,
    Station,
    left_waiting,
)

RAIL_MM = 12_000
HOUR_MS = 3_600_000
KINDS = ("ct", "optical", "tactile")
STATIONS = (1, 1, 2, 2, 3, 3, 4, 5, 6, 8)
PART_TYPES = (1, 1, 2, 2, 3, 4)
PALLETS_MAX = 30
ORDERED_SHARE = 0.35
"""Share of plans that want an order, if the programs drawn can keep the one drawn."""
ENDING_SHARE = 0.35
"""Share of plans that end with the first proven nonconformity."""
SOAKING_SHARE = 0.15
SOAK_MINUTES = (1, 5, 20)
"""Share of part types that soak in the cell before they are measured, and how long."""
INFEED_SHARE = 0.25
"""Share of cells where pallets come in on a conveyor; as many rack places as chance has it are left, sometimes none."""
LOOK_AHEAD_STEPS = (0, 40, 200, 1_000)
LOOK_AHEAD_WEIGHTS = (75, 10, 10, 5)
FED_LOOK_AHEAD_WEIGHTS = (25, 5, 30, 40)
"""With how many steps cells look ahead, and how often, without an infeed and with one: there many steps are needed before look-ahead decides."""
GAP_SHARE = 0.03
"""Share of cells with a mandatory characteristic that no program is good enough for."""


def random_cell(seed: int) -> Cell:
    """A cell with 1 to 8 stations, 1 or 2 jaws, 1 to 4 part types of 1 to 8 characteristics each."""
    draw = chance("cell", seed)
    stations = _stations(chance("stations", seed))
    part_types, programs = _work(chance("work", seed), stations)
    cell = Cell(
        cell=f"drawn-{seed}",
        title=f"Cell of seed {seed}",
        digest=f"drawn-{seed}",
        handler=_handler(draw),
        stations=stations,
        places=_places(draw),
        readers=(
            Reader(
                reader="rack",
                url="opc.tcp://127.0.0.1:48405",
                profile="rack-reader",
                answer_ms_max=draw.choice((5_000, 20_000, 60_000)),
            ),
        ),
        part_types=part_types,
        programs=programs,
        rule=DecisionRule(rule="ISO 14253-1:2017", guard_factor=Decimal("1.65")),
    )
    ordered = _ordered(cell, chance("order", seed))
    ending = _ending(ordered, chance("ending", seed))
    whole = trusted(_soaking(ending, chance("soaking", seed)), seed)
    fed = _fed(whole, chance("infeed", seed))
    return _looking_ahead(fed, chance("look-ahead", seed))


def random_shift(cell: Cell, seed: int, *, pallets: int, hours: float, start_ms: int) -> Physics:
    """The machines and pallets of a shift: pallets come all the time, in any order; at most as many as drawn for the seed.

    Reference parts come besides, as early or late as chance has it.
    """
    draw = chance("shift", seed)
    drawn = min(PALLETS_MAX, draw.randint(2, 8) + round(draw.random() * 4 * hours))
    every = pallets_for(ordinary(cell), min(pallets, drawn) if pallets else drawn, seed)
    together = draw.random() < 0.3  # noqa: PLR2004 - some shifts begin with a heap of pallets
    span_ms = round(hours * HOUR_MS)
    arrivals = [start_ms + (0 if together else draw.randrange(span_ms)) for _ in range(PALLETS_MAX)]
    kept = reference_pallets(cell)
    physics = physics_of(
        cell,
        pallets=(*every, *kept),
        arrivals_ms=[*arrivals[: len(every)], *(start_ms for _ in kept)],
        bad_share=draw.uniform(0.0, 0.3),
    )
    return replace(
        physics, operator=replace(physics.operator, take_after_ms=draw.randrange(5_000, 120_000))
    )


def with_tags(physics: Physics, tags: dict[str, str]) -> Physics:
    """The same with other tags (hexadecimal text by pallet) than the right ones."""
    pallets: Sequence[Pallet] = [
        replace(each, tag=tags.get(each.pallet, each.tag)) for each in physics.pallets
    ]
    return replace(physics, pallets=tuple(pallets))


def drawn_hours(seed: int) -> float:
    """How long the troubled part of a seed's shift lasts."""
    draw = chance("hours", seed)
    return draw.choice((1.0, 1.0, 2.0, 2.0, 2.0, 3.0, 4.0, 8.0))


# --- machines and places ----------------------------------------------------------------------------------------------------------


def _stations(draw: Random) -> tuple[Station, ...]:
    kinds = [draw.choice(KINDS) for _ in range(draw.choice(STATIONS))]
    return tuple(
        Station(
            station=f"station-{number}",
            title=f"Station {number}",
            kind=kind,
            url=f"opc.tcp://127.0.0.1/station-{number}",
            profile=kind,
            at_mm=draw.randrange(2_500, RAIL_MM - 2_500, 100),
            door_ms_max=draw.choice((20_000, 30_000, 60_000)),
            start_ms_max=draw.choice((15_000, 30_000, 60_000)),
            late_factor=Decimal(draw.choice(("1.2", "1.5", "3"))),
        )
        for number, kind in enumerate(kinds, start=1)
    )


def _handler(draw: Random) -> Handler:
    hands_ms = draw.randrange(2_000, 6_000, 500)
    jaws: Literal[1, 2] = draw.choice((1, 2))
    return Handler(
        handler="handler",
        url="opc.tcp://127.0.0.1:48404",
        profile="handler-orders",
        jaws=jaws,
        rail_from_mm=0,
        rail_to_mm=RAIL_MM,
        speed_mm_s=draw.randrange(600, 2_000, 100),
        pick_ms=hands_ms,
        put_ms=hands_ms,
        swap_ms=round(hands_ms * draw.uniform(1.2, 1.9)),
        move_ms_max=draw.choice((40_000, 60_000, 120_000)),
        settle_ms_max=draw.choice((10_000, 30_000)),
    )


def _places(draw: Random) -> tuple[Place, ...]:
    racks = [
        _place(f"rack-{number:02d}", "rack", "", 100 * number, number)
        for number in range(1, draw.randint(2, 14) + 1)
    ]
    each: tuple[Sorting, ...] = ("conforming", "nonconforming", "hold")
    more: list[Sorting] = [draw.choice(each) for _ in range(draw.randint(0, 3))]
    sortings: tuple[Sorting, ...] = (*each, *more)
    outfeeds = [
        _place(f"out-{number}", "outfeed", sorting, RAIL_MM - 200 * number, 50 + number)
        for number, sorting in enumerate(sortings, start=1)
    ]
    return tuple(sorted((*racks, *outfeeds), key=lambda place: place.place))


def _fed(cell: Cell, draw: Random) -> Cell:
    """In some cells all but a few rack places are infeed places: reference parts keep theirs, and they or one jaw need one besides."""
    racks = [place for place in cell.places if place.kind == "rack"]
    staying = sum(part.reference is not None for part in cell.part_types)
    least = staying + (1 if staying or cell.handler.jaws == 1 else 0)
    if draw.random() >= INFEED_SHARE or len(racks) <= least:
        return cell
    kept = {each.place for each in racks[: draw.randint(least, len(racks) - 1)]}
    fed = (
        value.replace(place, place=place.place.replace("rack", "in"), kind="infeed")
        if place.kind == "rack" and place.place not in kept
        else place
        for place in cell.places
    )
    return value.replace(cell, places=tuple(sorted(fed, key=lambda place: place.place)))


def _looking_ahead(cell: Cell, draw: Random) -> Cell:
    """Some cells look ahead before they decide, with more steps or fewer."""
    fed = any(place.kind == "infeed" for place in cell.places)
    weights = FED_LOOK_AHEAD_WEIGHTS if fed else LOOK_AHEAD_WEIGHTS
    (steps,) = draw.choices(LOOK_AHEAD_STEPS, weights)
    return value.replace(cell, routing=Routing(look_ahead_steps=steps))


def redeclared(cell: Cell, digest: str, draw: Random) -> Cell:
    """The cell under another declaration, which looks ahead with other steps, or not at all. What stands inside and what is measured stays the same."""
    others = [n for n in LOOK_AHEAD_STEPS if n != cell.routing.look_ahead_steps]
    return value.replace(cell, digest=digest, routing=Routing(look_ahead_steps=draw.choice(others)))


def _place(
    name: str,
    kind: Literal["rack", "outfeed"],
    sorting: Sorting | Literal[""],
    at_mm: int,
    antenna: int,
) -> Place:
    return Place(
        place=name, kind=kind, sorting=sorting, at_mm=at_mm, reader="rack", antenna=antenna
    )


# --- part types and programs ------------------------------------------------------------------------------------------------------


def _work(
    draw: Random, stations: Sequence[Station]
) -> tuple[tuple[PartType, ...], tuple[Program, ...]]:
    part_types: list[PartType] = []
    programs: list[Program] = []
    for index in range(draw.choice(PART_TYPES)):
        name = f"type-{index + 1}"
        able: dict[str, list[tuple[Characteristic, Decimal]]] = {s.station: [] for s in stations}
        plan = [_planned(draw, number, stations, able) for number in range(draw.randint(1, 8))]
        if all(each.need == "informative" for each in plan):
            plan[0] = _mandatory(plan[0], able)
        part_types.append(_part_type(name, index, plan))
        for station in stations:
            programs += _programs(draw, station, name, able[station.station], len(programs))
    return tuple(part_types), tuple(sorted(programs, key=lambda program: program.program))


def _ordered(cell: Cell, draw: Random) -> Cell:
    """Some plans want characteristics measured before others, in an order that the programs can keep."""
    return value.replace(
        cell, part_types=tuple(_in_order(draw, each, cell.programs) for each in cell.part_types)
    )


def _ending(cell: Cell, draw: Random) -> Cell:
    """Some plans end measuring with the first proven nonconformity."""
    part_types = (
        value.replace(each, measure="until_nonconforming") if draw.random() < ENDING_SHARE else each
        for each in cell.part_types
    )
    return value.replace(cell, part_types=tuple(part_types))


def _soaking(cell: Cell, draw: Random) -> Cell:
    """Some parts have to adapt to the temperature of the cell before they are measured."""
    part_types = (
        value.replace(each, soak=Soak(ms=draw.choice(SOAK_MINUTES) * 60_000, since="entry"))
        if draw.random() < SOAKING_SHARE
        else each
        for each in cell.part_types
    )
    return value.replace(cell, part_types=tuple(part_types))


def _in_order(draw: Random, part_type: PartType, programs: Sequence[Program]) -> PartType:
    numbers = [each.number for each in part_type.plan if each.need == "mandatory"]
    draw.shuffle(numbers)
    wished = draw.random() < ORDERED_SHARE
    pairs = {
        number: frozenset(draw.sample(numbers[:at], min(at, draw.choice((0, 1, 1, 2)))))
        for at, number in enumerate(numbers)
    }
    every = {each.number: pairs.get(each.number, frozenset()) for each in part_type.plan}
    reaches = {
        program.program: Reach(
            decides=deciding(part_type, program), measures=measuring(part_type, program)
        )
        for program in programs
        if program.part_type == part_type.part_type
    }
    if not wished or left_waiting(reaches, every)[0]:
        return part_type
    plan = (value.replace(c, after=tuple(sorted(every[c.number]))) for c in part_type.plan)
    return value.replace(part_type, plan=tuple(plan))


def deciding(part_type: PartType, program: Program) -> frozenset[str]:
    """What a program of a part type measures well enough."""
    required = {each.number: each.required_u for each in part_type.plan}
    return frozenset(
        c.number for c in program.covers if c.expanded_u * 2 / c.k <= required[c.number]
    )


def measuring(part_type: PartType, program: Program) -> frozenset[str]:
    """What a program of a part type measures of its plan, well enough or not."""
    return frozenset(c.number for c in program.covers) & {c.number for c in part_type.plan}


def _part_type(name: str, index: int, plan: Sequence[Characteristic]) -> PartType:
    return PartType(
        part_type=name,
        title=name,
        gtin=gtin_of(index + 1),
        revision="A",
        plan=tuple(plan),
    )


def _planned(
    draw: Random,
    index: int,
    stations: Sequence[Station],
    able: dict[str, list[tuple[Characteristic, Decimal]]],
) -> Characteristic:
    """A characteristic, and who measures it how well: the first is good enough, but for a rare gap; others may be or not."""
    who = draw.sample(stations, min(len(stations), draw.choice((1, 1, 2, 3))))
    unit = "um" if all(s.kind != "tactile" for s in who) and draw.random() < 0.2 else "mm"  # noqa: PLR2004
    characteristic = _characteristic(draw, index, unit)
    gap = draw.random() < GAP_SHARE / 8
    for place, station in enumerate(who):
        good = draw.uniform(0.15, 0.95)
        share = good if (place == 0 and not gap) else draw.choice((good, good * 3))
        u = characteristic.required_u * Decimal(f"{2.0 if gap else share:.3f}")
        able[station.station].append((characteristic, u))
    return characteristic


def _mandatory(
    characteristic: Characteristic, able: dict[str, list[tuple[Characteristic, Decimal]]]
) -> Characteristic:
    changed = value.replace(characteristic, need="mandatory")
    for known in able.values():
        known[:] = [(changed if each is characteristic else each, u) for each, u in known]
    return changed


def _characteristic(draw: Random, index: int, unit: str) -> Characteristic:
    shape = draw.choice(("size", "size", "size", "form", "upper only"))
    scale = Decimal(1000) if unit == "um" else Decimal(1)
    width = Decimal(draw.choice(("0.02", "0.05", "0.2"))) * scale
    nominal = Decimal(0) if shape == "form" else Decimal(25) * scale
    return Characteristic(
        number=str(index + 1),
        name=f"{shape} {index + 1}",
        kind="flatness" if shape == "form" else "diameter",
        nominal=nominal,
        lower=nominal - width / 2 if shape == "size" else None,
        upper=nominal + (width / 2 if shape == "size" else width),
        unit=unit,
        datum="",
        need=draw.choice(("mandatory", "mandatory", "mandatory", "informative")),
        natural_limit="zero" if shape == "form" else "none",
        required_u=width * Q_MAX,
    )


def _programs(
    draw: Random,
    station: Station,
    part_type: str,
    able: Sequence[tuple[Characteristic, Decimal]],
    count: int,
) -> list[Program]:
    """No program where the station measures nothing of the part; else one, or two that share the work or overlap."""
    if not able:
        return []
    split = draw.choice(("one", "one", "shared", "overlapping")) if len(able) > 1 else "one"
    cut = draw.randint(1, len(able) - 1) if len(able) > 1 else 1
    groups = {
        "one": [able],
        "shared": [able[:cut], able[cut:]],
        "overlapping": [able, able[cut:]],
    }[split]
    return [
        _program(draw, station, part_type, group, count + place + 1)
        for place, group in enumerate(groups)
    ]


def _program(
    draw: Random,
    station: Station,
    part_type: str,
    group: Sequence[tuple[Characteristic, Decimal]],
    number: int,
) -> Program:
    free_ms = draw.randrange(20_000, 240_000)
    more_ms = 0 if station.kind == "tactile" else draw.choice((0, 5_000, 60_000, 200_000))
    return Program(
        program=f"{part_type}@{station.station}#{number}",
        station=station.station,
        part_type=part_type,
        name=f"P{number}",
        number=number,
        revision="1",
        covers=tuple(Coverage(number=each.number, expanded_u=u, k=Decimal(2)) for each, u in group),
        part_free_ms=free_ms,
        result_ms=free_ms + more_ms,
    )
