"""The physics file of a declared cell: the declared stations, places and programs, with pallets and parts from a seed.

Rules of this file: everything a simulator knows of the cell is written here, from the declaration; the seed decides the parts.
"""

from collections.abc import Sequence
from random import Random

from simulators.models.physics import (
    Characteristic,
    Coverage,
    Handler,
    Operator,
    Pallet,
    PartType,
    Physics,
    Place,
    Program,
    Reader,
    Station,
    StationKind,
)
from supervisor.cell import model

COMPANY_DIGITS = 7
PALLET_TYPE = "12345"
TAKE_AFTER_MS = 20_000
KINDS: dict[str, StationKind] = {"optical": "scan", "tactile": "touch", "ct": "ct"}


class UnknownKind(Exception):  # noqa: N818 - it says what is wrong with the declaration
    """The cell declares a station that no simulator plays."""


def pallets_for(cell: model.Cell, count: int, seed: int) -> tuple[Pallet, ...]:
    """Pallets with parts, part types in turn so that each comes about equally often; pallets belong to the maker of the part."""
    draw = Random(f"pallets {seed}")
    first = draw.randrange(100, 900) * 100
    return tuple(
        Pallet(
            pallet=f"grai:{part_type.gtin[1 : 1 + COMPANY_DIGITS]}.{PALLET_TYPE}.{number + 1}",
            part_type=part_type.part_type,
            serial=str(first + number),
            batch=f"B{seed:04d}-{1 + number // 24}",
            produced=f"2026-11-{1 + draw.randrange(25):02d}T{draw.randrange(24):02d}:{draw.randrange(60):02d}:00Z",
        )
        for number in range(count)
        for part_type in (cell.part_types[number % len(cell.part_types)],)
    )


def physics_of(
    cell: model.Cell, *, pallets: Sequence[Pallet], arrivals_ms: Sequence[int], bad_share: float
) -> Physics:
    """The physics of a declared cell.

    Raises:
        UnknownKind: no simulator plays a declared station kind.
    """
    return Physics(
        schema=1,
        stations=tuple(_station(station) for station in cell.stations),
        handler=_handler(cell.handler),
        reader=Reader(reader=cell.readers[0].reader),
        places=tuple(
            Place(place=place.place, kind=place.kind, at_mm=place.at_mm) for place in cell.places
        ),
        part_types=tuple(_part_type(part_type) for part_type in cell.part_types),
        programs=tuple(_program(program) for program in cell.programs),
        pallets=tuple(pallets),
        operator=Operator(arrivals_ms=tuple(arrivals_ms), take_after_ms=TAKE_AFTER_MS),
        nonconforming_share=bad_share,
    )


def _station(station: model.Station) -> Station:
    kind = KINDS.get(station.kind)
    if kind is None:
        message = f"station {station.station}: no simulator plays kind {station.kind!r}; known are {', '.join(sorted(KINDS))}"
        raise UnknownKind(message)
    return Station(station=station.station, kind=kind, at_mm=station.at_mm)


def _handler(handler: model.Handler) -> Handler:
    return Handler(
        handler=handler.handler,
        jaws=handler.jaws,
        home_mm=handler.rail_from_mm,
        speed_mm_s=handler.speed_mm_s,
        pick_ms=handler.pick_ms,
        put_ms=handler.put_ms,
        swap_ms=handler.swap_ms,
    )


def _part_type(part_type: model.PartType) -> PartType:
    return PartType(
        part_type=part_type.part_type,
        gtin=part_type.gtin,
        characteristics=tuple(
            Characteristic(
                number=each.number,
                kind=each.kind,
                nominal=float(each.nominal),
                lower=None if each.lower is None else float(each.lower),
                upper=None if each.upper is None else float(each.upper),
                unit=each.unit,
            )
            for each in part_type.plan
        ),
    )


def _program(program: model.Program) -> Program:
    return Program(
        station=program.station,
        part_type=program.part_type,
        name=program.name,
        number=program.number,
        revision=program.revision,
        covers=tuple(
            Coverage(number=cover.number, expanded_u=float(cover.expanded_u), k=float(cover.k))
            for cover in program.covers
        ),
        part_free_ms=program.part_free_ms,
        result_ms=program.result_ms,
    )
