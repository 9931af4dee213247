"""From a folder to a cell: loaded whole, checked whole.

Rules of this file:
- There is a cell only if there is no error; warnings do not keep it from being used.
- What is handed on is sorted and immutable: nobody looks into a file afterwards.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

from supervisor.cell.canonical import with_digest
from supervisor.cell.checks import check
from supervisor.cell.coverage import coverages_of
from supervisor.cell.declaration import Declaration, PartTypeDraft
from supervisor.cell.folder import read_folder
from supervisor.cell.kinds import ServiceLevel
from supervisor.cell.model import (
    Cell,
    DecisionRule,
    Expansion,
    Handler,
    PartType,
    Place,
    Program,
    Reader,
    Routing,
    Soak,
    Station,
    Urgency,
)
from supervisor.cell.offsets import offset_of
from supervisor.cell.plan import characteristic_of, tool_offset_of
from supervisor.cell.problem import (
    DeclarationError,
    Problem,
    errors_among,
    in_reading_order,
)
from supervisor.cell.profile import AnyProfile, StationProfile
from supervisor.cell.reading_order import reading_order
from supervisor.cell.receivers import ReceiverEntry
from supervisor.cell.reference_parts import reference_of
from supervisor.cell.schema import (
    DecisionRuleEntry,
    ExpansionEntry,
    HandlerEntry,
    PlaceEntry,
    ProgramEntry,
    ReaderEntry,
    RoutingEntry,
    StationEntry,
)
from supervisor.cell.security import SecurityEntry
from supervisor.cell.value import value

ZERO_S = Decimal(0)


@value
class LoadedCell:
    """A cell that can be used, the interface profiles of its machines by name, and what its author should look at.

    ``security`` says by machine how its connection is secured, ``silence_ms`` after what silence it counts as lost, ``service_level``
    whether its server is believed when it says how fit it is. ``receivers`` are the systems that messages are sent to. None of these is part of the cell and its digest: they decide nothing about parts.
    """

    cell: Cell
    profiles: Mapping[str, AnyProfile]
    warnings: tuple[Problem, ...]
    security: Mapping[str, SecurityEntry]
    silence_ms: Mapping[str, int]
    service_level: Mapping[str, ServiceLevel]
    receivers: tuple[ReceiverEntry, ...] = ()


def load_cell(folder: Path) -> LoadedCell:
    """The cell that a folder declares.

    Raises:
        DeclarationError: the declaration has errors; all of them are in it.
    """
    declaration, problems = examine(folder)
    if errors_among(problems):
        raise DeclarationError(problems)
    return loaded(declaration, problems)


def loaded(declaration: Declaration, warnings: tuple[Problem, ...]) -> LoadedCell:
    """The cell of a declaration that was examined and has no error."""
    handler = declaration.handler
    assert handler is not None, "a declaration without errors is whole"
    machines = (*declaration.stations, handler, *declaration.readers)
    return LoadedCell(
        cell=with_digest(_cell(declaration)),
        profiles=declaration.profiles,
        warnings=warnings,
        security={machine.id: machine.security for machine in machines},
        silence_ms={machine.id: machine.silence_ms for machine in machines},
        service_level={machine.id: machine.service_level for machine in machines},
        receivers=declaration.receivers,
    )


def examine(folder: Path, today: str = "") -> tuple[Declaration, tuple[Problem, ...]]:
    """What is sound in a folder, and every problem in reading order; ``today`` is YYYY-MM-DD ("" = this machine's day, UTC)."""
    day = today or datetime.now(UTC).date().isoformat()
    declaration, problems = read_folder(folder, day)
    return declaration, in_reading_order(check(declaration, problems))


def _cell(declaration: Declaration) -> Cell:
    table, handler = declaration.files.cell, declaration.handler
    assert table is not None, "a declaration without errors is whole"
    assert handler is not None, "a declaration without errors is whole"
    plans = {d.part_type: tuple(line.number for line in d.plan) for d in declaration.part_types}
    return Cell(
        cell=table.text("cell") or "",
        title=table.text("title") or "",
        digest="",
        handler=_handler(handler),
        stations=tuple(
            sorted(
                (_station(s, declaration.profiles.get(s.profile)) for s in declaration.stations),
                key=lambda s: s.station,
            )
        ),
        places=tuple(sorted(map(_place, declaration.places), key=lambda p: p.place)),
        readers=tuple(sorted(map(_reader, declaration.readers), key=lambda r: r.reader)),
        part_types=tuple(
            sorted(
                (_part_type(draft, plans) for draft in declaration.part_types),
                key=lambda p: p.part_type,
            )
        ),
        programs=tuple(
            sorted(
                (_program(declaration, p) for p in declaration.programs), key=lambda p: p.program
            )
        ),
        offsets=tuple(
            sorted(map(offset_of, declaration.offsets), key=lambda o: (o.offset, o.version))
        ),
        rule=_rule(declaration.rule),
        routing=_routing(declaration.routing),
    )


def _routing(entry: RoutingEntry) -> Routing:
    return Routing(
        objective=entry.objective,
        look_ahead_steps=entry.look_ahead_steps,
        urgencies=tuple(
            sorted(
                (
                    Urgency(part_type=u.part_type, due_ms=_ms(u.due_s or ZERO_S), weight=u.weight)
                    for u in entry.urgencies
                ),
                key=lambda urgency: urgency.part_type,
            )
        ),
    )


def _rule(entry: DecisionRuleEntry) -> DecisionRule:
    return DecisionRule(
        rule=entry.rule,
        guard_factor=entry.guard_factor,
        agreed_by=entry.agreed_by or "",
        agreed_on=entry.agreed_on or "",
    )


def _handler(entry: HandlerEntry) -> Handler:
    return Handler(
        handler=entry.id,
        url=entry.url,
        profile=entry.profile,
        jaws=entry.jaws,
        rail_from_mm=entry.rail_from_mm,
        rail_to_mm=entry.rail_to_mm,
        speed_mm_s=entry.speed_mm_s,
        pick_ms=_ms(entry.pick_s),
        put_ms=_ms(entry.put_s),
        swap_ms=_ms(entry.swap_s or entry.pick_s + entry.put_s),
        move_ms_max=_ms(entry.move_s_max),
        settle_ms_max=_ms(entry.settle_s_max),
    )


def _station(entry: StationEntry, profile: AnyProfile | None) -> Station:
    return Station(
        station=entry.id,
        title=entry.title,
        kind=entry.kind,
        url=entry.url,
        profile=entry.profile,
        at_mm=entry.at_mm,
        door_ms_max=_ms(entry.door_s_max),
        start_ms_max=_ms(entry.start_s_max),
        late_factor=entry.late_factor,
        serial_number=entry.serial_number or "",
        calibration=entry.calibration.certificate if entry.calibration else "",
        calibration_due=entry.calibration.due if entry.calibration else "",
        calibration_overdue="stops"
        if entry.calibration and entry.calibration.overdue == "stop"
        else "noted",
        calibration_warn_days=entry.calibration.warn_days if entry.calibration else 0,
        start_twice=profile.start_twice if isinstance(profile, StationProfile) else "unknown",
    )


def _place(entry: PlaceEntry) -> Place:
    return Place(
        place=entry.id,
        kind=entry.kind,
        sorting=entry.sorting or "",
        at_mm=entry.at_mm,
        reader=entry.reader,
        antenna=entry.antenna,
    )


def _reader(entry: ReaderEntry) -> Reader:
    return Reader(
        reader=entry.id, url=entry.url, profile=entry.profile, answer_ms_max=_ms(entry.answer_s_max)
    )


def _part_type(draft: PartTypeDraft, plans: Mapping[str, tuple[str, ...]]) -> PartType:
    plan = (characteristic_of(entry, draft.unit) for entry in draft.plan)
    return PartType(
        part_type=draft.part_type,
        title=draft.table.text("title") or "",
        gtin=draft.table.text("gtin") or "",
        revision=draft.table.text("revision") or "",
        plan=tuple(sorted(plan, key=lambda c: reading_order(c.number))),
        rule=None if draft.rule is None else _rule(draft.rule),
        expansion=None if draft.expansion is None else _expansion(draft.expansion),
        tool_offsets=tuple(
            sorted(
                (tool_offset_of(e, draft.unit) for e in draft.tool_offsets), key=lambda o: o.offset
            )
        ),
        reference=None if draft.reference is None else reference_of(draft.reference, plans),
        measure=draft.measure,
        soak=None
        if draft.soak is None
        else Soak(ms=draft.soak.minutes * 60_000, since=draft.soak.since),
    )


def _expansion(entry: ExpansionEntry) -> Expansion:
    return Expansion(
        per_k=entry.per_million_k.scaleb(-6),
        u_per_k=entry.u.scaleb(-6),
        temperature_u_k=entry.temperature_u,
    )


def _program(declaration: Declaration, entry: ProgramEntry) -> Program:
    covers = coverages_of(declaration, entry)
    return Program(
        program=entry.id,
        station=entry.station,
        part_type=entry.part_type,
        name=entry.name,
        number=entry.number,
        revision=entry.revision,
        covers=tuple(sorted(covers, key=lambda c: reading_order(c.number))),
        part_free_ms=_ms(entry.part_free_s),
        result_ms=_ms(entry.result_s),
    )


def _ms(seconds: Decimal) -> int:
    return int(seconds * 1000)
