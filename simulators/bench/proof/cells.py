"""The smallest cells that matter, declared for the proof, with the parts that come into them.

Rules of this file:
- One characteristic per station and one program per station and part type. Each pallet carries another part type, so that a wrong
  program or a swapped part shows.
- Each part has one true value, unlike every other part's: a result, a verdict or an outfeed under a wrong name shows.
- What people may ask for (``Cell`` fields) is what the shipped examples use; only the numbers are smaller.
"""

from dataclasses import dataclass
from dataclasses import replace as replace_proof
from decimal import Decimal
from typing import Literal

from simulators.models.tag import encode_tag
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
    Sorting,
    Station,
)
from supervisor.cell.value import replace

Echo = Literal["run id", "counter"]
Leaves = Literal["before the result", "with the result"]

STATION_MM = {"s1": 2_000, "s2": 4_000}
OUTFEEDS: dict[str, tuple[Sorting, int]] = {
    "out-hold": ("hold", 5_200),
    "out-nok": ("nonconforming", 5_400),
    "out-ok": ("conforming", 5_600),
}
PART_FREE_MS = 100_000
RESULT_MS = 150_000
GTINS = ("00614141000012", "00614141000029", "00614141000036")
VALUES = (25.01, 25.5, 25.02)
"""What each part measures, everywhere. The second is out of tolerance."""
LOWER, UPPER = Decimal("24.9"), Decimal("25.1")


@dataclass(frozen=True, kw_only=True)
class StationKind:
    """How a station proves what a result belongs to, when the pallet may leave, and whether it has a door.

    "counter": it counts results, shows no names at all, and answers an order to prepare a program when it has done so.
    """

    echo: Echo
    leaves: Leaves
    door: Literal["has", "none"] = "has"


@dataclass(frozen=True, kw_only=True)
class TruePart:
    """A pallet with its part, as it really is."""

    pallet: str
    serial: str
    part_type: str
    value: float
    conforms: bool
    payload: str


@dataclass(frozen=True, kw_only=True)
class ProofCell:
    """A declared cell with its station kinds, in the order of the stations, and the pallets that stand in its rack at first."""

    name: str
    cell: Cell
    kinds: tuple[StationKind, ...]
    parts: tuple[TruePart, ...]


EARLY = StationKind(echo="run id", leaves="before the result")
COUNTING = StationKind(echo="counter", leaves="with the result")
DOORLESS = StationKind(echo="counter", leaves="with the result", door="none")


def single(pallets: int) -> ProofCell:
    """One station, one jaw."""
    return _proof_cell("single", (EARLY,), jaws=1, pallets=pallets)


def counting(pallets: int) -> ProofCell:
    """One station that shows no names and counts its results, one jaw."""
    return _proof_cell("counting", (COUNTING,), jaws=1, pallets=pallets)


def doorless(pallets: int) -> ProofCell:
    """One station without a door that counts its results, one jaw: nothing but knowledge keeps arm and run apart."""
    return _proof_cell("doorless", (DOORLESS,), jaws=1, pallets=pallets)


def swap(pallets: int) -> ProofCell:
    """One station, two jaws."""
    return _proof_cell("swap", (EARLY,), jaws=2, pallets=pallets)


def two(pallets: int) -> ProofCell:
    """Two stations of different kinds, two jaws."""
    return _proof_cell("two", (EARLY, COUNTING), jaws=2, pallets=pallets)


def fed(pallets: int) -> ProofCell:
    """The same, but the pallets come in where none goes back to: between their stations they have no place but a jaw."""
    whole = two(pallets)
    places = tuple(
        replace(place, kind="infeed") if place.kind == "rack" else place
        for place in whole.cell.places
    )
    return replace_proof(whole, name="fed", cell=replace(whole.cell, cell="fed", places=places))


CELLS = {
    "single": single,
    "counting": counting,
    "doorless": doorless,
    "swap": swap,
    "two": two,
    "fed": fed,
}


