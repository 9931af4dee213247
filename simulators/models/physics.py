"""The physics file: what the simulated machines and parts are like, as JSON.

Rules of this file:
- Whoever drives a simulated cell writes this file from the declared cell; simulators know nothing else of the declaration.
- Loaded whole, checked whole: every error in one go, each with file, field, what was expected.
- Lengths along the rail in mm, times in ms of the cell's time, limits and uncertainties in the characteristic's unit (UCUM).
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

import msgspec

from simulators.models.tag import encode_tag

StationKind = Literal["scan", "touch", "ct"]
MM_PER = {"mm": 1.0, "um": 0.001}


class PhysicsError(ValueError):
    """The physics file is wrong; the text has one line per problem."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristic:
    """One requirement. ``lower``/``upper`` are absolute limits, None for no limit on that side."""

    number: str
    kind: str
    nominal: float
    lower: float | None
    upper: float | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartType:
    """A part type: its 14-digit GTIN and all its characteristics."""

    part_type: str
    gtin: str
    characteristics: tuple[Characteristic, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How well a program measures a characteristic: expanded uncertainty with its factor, in the characteristic's unit."""

    number: str
    expanded_u: float
    k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """What a station can run. ``number`` selects it where a station takes integers."""

    station: str
    part_type: str
    name: str
    number: int
    revision: str
    covers: tuple[Coverage, ...]
    part_free_ms: int
    result_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A station and its handover position along the rail."""

    station: str
    kind: StationKind
    at_mm: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Handler:
    """The handler: jaws, where it starts, its speed, and the times of its stops without travel."""

    handler: str
    jaws: Literal[1, 2]
    home_mm: int
    speed_mm_s: int
    pick_ms: int
    put_ms: int
    swap_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place outside the stations."""

    place: str
    kind: Literal["rack", "infeed", "outfeed"]
    at_mm: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """The tag reader that watches all places, and how long a read takes."""

    reader: str
    read_ms: int = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class Pallet:
    """A pallet with the part that is clamped on it. ``produced`` is an RFC 3339 time.

    ``tag`` is the memory of its tag as hexadecimal text where it shall not be the right one (torn, foreign, contradictory).
    """

    pallet: str
    part_type: str
    serial: str
    batch: str
    produced: str
    tag: str = ""


def right_tag(pallet: Pallet, gtin: str) -> bytes:
    """What the tag of a pallet should say, its part being of the type with this GTIN.

    Raises:
        ValueError: a tag cannot hold it.
    """
    return encode_tag(
        pallet=pallet.pallet,
        gtin=gtin,
        serial=pallet.serial,
        batch=pallet.batch,
        produced=pallet.produced,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Operator:
    """The person: when each further pallet is brought (in any order of pallets), and how long a finished one stays at the outfeed."""

    arrivals_ms: tuple[int, ...]
    take_after_ms: int


@dataclass(frozen=True, kw_only=True)
class Physics:
    """One whole simulated cell. ``nonconforming_share`` of the parts have one characteristic outside its limits."""

    schema: Literal[1]
    stations: tuple[Station, ...]
    handler: Handler
    reader: Reader
    places: tuple[Place, ...]
    part_types: tuple[PartType, ...]
    programs: tuple[Program, ...]
    pallets: tuple[Pallet, ...]
    operator: Operator
    nonconforming_share: float = 0.05

    @cached_property
    def part_type(self) -> dict[str, PartType]:
        """Part types by id."""
        return {entry.part_type: entry for entry in self.part_types}

    @cached_property
    def pallet(self) -> dict[str, Pallet]:
        """Pallets by id."""
        return {entry.pallet: entry for entry in self.pallets}

    @cached_property
    def at_mm(self) -> dict[str, int]:
        """Every place that the handler can go to, nests included, with its position along the rail."""
        nests = {entry.station: entry.at_mm for entry in self.stations}
        return nests | {entry.place: entry.at_mm for entry in self.places}

    @cached_property
    def jaws(self) -> tuple[str, ...]:
        """The jaws as places."""
        return tuple(f"jaw-{number}" for number in range(1, self.handler.jaws + 1))

    def station(self, station: str) -> Station:
        """One station; KeyError if there is none of that id."""
        return {entry.station: entry for entry in self.stations}[station]


def load(path: Path) -> Physics:
    """Read and check a physics file; PhysicsError names every problem."""
    return parse(path.read_bytes(), source=str(path))


def parse(text: bytes, *, source: str) -> Physics:
    """The same from text; ``source`` is named in errors."""
    try:
        physics = msgspec.json.decode(text, type=Physics)
    except msgspec.DecodeError as error:
        raise PhysicsError(f"{source}: {error}") from error
    problems = list(_problems(physics))
    if problems:
        raise PhysicsError("\n".join(f"{source}: {problem}" for problem in problems))
    return physics


def dump(physics: Physics) -> bytes:
    """The physics file as JSON text."""
    return msgspec.json.format(msgspec.json.encode(physics), indent=1)


def _problems(physics: Physics) -> Iterator[str]:
    yield from _doubles(physics)
    yield from _dangling(physics)
    for index, program in enumerate(physics.programs):
        yield from _wrong_coverage(physics, program, f"$.programs[{index}]")
    for index, pallet in enumerate(physics.pallets):
        yield from _wrong_tag(physics, pallet, f"$.pallets[{index}]")
    if len(physics.operator.arrivals_ms) != len(physics.pallets):
        yield (
            f"$.operator.arrivals_ms: expected one time per pallet ({len(physics.pallets)}),"
            f" found {len(physics.operator.arrivals_ms)}"
        )


def _doubles(physics: Physics) -> Iterator[str]:
    ids = {
        "$.pallets": [entry.pallet for entry in physics.pallets],
        "$.part_types": [entry.part_type for entry in physics.part_types],
        "$.places and $.stations": [
            *(entry.place for entry in physics.places),
            *(entry.station for entry in physics.stations),
        ],
    }
    for field, names in ids.items():
        for name, times in Counter(names).items():
            if times > 1:
                yield f"{field}: expected each id once, found {name!r} {times} times"


def _dangling(physics: Physics) -> Iterator[str]:
    stations = {entry.station for entry in physics.stations}
    for index, program in enumerate(physics.programs):
        if program.station not in stations:
            yield f"$.programs[{index}].station: expected a station of this file, found {program.station!r}"
        if program.part_type not in physics.part_type:
            yield f"$.programs[{index}].part_type: expected a part type of this file, found {program.part_type!r}"
        if not 0 < program.part_free_ms <= program.result_ms:
            yield f"$.programs[{index}].result_ms: expected at least part_free_ms, and that above 0"
    for index, pallet in enumerate(physics.pallets):
        if pallet.part_type not in physics.part_type:
            yield f"$.pallets[{index}].part_type: expected a part type of this file, found {pallet.part_type!r}"


def _wrong_coverage(physics: Physics, program: Program, field: str) -> Iterator[str]:
    part_type = physics.part_type.get(program.part_type)
    kinds = {entry.station: entry.kind for entry in physics.stations}
    known = {entry.number: entry for entry in part_type.characteristics} if part_type else {}
    for index, coverage in enumerate(program.covers):
        where = f"{field}.covers[{index}]"
        characteristic = known.get(coverage.number)
        if part_type and characteristic is None:
            yield f"{where}.number: expected a characteristic of {program.part_type}, found {coverage.number!r}"
        if coverage.expanded_u <= 0 or coverage.k <= 0:
            yield f"{where}: expected expanded_u and k above 0"
        if kinds.get(program.station) == "touch" and characteristic:
            yield from _not_for_a_data_block(characteristic, where)


def _wrong_tag(physics: Physics, pallet: Pallet, where: str) -> Iterator[str]:
    part_type = physics.part_type.get(pallet.part_type)
    try:
        if pallet.tag:
            bytes.fromhex(pallet.tag)
        elif part_type:
            right_tag(pallet, part_type.gtin)
    except ValueError as error:
        yield f"{where}: {error}"


def _not_for_a_data_block(characteristic: Characteristic, where: str) -> Iterator[str]:
    if characteristic.unit not in MM_PER:
        yield f"{where}: expected a length ({', '.join(MM_PER)}), a tactile station gives mm only; found {characteristic.unit!r}"
    if not (characteristic.number.isdecimal() and int(characteristic.number) < 2**15):
        yield f"{where}.number: expected a whole number below 32768 for a station of kind touch, found {characteristic.number!r}"
