"""What the core looks up in the declaration, prepared once.

Rules of this file:
- Immutable after construction; no state of the cell.
- ``views`` alone is written to later: it is a memory of ``supervisor.core.views``, which could work out again what stands there. It
  has at most one entry for each place of the cell.
"""

from collections.abc import Collection, Iterator, Mapping
from datetime import date
from typing import TYPE_CHECKING

from supervisor.cell.model import (
    Cell,
    CheckRule,
    Coverage,
    PartType,
    Place,
    Program,
    Reader,
    Reference,
    Station,
    Vouched,
)
from supervisor.cell.value import value
from supervisor.routing.router import Router
from supervisor.verdict.plan_table import PlanTable

if TYPE_CHECKING:
    from supervisor.core.state import PalletState, PlaceState, StationTrust
    from supervisor.routing.situation import PalletView

JAWS = ("jaw-1", "jaw-2")
DAY_MS = 24 * 3_600_000


@value
class DeclaredCheck:
    """A program with which a station is checked. ``whole`` is all that the station decides of parts."""

    program: str
    station: str
    part_type: str
    reference: Reference
    rule: CheckRule
    whole: tuple[Vouched, ...]

    def vouched(self, numbers: Collection[str]) -> tuple[Vouched, ...]:
        """What the calibrated values of these numbers vouch for at the station."""
        whole = set(self.whole)
        found: set[Vouched] = set()
        for each in self.reference.values:
            if each.number in numbers:
                found |= whole if not each.vouches_for else set(each.vouches_for) & whole
        return tuple(sorted(found, key=lambda v: (v.part_type, v.number)))

    @property
    def vouches_for(self) -> tuple[Vouched, ...]:
        """What all of them vouch for."""
        return self.vouched([each.number for each in self.reference.values])


class CellTables:
    """Lookups by id over one declared cell."""

    __slots__ = (
        "calibrated_until_ms",
        "cell",
        "checks",
        "checks_at",
        "coverage",
        "decides",
        "handler",
        "infeeds",
        "jaws",
        "outfeeds",
        "part_types",
        "part_types_by_gtin",
        "places",
        "plans",
        "programs",
        "readers",
        "references",
        "router",
        "stations",
        "views",
    )

    def __init__(self, cell: Cell) -> None:
        """Prepare the lookups."""
        self.cell = cell
        self.handler = cell.handler
        self.jaws: tuple[str, ...] = JAWS[: cell.handler.jaws]
        self.stations: dict[str, Station] = {station.station: station for station in cell.stations}
        self.readers: dict[str, Reader] = {reader.reader: reader for reader in cell.readers}
        self.places: dict[str, Place] = {place.place: place for place in cell.places}
        self.infeeds = frozenset(place.place for place in cell.places if place.kind == "infeed")
        self.outfeeds: tuple[Place, ...] = tuple(
            place for place in cell.places if place.kind == "outfeed" and place.sorting != ""
        )
        self.part_types: dict[str, PartType] = {part.part_type: part for part in cell.part_types}
        self.part_types_by_gtin: dict[str, PartType] = {part.gtin: part for part in cell.part_types}
        self.programs: dict[str, Program] = {program.program: program for program in cell.programs}
        self.plans = {
            part.part_type: PlanTable(
                part,
                [p for p in cell.programs if p.part_type == part.part_type],
                cell.rule,
                cell.stations,
            )
            for part in cell.part_types
        }
        self.coverage: dict[str, dict[str, Coverage]] = {
            program.program: {cover.number: cover for cover in program.covers}
            for program in cell.programs
        }
        self.decides: dict[str, frozenset[str]] = {
            program: frozenset(number for number, ability in able.items() if ability.capable)
            for plan in self.plans.values()
            for program, able in plan.abilities.items()
        }
        """By program: the characteristics that it measures well enough to decide them."""
        self.calibrated_until_ms: dict[str, int] = {
            station.station: end_of_day_ms(station.calibration_due)
            for station in cell.stations
            if station.calibration_due and station.calibration_overdue == "stops"
        }
        """When the calibration of each station ends that stops with it."""
        self.references: dict[str, Reference] = {
            part.part_type: part.reference for part in cell.part_types if part.reference is not None
        }
        self.checks: dict[str, DeclaredCheck] = {
            check.program: check for check in _checks(cell, self.references)
        }
        self.checks_at: dict[str, tuple[str, ...]] = {
            station.station: tuple(
                each.program for each in self.checks.values() if each.station == station.station
            )
            for station in cell.stations
        }
        self.router = Router(cell)
        self.views: dict[
            str, tuple[PalletState, PlaceState | None, PalletView, dict[str, StationTrust], str]
        ] = {}

    def position_mm(self, place: str) -> int:
        """Where a place or a station's nest is along the rail."""
        if place in self.stations:
            return self.stations[place].at_mm
        return self.places[place].at_mm


def end_of_day_ms(day: str) -> int:
    """The cell's time at which a day (YYYY-MM-DD, UTC) is over."""
    return (date.fromisoformat(day) - date(1970, 1, 1)).days * DAY_MS + DAY_MS


def _checks(cell: Cell, references: Mapping[str, Reference]) -> Iterator[DeclaredCheck]:
    """Every program of a reference part at a station that is checked with it and where it finds one of the values."""
    for program in cell.programs:
        reference = references.get(program.part_type)
        if reference is None:
            continue
        rule = next((each for each in reference.checks if each.station == program.station), None)
        values = {each.number for each in reference.values}
        if rule is not None and any(cover.number in values for cover in program.covers):
            yield DeclaredCheck(
                program=program.program,
                station=program.station,
                part_type=program.part_type,
                reference=reference,
                rule=rule,
                whole=_decided_at(cell, program.station, references),
            )


def _decided_at(
    cell: Cell, station: str, references: Mapping[str, Reference]
) -> tuple[Vouched, ...]:
    found = {
        (program.part_type, cover.number)
        for program in cell.programs
        if program.station == station and program.part_type not in references
        for cover in program.covers
    }
    return tuple(Vouched(part_type=part_type, number=number) for part_type, number in sorted(found))
