"""Measurement programs: durations, uncertainties, and whether every characteristic can be decided.

Rules of this file:
- Whether a program is good enough to decide a characteristic says ``Coverage.decides``, here as in the running cell.
"""

from collections.abc import Iterator
from decimal import Decimal

from supervisor.cell.coverage import coverages_of
from supervisor.cell.declaration import Declaration
from supervisor.cell.kinds import KINDS, UNITS
from supervisor.cell.model import Coverage
from supervisor.cell.plan import AbsoluteLimits, limits_of, required_u_of, unit_of
from supervisor.cell.problem import Problem, one_of
from supervisor.cell.profile import StationProfile
from supervisor.cell.profile_language import (
    WHOLE_TYPES,
    ArrayResults,
    CallOrder,
    Order,
    PulseOrder,
    WriteOrder,
)
from supervisor.cell.schema import CharacteristicEntry, ProgramEntry


def pallets_are_free_before_the_result(declaration: Declaration) -> Iterator[Problem]:
    """The result comes when the pallet may leave, or later."""
    for program in declaration.programs:
        if program.result_s < program.part_free_s:
            yield program.problem(
                "result_s",
                expected=f"at least part_free_s, {program.part_free_s}",
                remedy="exchange the two, or write the same time twice",
            )


def coverage_factors_are_possible(declaration: Declaration) -> Iterator[Problem]:
    """An expanded uncertainty has a factor of at least 1."""
    for program in declaration.programs:
        for entry in (program, *program.covers):
            if entry.k is not None and entry.k < 1:
                yield entry.problem(
                    "k",
                    expected="a coverage factor of at least 1",
                    remedy="write 2, or the factor of the uncertainty budget",
                )


def uncertainties_are_in_the_unit(declaration: Declaration) -> Iterator[Problem]:
    """An uncertainty as large as the tolerance was probably written in another unit."""
    drafts = _drafts(declaration)
    for program in declaration.programs:
        lines = drafts.get(program.part_type, {})
        for cover in program.covers:
            tolerance = _tolerance(lines.get(cover.number))
            if tolerance is not None and cover.expanded_u >= tolerance > 0:
                yield cover.problem(
                    "expanded_u",
                    expected=f"well below the tolerance of {tolerance}",
                    remedy="check the unit: it is that of the characteristic",
                    grade="warning",
                )


def every_characteristic_can_be_decided(declaration: Declaration) -> Iterator[Problem]:
    """Each mandatory characteristic is covered by a program that is good enough; an informative one should be."""
    for draft in declaration.part_types:
        programs = [p for p in declaration.programs if p.part_type == draft.part_type]
        if not programs:
            yield draft.table.problem(
                "part_type",
                expected="a program that measures this part type",
                found="none",
                remedy="declare one in programs.yaml",
            )
            continue
        offers = [(p, c) for p in programs for c in coverages_of(declaration, p)]
        for entry in draft.plan:
            yield from _undecidable(entry, offers)


def programs_decide_something(declaration: Declaration) -> Iterator[Problem]:
    """A program is good enough for at least one of its characteristics."""
    drafts = _drafts(declaration)
    for program in declaration.programs:
        lines = drafts.get(program.part_type, {})
        if not any(
            _decides(c, lines[c.number])
            for c in coverages_of(declaration, program)
            if c.number in lines
        ):
            yield program.problem(
                "covers",
                expected="a characteristic that the program measures well enough to decide it",
                found="none",
                remedy="correct the uncertainties, or remove the program: it would never be chosen",
                grade="warning",
            )


def stations_have_programs(declaration: Declaration) -> Iterator[Problem]:
    """A station without a program never gets a pallet."""
    used = {program.station for program in declaration.programs}
    for station in declaration.stations:
        if station.id not in used:
            yield station.problem(
                "id",
                expected="a program that this station runs",
                found="none",
                remedy="declare one in programs.yaml, or remove the station",
                grade="warning",
            )


def programs_have_the_number_their_station_selects_by(
    declaration: Declaration,
) -> Iterator[Problem]:
    """Where a station's profile selects programs by number, each of its programs has one."""
    for program, profile in _with_profiles(declaration):
        if program.number == 0 and _selects_by_number(profile):
            yield program.problem(
                "number",
                expected=f"the number by which {program.station} selects the program",
                found="none",
                remedy="add `number:` from 1, as set up at the station",
            )


