"""What the core looks up in the declaration, prepared once.

Rules of this file: immutable after construction; no state of the cell.
"""

from supervisor.cell.model import Cell, Coverage, PartType, Place, Program, Reader, Station
from supervisor.routing.router import Router
from supervisor.verdict.plan_table import PlanTable

JAWS = ("jaw-1", "jaw-2")


class CellTables:
    """Lookups by id over one declared cell."""

    __slots__ = (
        "cell",
        "coverage",
        "handler",
        "jaws",
        "part_types",
        "part_types_by_gtin",
        "places",
        "plans",
        "programs",
        "readers",
        "router",
        "stations",
    )

    def __init__(self, cell: Cell) -> None:
        """Prepare the lookups."""
        self.cell = cell
        self.handler = cell.handler
        self.jaws: tuple[str, ...] = JAWS[: cell.handler.jaws]
        self.stations: dict[str, Station] = {station.station: station for station in cell.stations}
        self.readers: dict[str, Reader] = {reader.reader: reader for reader in cell.readers}
        self.places: dict[str, Place] = {place.place: place for place in cell.places}
        self.part_types: dict[str, PartType] = {part.part_type: part for part in cell.part_types}
        self.part_types_by_gtin: dict[str, PartType] = {part.gtin: part for part in cell.part_types}
        self.programs: dict[str, Program] = {program.program: program for program in cell.programs}
        self.plans = {
            part.part_type: PlanTable(
                part, [p for p in cell.programs if p.part_type == part.part_type], cell.rule
            )
            for part in cell.part_types
        }
        self.coverage: dict[str, dict[str, Coverage]] = {
            program.program: {cover.number: cover for cover in program.covers}
            for program in cell.programs
        }
        self.router = Router(cell)

    def position_mm(self, place: str) -> int:
        """Where a place or a station's nest is along the rail."""
        if place in self.stations:
            return self.stations[place].at_mm
        return self.places[place].at_mm
