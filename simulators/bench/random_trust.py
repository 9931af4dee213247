"""Reference parts and calibrations for a drawn cell: what its stations are trusted by.

Rules of this file:
- The certificate of a reference part tells the truth of the simulated part to a tenth of what its station claims, so an honest station
  misses a value as often as its stated uncertainty says and no oftener.
- A reference part keeps a rack place for good; a cell gets one only if enough places are left for its work.
- The serial number of a reference part is one that chance never spoils, whatever share of the shift's parts is nonconforming.
"""

from collections.abc import Sequence
from datetime import UTC, datetime
from decimal import Decimal
from random import Random

from simulators.bench.parts import COMPANY_DIGITS, PALLET_TYPE, physics_of
from simulators.models.chance import chance
from simulators.models.part import Parts
from simulators.models.physics import Pallet
from supervisor.cell import value
from supervisor.cell.model import (
    Cell,
    Characteristic,
    CheckRule,
    CheckTrigger,
    Coverage,
    PartType,
    Program,
    Reference,
    ReferenceValue,
    Station,
    Vouched,
)
from supervisor.tag import check_digit

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
CHECKED_SHARE = 0.35
"""Share of cells with reference parts, if they have the room."""
CALIBRATED_SHARE = 0.2
"""Share of stations whose calibration is declared."""
FREE_RACKS_MIN = 3
CERTIFICATE_SHARE = Decimal("0.1")
FIRST_PALLET = 900
COMPANY_NUMBER = "0614141"

Measured = tuple[str, Characteristic, Coverage]
"""A part type, one of its characteristics, and how well the station measures it."""


def trusted(cell: Cell, seed: int) -> Cell:
    """The cell with calibrations and, in some cells, one or two reference parts."""
    cell = value.replace(cell, stations=_calibrated(chance("calibrations", seed), cell.stations))
    draw = chance("references", seed)
    racks = sum(1 for place in cell.places if place.kind == "rack")
    if draw.random() >= CHECKED_SHARE:
        return cell
    wished = draw.sample(cell.stations, min(len(cell.stations), draw.choice((1, 1, 2))))
    for station in wished[: max(0, racks - FREE_RACKS_MIN)]:
        measured = _measured_at(cell, station.station)
        if measured:
            cell = _with_reference(cell, draw, station, measured)
    return _with_certificates(cell, seed)


def ordinary(cell: Cell) -> Cell:
    """The cell without its reference parts: what the line brings."""
    plain = (each for each in cell.part_types if each.reference is None)
    return value.replace(cell, part_types=tuple(plain))


def reference_pallets(cell: Cell) -> list[Pallet]:
    """One pallet for each reference part."""
    return [
        Pallet(
            pallet=f"grai:{each.gtin[1 : 1 + COMPANY_DIGITS]}.{PALLET_TYPE}.{FIRST_PALLET + at}",
            part_type=each.part_type,
            serial=each.reference.serial,
            batch="reference",
            produced="2025-01-01T00:00:00Z",
        )
        for at, each in enumerate(each for each in cell.part_types if each.reference)
        if each.reference is not None
    ]


def day_of(at_ms: int) -> str:
    """The day (YYYY-MM-DD, UTC) of a moment of the cell's time."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).date().isoformat()


def gtin_of(item: int) -> str:
    """The GTIN-14 of our maker's item with that number."""
    body = f"0{COMPANY_NUMBER}{item:05d}"
    return body + check_digit(body)


# --- calibrations -----------------------------------------------------------------------------------------------------------------


def _calibrated(draw: Random, stations: Sequence[Station]) -> tuple[Station, ...]:
    """Some hold for years, some end at midnight of the shift's first day, a few have ended."""
    return tuple(
        value.replace(
            station,
            calibration=f"C-{station.station}",
            calibration_due=draw.choice(("2026-12-31", "2025-11-24", "2025-11-24", "2025-11-23")),
            calibration_overdue=draw.choice(("stops", "stops", "noted")),
        )
        if draw.random() < CALIBRATED_SHARE
        else station
        for station in stations
    )


# --- reference parts --------------------------------------------------------------------------------------------------------------


def _measured_at(cell: Cell, station: str) -> list[Measured]:
    """What a station measures, once each."""
    found: dict[tuple[str, str], Measured] = {}
    for program in cell.programs:
        if program.station == station:
            plan = next(p.plan for p in cell.part_types if p.part_type == program.part_type)
            for cover in program.covers:
                planned = next(each for each in plan if each.number == cover.number)
                found[program.part_type, cover.number] = (program.part_type, planned, cover)
    return [found[key] for key in sorted(found)]