def stations_can_name_the_characteristics(declaration: Declaration) -> Iterator[Problem]:
    """Where a station reports whole numbers, the plan's numbers are of the form that its profile makes of them."""
    for program, profile in _with_profiles(declaration):
        if not _reports_whole_numbers(profile):
            continue
        prefix, digits = profile.results.prefix, profile.results.digits
        for cover in program.covers:
            if not _is_numbered(cover.number, prefix, digits):
                yield cover.problem(
                    "number",
                    expected=f"a number that {program.station} can report, such as {prefix}{'7'.zfill(digits)}",
                    remedy="renumber the plan, or give the profile a `prefix` and `digits` that fit",
                )


def results_are_in_the_unit_of_the_plan(declaration: Declaration) -> Iterator[Problem]:
    """Where a profile states one unit for all results of a station, what the station decides is in that unit."""
    units = {
        (draft.part_type, entry.number): unit_of(entry, draft.unit)
        for draft in declaration.part_types
        for entry in draft.plan
        if unit_of(entry, draft.unit) in UNITS[KINDS[entry.kind].quantity]
    }
    for program, profile in _with_profiles(declaration):
        stated = profile.results.unit
        if stated is None or profile.results.columns.unit is not None:
            continue
        other = [
            (cover, unit)
            for cover in program.covers
            if (unit := units.get((program.part_type, cover.number), stated)) != stated
        ]
        for cover, unit in other[:1]:
            more = f" and {len(other) - 1} more" if len(other) > 1 else ""
            yield cover.problem(
                "number",
                expected=f"a characteristic in {stated}, in which {program.station} reports all results (`unit` of profile {profile.profile})",
                found=f"{cover.number}, which is in {unit}{more}",
                remedy="let another station decide it, or correct the unit here or in the profile",
            )


def _undecidable(
    entry: CharacteristicEntry, offers: list[tuple[ProgramEntry, Coverage]]
) -> Iterator[Problem]:
    limits = limits_of(entry)
    required = required_u_of(entry, limits) if isinstance(limits, AbsoluteLimits) else None
    mine = [(program, cover) for program, cover in offers if cover.number == entry.number]
    if required is not None and any(cover.decides(required) for _, cover in mine):
        return
    stated = sorted(f"{c.expanded_u} (k = {c.k}) by {p.id} at {p.station}" for p, c in mine)
    yield entry.problem(
        "number",
        expected=f"a program that decides {entry.number} with U up to {required} (k = 2)",
        found=one_of(stated).removeprefix("one of ") if stated else "no program that covers it",
        remedy="cover it by a better program, or state the `required_u` that you accept",
        grade="error" if entry.need == "mandatory" else "warning",
    )


def _decides(cover: Coverage, entry: CharacteristicEntry) -> bool:
    limits = limits_of(entry)
    required = required_u_of(entry, limits) if isinstance(limits, AbsoluteLimits) else None
    return required is not None and cover.decides(required)


def _tolerance(entry: CharacteristicEntry | None) -> Decimal | None:
    limits = None if entry is None else limits_of(entry)
    if entry is None or not isinstance(limits, AbsoluteLimits):
        return None
    return limits.tolerance(entry)


def _drafts(declaration: Declaration) -> dict[str, dict[str, CharacteristicEntry]]:
    """The lines of each part type, by number."""
    return {
        draft.part_type: {entry.number: entry for entry in draft.plan}
        for draft in declaration.part_types
    }


def _with_profiles(declaration: Declaration) -> Iterator[tuple[ProgramEntry, StationProfile]]:
    """Programs with the profile of their station, where both are known."""
    stations = {station.id: station.profile for station in declaration.stations}
    for program in declaration.programs:
        profile = declaration.profiles.get(stations.get(program.station, ""))
        if isinstance(profile, StationProfile):
            yield program, profile


def _selects_by_number(profile: StationProfile) -> bool:
    orders = (profile.orders.prepare, profile.orders.start)
    return any("program_number" in _fields_of(order) for order in orders)


def _fields_of(order: Order) -> list[str | None]:
    """What an order hands over."""
    match order:
        case WriteOrder():
            return [order.field, *(assignment.field for assignment in order.before)]
        case PulseOrder():
            return [assignment.field for assignment in order.before]
        case CallOrder():
            return [argument.field for argument in order.arguments]
        case _:
            return []


def _reports_whole_numbers(profile: StationProfile) -> bool:
    """Whether the numbers of characteristics arrive as whole numbers; keys and fields of structures may be text."""
    results = profile.results
    if not isinstance(results, ArrayResults):
        return False
    node = profile.shown().get(results.columns.number)
    return node is not None and node.type.removesuffix("[]") in WHOLE_TYPES


def _is_numbered(number: str, prefix: str, digits: int) -> bool:
    figure = number.removeprefix(prefix)
    if not number.startswith(prefix) or not figure.isascii() or not figure.isdigit():
        return False
    return figure == str(int(figure)).zfill(digits)
