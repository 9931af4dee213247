"""What ``pointsman check`` says of a cell folder.

Rules of this file:
- Problems come first, in reading order, one to a line; the summary follows only where there is a cell.
- Text and JSON say the same. JSON has plain values only; decimals are text, as they were declared.
"""

from collections.abc import Iterator, Mapping
from decimal import Context, Decimal
from pathlib import Path
from typing import Any, get_args

from supervisor.cell.driving import Driving, driving_of
from supervisor.cell.kinds import ServiceLevel
from supervisor.cell.load import LoadedCell, examine, loaded
from supervisor.cell.model import (
    REQUIRED_U_K,
    Cell,
    Characteristic,
    PlaceKind,
    Program,
    Routing,
    Urgency,
)
from supervisor.cell.options import Option, options_of
from supervisor.cell.problem import Problem, errors_among
from supervisor.cell.security import SecurityEntry
from supervisor.cell.value import value


@value
class Decider:
    """A program that may decide a characteristic; ``u`` is its expanded uncertainty at k = 2."""

    station: str
    program: str
    u: Decimal


@value
class CharacteristicSummary:
    """A characteristic as it was understood, and who may decide it, best first."""

    characteristic: Characteristic
    deciders: tuple[Decider, ...]


@value
class PartTypeSummary:
    """A part type with its characteristics."""

    part_type: str
    title: str
    revision: str
    characteristics: tuple[CharacteristicSummary, ...]


@value
class CellSummary:
    """What was declared."""

    cell: Cell
    driving: tuple[Driving, ...]
    options: tuple[Option, ...]
    part_types: tuple[PartTypeSummary, ...]
    security: Mapping[str, SecurityEntry]
    service_level: Mapping[str, ServiceLevel]


@value
class CheckReport:
    """The answer to ``pointsman check``. ``summary`` is None unless ``ok``; warnings do not spoil ``ok``."""

    folder: str
    problems: tuple[Problem, ...]
    summary: CellSummary | None

    @property
    def ok(self) -> bool:
        """Whether the cell can be used."""
        return not errors_among(self.problems)

    def as_text(self) -> str:
        """The report for people."""
        return "\n".join([*map(str, self.problems), *self._closing()]) + "\n"

    def as_json(self) -> dict[str, Any]:
        """The report for programs, ready for ``json.dumps``."""
        return {
            "folder": self.folder,
            "ok": self.ok,
            "problems": [_problem_json(problem) for problem in self.problems],
            "summary": None if self.summary is None else _summary_json(self.summary),
        }

    def _closing(self) -> Iterator[str]:
        errors = len(errors_among(self.problems))
        warnings = len(self.problems) - errors
        if self.summary is not None:
            yield from _summary_text(self.summary)
        yield f"{self.folder}: {_count(errors, 'error')}, {_count(warnings, 'warning')}"


def check_cell(folder: Path) -> CheckReport:
    """Read and check a cell folder. Never raises for what is in it, or for its not being there."""
    declaration, problems = examine(folder)
    summary = None
    if not errors_among(problems):
        summary = summary_of(loaded(declaration, problems))
    return CheckReport(folder=str(folder), problems=problems, summary=summary)


def summary_of(cell: LoadedCell) -> CellSummary:
    """What a loaded cell declares."""
    declared = cell.cell
    part_types = tuple(
        PartTypeSummary(
            part_type=part.part_type,
            title=part.title,
            revision=part.revision,
            characteristics=tuple(
                CharacteristicSummary(
                    characteristic=characteristic,
                    deciders=deciders_of(declared.programs, part.part_type, characteristic),
                )
                for characteristic in part.plan
            ),
        )
        for part in declared.part_types
    )
    return CellSummary(
        cell=declared,
        driving=driving_of(declared, dict(cell.profiles)),
        options=options_of(declared, cell.profiles),
        part_types=part_types,
        security=cell.security,
        service_level=cell.service_level,
    )


def deciders_of(
    programs: tuple[Program, ...], part_type: str, characteristic: Characteristic
) -> tuple[Decider, ...]:
    """The programs that are good enough for a characteristic, best first."""
    offers = (
        Decider(
            station=program.station,
            program=program.program,
            u=cover.expanded_u * REQUIRED_U_K / cover.k,
        )
        for program in programs
        if program.part_type == part_type
        for cover in program.covers
        if cover.number == characteristic.number and cover.decides(characteristic.required_u)
    )
    return tuple(sorted(offers, key=lambda d: (d.u, d.station, d.program)))


def _summary_text(summary: CellSummary) -> Iterator[str]:
    cell = summary.cell
    yield f"cell {cell.cell}: {cell.title}"
    yield f"  revision {cell.digest}"
    jaws = _count(cell.handler.jaws, "jaw")
    yield f"  handler {cell.handler.handler} with {jaws} at {cell.handler.url}, {cell.handler.profile}"
    for station in cell.stations:
        programs = sum(1 for program in cell.programs if program.station == station.station)
        yield (
            f"  station {station.station}: {station.title}, {station.kind}, {station.url}, "
            f"{station.profile}, {_count(programs, 'program')}"
        )
    kinds = [place.kind for place in cell.places]
    places = [_count(kinds.count(k), f"{k} place") for k in get_args(PlaceKind) if k in kinds]
    yield f"  {', '.join(places)}"
    yield f"  routing: {_routing_words(cell.routing)}"
    yield from _security_text(summary.security)
    ignored = [name for name, level in summary.service_level.items() if level == "ignored"]
    if ignored:
        yield f"  service level of {', '.join(ignored)}: ignored, by choice of the cell file"
    yield "one driver at a time (docs/explanation/one-driver.md)"
    alike = dict.fromkeys(driving.says() for driving in summary.driving)
    for says in alike:
        yield f"  {', '.join(d.machine for d in summary.driving if d.says() == says)}: {says}"
    if summary.options:
        yield "what machines may be without (found out on connecting)"
        yield from (f"  {option.says()}" for option in summary.options)
    for part_type in summary.part_types:
        yield from _part_type_text(part_type)