def _with_reference(
    cell: Cell, draw: Random, station: Station, measured: Sequence[Measured]
) -> Cell:
    chosen = draw.sample(measured, min(len(measured), draw.randint(1, 3)))
    name = f"reference-{station.station}"
    plan = tuple(
        value.replace(planned, number=str(at + 1), need="mandatory")
        for at, (_, planned, _) in enumerate(chosen)
    )
    values = tuple(
        ReferenceValue(
            number=str(at + 1),
            value=Decimal(0),
            expanded_u=cover.expanded_u * CERTIFICATE_SHARE,
            k=cover.k,
            vouches_for=_vouched(draw, measured),
        )
        for at, (_, _, cover) in enumerate(chosen)
    )
    reference = Reference(
        serial="0",
        certificate=f"K-{station.station}",
        due=draw.choice(("2026-12-31", "2026-12-31", "2026-12-31", "2025-11-24")),
        values=values,
        checks=(_rule(draw, station.station),),
    )
    part_type = PartType(
        part_type=name,
        title=name,
        gtin=gtin_of(90 + len(cell.part_types)),
        revision="A",
        plan=plan,
        reference=reference,
    )
    covers = tuple(
        value.replace(cover, number=str(at + 1)) for at, (_, _, cover) in enumerate(chosen)
    )
    program = _program(draw, station.station, name, covers, len(cell.programs) + 1)
    return value.replace(
        cell,
        part_types=tuple(sorted((*cell.part_types, part_type), key=lambda each: each.part_type)),
        programs=tuple(sorted((*cell.programs, program), key=lambda each: each.program)),
    )


def _vouched(draw: Random, measured: Sequence[Measured]) -> tuple[Vouched, ...]:
    """Everything that the station decides, or some of it."""
    if draw.random() < 0.5:  # noqa: PLR2004 - as many of either
        return ()
    some = draw.sample(measured, draw.randint(1, len(measured)))
    found = {Vouched(part_type=kind, number=each.number) for kind, each, _ in some}
    return tuple(sorted(found, key=lambda each: (each.part_type, each.number)))


def _rule(draw: Random, station: str) -> CheckRule:
    triggers: tuple[tuple[CheckTrigger, ...], ...] = (
        (),
        ("restart",),
        ("fault",),
        ("restart", "fault"),
    )
    return CheckRule(
        station=station,
        every_ms=draw.choice((0, 1, 2, 4)) * HOUR_MS,
        every_runs=draw.choice((0, 3, 8, 20)),
        after=draw.choice(triggers),
        kelvin=None,
        grace_ms=draw.choice((10, 30, 120)) * MINUTE_MS,
        runs_to_fail=draw.choice((1, 2, 2, 3)),
    )


def _program(
    draw: Random, station: str, part_type: str, covers: tuple[Coverage, ...], number: int
) -> Program:
    free_ms = draw.randrange(20_000, 120_000)
    return Program(
        program=f"{part_type}@{station}#{number}",
        station=station,
        part_type=part_type,
        name=f"P{number}",
        number=number,
        revision="1",
        covers=covers,
        part_free_ms=free_ms,
        result_ms=free_ms,
    )


# --- certificates -----------------------------------------------------------------------------------------------------------------


def _with_certificates(cell: Cell, seed: int) -> Cell:
    return value.replace(
        cell,
        part_types=tuple(
            each if each.reference is None else _certified(cell, each, each.reference, seed)
            for each in cell.part_types
        ),
    )


def _certified(cell: Cell, part_type: PartType, reference: Reference, seed: int) -> PartType:
    """The part whose truth is the same in a shift of good parts and in one of bad ones, with that truth as its certificate."""
    good, bad = (
        Parts(physics_of(cell, pallets=(), arrivals_ms=(), bad_share=share), seed=seed)
        for share in (0.0, 1.0 / 3)
    )
    name = part_type.part_type
    serial = next(
        serial
        for serial in map(str, range(1, 1000))
        if good.truth(name, serial) == bad.truth(name, serial)
    )
    truth = good.truth(name, serial)
    values = tuple(
        value.replace(each, value=Decimal(f"{truth[each.number]:.9f}")) for each in reference.values
    )
    return value.replace(
        part_type, reference=value.replace(reference, serial=serial, values=values)
    )