def _proof_cell(
    name: str, kinds: tuple[StationKind, ...], *, jaws: Literal[1, 2], pallets: int
) -> ProofCell:
    stations = tuple(STATION_MM)[: len(kinds)]
    cell = Cell(
        cell=name,
        title=name,
        digest=name,
        handler=_handler(jaws),
        stations=tuple(_station(station) for station in stations),
        places=_places(pallets),
        readers=(Reader(reader="rack", url="", profile="proof"),),
        part_types=tuple(_part_type(number, stations) for number in range(pallets)),
        programs=tuple(
            _program(number, station, digit)
            for number in range(pallets)
            for digit, station in enumerate(stations, start=1)
        ),
        rule=DecisionRule(rule="ISO 14253-1:2017", guard_factor=Decimal("1.65")),
    )
    parts = tuple(_true_part(number) for number in range(pallets))
    return ProofCell(name=name, cell=cell, kinds=kinds, parts=parts)


def _handler(jaws: Literal[1, 2]) -> Handler:
    return Handler(
        handler="handler",
        url="",
        profile="proof",
        jaws=jaws,
        rail_from_mm=0,
        rail_to_mm=6_000,
        speed_mm_s=1_500,
        pick_ms=4_000,
        put_ms=4_000,
        swap_ms=7_000,
        move_ms_max=60_000,
    )


def _station(station: str) -> Station:
    return Station(
        station=station,
        title=station,
        kind="proof",
        url="",
        profile="proof",
        at_mm=STATION_MM[station],
        door_ms_max=30_000,
        start_ms_max=30_000,
        late_factor=Decimal("1.5"),
    )


def _places(racks: int) -> tuple[Place, ...]:
    rack = [_place(f"rack-{number + 1:02d}", "", 200 + 150 * number) for number in range(racks)]
    out = [_place(name, sorting, at_mm) for name, (sorting, at_mm) in OUTFEEDS.items()]
    return tuple(sorted((*out, *rack), key=lambda place: place.place))


def _place(name: str, sorting: Sorting | Literal[""], at_mm: int) -> Place:
    return Place(
        place=name,
        kind="outfeed" if sorting else "rack",
        sorting=sorting,
        at_mm=at_mm,
        reader="rack",
        antenna=1,
    )


def _part_type(number: int, stations: tuple[str, ...]) -> PartType:
    return PartType(
        part_type=f"type-{number}",
        title=f"type-{number}",
        gtin=GTINS[number],
        revision="A",
        plan=tuple(_characteristic(str(digit)) for digit in range(1, 1 + len(stations))),
    )


def _characteristic(number: str) -> Characteristic:
    return Characteristic(
        number=number,
        name=f"bore {number}",
        kind="diameter",
        nominal=Decimal(25),
        lower=LOWER,
        upper=UPPER,
        unit="mm",
        datum="",
        need="mandatory",
        natural_limit="none",
        required_u=Decimal("0.03"),
    )


def _program(number: int, station: str, digit: int) -> Program:
    return Program(
        program=f"type-{number}@{station}",
        station=station,
        part_type=f"type-{number}",
        name=f"P{number}-{station}",
        number=10 * digit + number,
        revision="1",
        covers=(Coverage(number=str(digit), expanded_u=Decimal("0.01"), k=Decimal(2)),),
        part_free_ms=PART_FREE_MS,
        result_ms=RESULT_MS,
    )


def _true_part(number: int) -> TruePart:
    pallet = f"grai:0614141.12345.{number + 1}"
    serial = str(101 + number)
    value = VALUES[number]
    payload = encode_tag(
        pallet=pallet,
        gtin=GTINS[number],
        serial=serial,
        batch="B1",
        produced="2026-11-02T06:00:00Z",
    )
    return TruePart(
        pallet=pallet,
        serial=serial,
        part_type=f"type-{number}",
        value=value,
        conforms=float(LOWER) <= value <= float(UPPER),
        payload=payload.hex(),
    )
