"""Cells drawn from a seed, for the tests of routing. Nothing here is a measured cell: positions, speeds and durations are invented."""

import random
from decimal import Decimal

from supervisor.cell.model import (
    Cell,
    Characteristic,
    Coverage,
    DecisionRule,
    Handler,
    PartType,
    Place,
    Program,
    Reader,
    Routing,
    Station,
)
from supervisor.cell.value import replace

RAIL_MM = 12_000
OUTFEEDS = (
    ("out-hold-1", "hold"),
    ("out-nok-1", "nonconforming"),
    ("out-ok-1", "conforming"),
    ("out-ok-2", "conforming"),
)


def characteristic(number, required_u="2"):
    return Characteristic(
        number=number,
        name=f"bore {number}",
        kind="diameter",
        nominal=Decimal(25),
        lower=Decimal("24.99"),
        upper=Decimal("25.01"),
        unit="mm",
        datum="",
        need="mandatory",
        natural_limit="none",
        required_u=Decimal(required_u),
    )


def program(name, station, part_type, numbers, seconds, **more):
    """A program that takes ``seconds`` until the part is free and ``evaluation`` more until the result is there.

    It also measures what is ``too_coarse``, with an uncertainty that is not good enough.
    """
    evaluation, too_coarse = more.get("evaluation", 0), more.get("too_coarse", ())
    covers = [
        Coverage(number=n, expanded_u=Decimal(3 if n in too_coarse else 1), k=Decimal(2))
        for n in sorted({*numbers, *too_coarse})
    ]
    return Program(
        program=name,
        station=station,
        part_type=part_type,
        name=name.upper(),
        number=1,
        revision="1",
        covers=tuple(covers),
        part_free_ms=round(seconds * 1000),
        result_ms=round((seconds + evaluation) * 1000),
    )


def station(name, at_mm):
    return Station(
        station=name,
        title=name,
        kind="optical",
        url="opc.tcp://127.0.0.1:4840",
        profile="any",
        at_mm=at_mm,
        door_ms_max=10_000,
        start_ms_max=10_000,
        late_factor=Decimal(2),
    )


def cell_of(stations, part_types, programs, *, jaws=2, racks=12, look_ahead_steps=0, **handler):
    """A cell; ``stations`` is a tuple of (id, position), ``part_types`` of (id, characteristic numbers)."""
    timing = {"speed_mm_s": 1000, "pick_ms": 4000, "put_ms": 4000, "swap_ms": 6000} | handler
    places = [
        Place(
            place=f"rack-{n:02}", kind="rack", sorting="", at_mm=100 * n, reader="rack", antenna=n
        )
        for n in range(1, racks + 1)
    ]
    places += [
        Place(
            place=name,
            kind="outfeed",
            sorting=sorting,
            at_mm=RAIL_MM - 200 * n,
            reader="rack",
            antenna=50 + n,
        )
        for n, (name, sorting) in enumerate(OUTFEEDS)
    ]
    return Cell(
        cell="drawn",
        title="drawn",
        digest="0" * 64,
        handler=Handler(
            handler="handler",
            url="opc.tcp://127.0.0.1:4841",
            profile="any",
            jaws=jaws,
            rail_from_mm=0,
            rail_to_mm=RAIL_MM,
            move_ms_max=60_000,
            **timing,
        ),
        stations=tuple(station(name, at_mm) for name, at_mm in sorted(stations)),
        places=tuple(sorted(places, key=lambda place: place.place)),
        readers=(Reader(reader="rack", url="opc.tcp://127.0.0.1:4842", profile="any"),),
        part_types=tuple(
            PartType(
                part_type=name,
                title=name,
                gtin=f"{n:014}",
                revision="1",
                plan=tuple(characteristic(number) for number in numbers),
            )
            for n, (name, numbers) in enumerate(sorted(part_types))
        ),
        programs=tuple(sorted(programs, key=lambda p: p.program)),
        rule=DecisionRule(rule="any", guard_factor=Decimal("1.65")),
        routing=Routing(look_ahead_steps=look_ahead_steps),
    )