def _routing_words(routing: Routing) -> str:
    """What routing aims at, for whom, and how far it looks; without look-ahead there is no objective to be had."""
    if not routing.look_ahead_steps:
        return "by the simple rule alone"
    aim = {
        "throughput": "throughput first",
        "due_times": "due times",
        "priority_classes": "priority classes",
    }[routing.objective]
    pressing = "; ".join(map(_urgency_words, routing.urgencies))
    whom = f" ({pressing})" if pressing else ""
    return f"{aim}{whom}, looks ahead {_count(routing.look_ahead_steps, 'step')}"


def _urgency_words(urgency: Urgency) -> str:
    minutes, over_ms = divmod(urgency.due_ms, 60_000)
    due = f"{urgency.due_ms / 1000:g} s" if over_ms else f"{minutes} min"
    within = f" within {due}," if urgency.due_ms else ""
    return f"{urgency.part_type}{within} weight {urgency.weight}"


def _security_text(security: Mapping[str, SecurityEntry]) -> Iterator[str]:
    """One line for all machines that are secured in the same way."""
    alike: dict[str, list[str]] = {}
    for machine, entry in security.items():
        alike.setdefault(entry.words, []).append(machine)
    for words, machines in alike.items():
        weak = ", by choice of the cell file" if security[machines[0]].weakness else ""
        yield f"  connections to {', '.join(machines)}: {words}{weak}"


def _part_type_text(summary: PartTypeSummary) -> Iterator[str]:
    plan = summary.characteristics
    yield (
        f"part type {summary.part_type}: {summary.title}, revision {summary.revision}, "
        f"{_count(len(plan), 'characteristic')}"
    )
    rows = [_characteristic_row(line) for line in plan]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = (text.ljust(width) for text, width in zip(row, widths, strict=True))
        yield f"  {'  '.join(cells)}".rstrip()


def _characteristic_row(line: CharacteristicSummary) -> tuple[str, ...]:
    entry = line.characteristic
    stations = ", ".join(dict.fromkeys(decider.station for decider in line.deciders))
    limits = f"{_or_open(entry.lower)} .. {_or_open(entry.upper)} {entry.unit}"
    needed = f"U {entry.required_u.normalize():f}"
    return entry.number, f"{entry.name}, {entry.kind}", limits, needed, stations or "nobody"


def _shown_u(u: Decimal) -> str:
    """An uncertainty taken to k = 2, to four significant digits."""
    return f"{u.normalize(Context(prec=4)):f}"


def _or_open(limit: Decimal | None) -> str:
    return "-" if limit is None else str(limit)


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _problem_json(problem: Problem) -> dict[str, Any]:
    return {
        "grade": problem.grade,
        "file": problem.file,
        "line": problem.line,
        "column": problem.column,
        "field": problem.field,
        "expected": problem.expected,
        "found": problem.found,
        "remedy": problem.remedy,
        "text": str(problem),
    }


def _summary_json(summary: CellSummary) -> dict[str, Any]:
    cell = summary.cell
    return {
        "cell": cell.cell,
        "title": cell.title,
        "digest": cell.digest,
        "jaws": cell.handler.jaws,
        "stations": [
            {
                "station": station.station,
                "title": station.title,
                "kind": station.kind,
                "url": station.url,
                "profile": station.profile,
                "programs": [p.program for p in cell.programs if p.station == station.station],
            }
            for station in cell.stations
        ],
        "security": {
            machine: {"words": entry.words, "weakness": entry.weakness}
            for machine, entry in summary.security.items()
        },
        "service_level": dict(summary.service_level),
        "places": [
            {"place": place.place, "kind": place.kind, "sorting": place.sorting}
            for place in cell.places
        ],
        "routing": _routing_json(cell.routing),
        "driving": [
            {
                "machine": driving.machine,
                "permit_s": driving.permit_s,
                "fenced": driving.fenced,
                "says": driving.says(),
            }
            for driving in summary.driving
        ],
        "options": [
            {"machines": list(option.machines), "node": option.node, "without": option.without}
            for option in summary.options
        ],
        "part_types": [_part_type_json(part_type) for part_type in summary.part_types],
    }


def _routing_json(routing: Routing) -> dict[str, Any]:
    return {
        "objective": routing.objective,
        "look_ahead_steps": routing.look_ahead_steps,
        "urgencies": [
            {
                "part_type": urgency.part_type,
                "due_s": f"{Decimal(urgency.due_ms) / 1000:f}" if urgency.due_ms else None,
                "weight": urgency.weight,
            }
            for urgency in routing.urgencies
        ],
        "says": _routing_words(routing),
    }


def _part_type_json(summary: PartTypeSummary) -> dict[str, Any]:
    return {
        "part_type": summary.part_type,
        "title": summary.title,
        "revision": summary.revision,
        "characteristics": [_characteristic_json(line) for line in summary.characteristics],
    }


def _characteristic_json(line: CharacteristicSummary) -> dict[str, Any]:
    entry = line.characteristic
    return {
        "number": entry.number,
        "name": entry.name,
        "kind": entry.kind,
        "nominal": str(entry.nominal),
        "lower": None if entry.lower is None else str(entry.lower),
        "upper": None if entry.upper is None else str(entry.upper),
        "unit": entry.unit,
        "need": entry.need,
        "required_u": str(entry.required_u),
        "decided_by": [
            {"station": d.station, "program": d.program, "expanded_u": _shown_u(d.u)}
            for d in line.deciders
        ],
    }
