"""Declared cells for benches and tests, built in code.

Rules of this file: a scenario is a declaration and nothing else; what happens in it is the caller's.
"""

from decimal import Decimal
from typing import Literal

from supervisor.cell.model import (
    Cell,
    Characteristic,
    Coverage,
    DecisionRule,
    Handler,
    PartType,
    Place,
    PlaceKind,
    Program,
    Reader,
    Sorting,
    Station,
)

Q_MAX = Decimal("0.15")
"""Largest expanded uncertainty as a share of the tolerance: ISO 22514-7, Q_MP 30 % of T with U = 2u."""

GTINS = {
    "cam-ring": "00614141000012",
    "port-plate": "00614141000029",
    "pump-body": "00614141000036",
}
STATIONS = {"ct-1": ("ct", 4_800), "scan-1": ("optical", 2_600), "touch-1": ("tactile", 3_600)}
OUTFEEDS: dict[str, tuple[Sorting, int]] = {
    "out-hold-1": ("hold", 5_400),
    "out-nok-1": ("nonconforming", 5_600),
    "out-ok-1": ("conforming", 5_800),
    "out-ok-2": ("conforming", 6_000),
}


def small_cell(*, jaws: Literal[1, 2] = 2, racks: int = 12) -> Cell:
    """Three stations, three part types of three characteristics each.

    "1" is covered optically and by touch, "2" by touch only, "3" optically and, for port plates, by CT.
    """
    return Cell(
        cell="small",
        title="Small cell of the bench",
        digest="small",
        handler=Handler(
            handler="handler",
            url="opc.tcp://127.0.0.1:48404",
            profile="handler-orders",
            jaws=jaws,
            rail_from_mm=0,
            rail_to_mm=6_000,
            speed_mm_s=1_500,
            pick_ms=4_000,
            put_ms=4_000,
            swap_ms=7_000,
            move_ms_max=60_000,
        ),
        stations=tuple(_station(name, *STATIONS[name]) for name in sorted(STATIONS)),
        places=_places(racks),
        readers=(Reader(reader="rack", url="opc.tcp://127.0.0.1:48405", profile="rack-reader"),),
        part_types=tuple(
            PartType(part_type=name, title=name, gtin=GTINS[name], revision="A", plan=_plan())
            for name in sorted(GTINS)
        ),
        programs=_programs(),
        rule=DecisionRule(rule="ISO 14253-1:2017", guard_factor=Decimal("1.65")),
    )


def _station(name: str, kind: str, at_mm: int) -> Station:
    return Station(
        station=name,
        title=name,
        kind=kind,
        url=f"opc.tcp://127.0.0.1/{name}",
        profile=kind,
        at_mm=at_mm,
        door_ms_max=30_000,
        start_ms_max=30_000,
        late_factor=Decimal("1.5"),
    )


def _places(racks: int) -> tuple[Place, ...]:
    rack = [
        _place(f"rack-{number + 1:02d}", "rack", "", 200 + number * 150, number + 1)
        for number in range(racks)
    ]
    out = [
        _place(name, "outfeed", sorting, at_mm, 51) for name, (sorting, at_mm) in OUTFEEDS.items()
    ]
    return tuple(sorted((*rack, *out), key=lambda place: place.place))


def _place(
    name: str, kind: PlaceKind, sorting: Sorting | Literal[""], at_mm: int, antenna: int
) -> Place:
    return Place(
        place=name, kind=kind, sorting=sorting, at_mm=at_mm, reader="rack", antenna=antenna
    )


def _plan() -> tuple[Characteristic, ...]:
    return (
        _characteristic("1", "24.9", "25.1"),
        _characteristic("2", "24.99", "25.01"),
        _characteristic("3", "24.9", "25.1"),
    )


def _characteristic(number: str, lower: str, upper: str) -> Characteristic:
    tolerance = Decimal(upper) - Decimal(lower)
    return Characteristic(
        number=number,
        name=f"bore {number}",
        kind="diameter",
        nominal=Decimal(25),
        lower=Decimal(lower),
        upper=Decimal(upper),
        unit="mm",
        datum="",
        need="mandatory",
        natural_limit="none",
        required_u=tolerance * Q_MAX,
    )


def _programs() -> tuple[Program, ...]:
    programs = [
        program
        for number, part_type in enumerate(sorted(GTINS))
        for program in (
            _program(
                part_type, "scan-1", 10 + number, {"1": "0.010", "3": "0.012"}, (90_000, 120_000)
            ),
            _program(
                part_type,
                "touch-1",
                20 + number,
                {"1": "0.0015", "2": "0.0015"},
                (240_000, 240_000),
            ),
        )
    ]
    programs.append(_program("port-plate", "ct-1", 31, {"3": "0.006"}, (400_000, 480_000)))
    return tuple(sorted(programs, key=lambda program: program.program))


def _program(
    part_type: str, station: str, number: int, covers: dict[str, str], expected_ms: tuple[int, int]
) -> Program:
    return Program(
        program=f"{part_type}@{station}",
        station=station,
        part_type=part_type,
        name=f"{part_type}-{station}",
        number=number,
        revision="1",
        covers=tuple(
            Coverage(number=name, expanded_u=Decimal(u), k=Decimal(2)) for name, u in covers.items()
        ),
        part_free_ms=expected_ms[0],
        result_ms=expected_ms[1],
    )