def random_cell(seed, *, jaws, stations=None, pace=None, look_ahead_steps=0):
    """A cell drawn from a seed: 1 to 5 stations, 1 to 3 part types, programs that overlap in what they decide.

    ``pace`` stretches all measuring times: below about 2 the handler is the bottleneck of most cells.
    """
    rng = random.Random(seed)
    count = stations or rng.randint(1, 5)
    pace = pace or rng.uniform(0.5, 6)
    places = [
        (f"station-{n}", rng.randrange(1500, RAIL_MM - 1500, 100)) for n in range(1, count + 1)
    ]
    part_types, programs = [], []
    for kind in range(rng.randint(1, 3)):
        name = f"type-{kind}"
        numbers = tuple(str(n) for n in range(1, rng.randint(4, 10)))
        part_types.append((name, numbers))
        programs += _programs(rng, name, numbers, [station for station, _ in places], pace)
    hands_ms = rng.randrange(2000, 6000, 500)
    return cell_of(
        places,
        part_types,
        programs,
        jaws=jaws,
        look_ahead_steps=look_ahead_steps,
        pick_ms=hands_ms,
        put_ms=hands_ms,
        swap_ms=round(hands_ms * rng.uniform(1.2, 2)),
        speed_mm_s=rng.randrange(400, 1600, 100),
    )


def with_precedence(cell, seed):
    """The same cell with an order between some characteristics of each part type, which its programs can keep."""
    rng = random.Random(seed)
    part_types = []
    for part in cell.part_types:
        numbers = [c.number for c in part.plan]
        rng.shuffle(numbers)
        after = {
            number: set(rng.sample(numbers[:at], min(at, rng.choice((0, 0, 1, 1, 2)))))
            for at, number in enumerate(numbers)
        }
        programs = [p for p in cell.programs if p.part_type == part.part_type]
        while not can_be_kept(programs, after):
            after[rng.choice([number for number in numbers if after[number]])] = set()
        plan = tuple(replace(c, after=tuple(sorted(after[c.number]))) for c in part.plan)
        part_types.append(replace(part, plan=plan))
    return replace(cell, part_types=tuple(part_types))


def can_be_kept(programs, after):
    """Whether everything can be measured when each program waits for what comes before: tried out, each run as soon as it may."""
    decided, left = set(), list(programs)
    while left:
        able = [p for p in left if not _lacking(p, after, decided)]
        if not able:
            return all(_decides(p) <= decided for p in left)
        for p in able:
            left.remove(p)
            decided |= _decides(p)
    return True


def _decides(program):
    return {c.number for c in program.covers if c.expanded_u <= Decimal(2)}


def _lacking(program, after, decided):
    """What has to come before anything that the program measures, well enough or not."""
    mine, touched = _decides(program), {c.number for c in program.covers}
    return any(after[number] - decided - mine for number in touched - decided)


def _programs(rng, part_type, numbers, stations, pace):
    """One or two programs per station; each characteristic is decided by one or two stations."""
    able = {name: [] for name in stations}
    for number in numbers:
        for name in rng.sample(stations, min(len(stations), rng.choice((1, 1, 2)))):
            able[name].append(number)
    found = []
    for name, known in able.items():
        cut = rng.randint(1, len(known)) if len(known) > 2 and rng.random() < 0.3 else len(known)
        for at, numbers_here in enumerate((known[:cut], known[cut:])):
            if numbers_here:
                seconds = pace * (10 + len(numbers_here) * rng.uniform(3, 12))
                found.append(
                    program(
                        f"{part_type}-{name}-{at}",
                        name,
                        part_type,
                        numbers_here,
                        seconds,
                        evaluation=rng.choice((0, 0.1, 0.5)) * seconds,
                        too_coarse=set(rng.sample(numbers, 1)) - set(known),
                    )
                )
    return found
