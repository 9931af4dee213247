"""What makes sense in one line of an inspection plan.

Rules of this file:
- A check looks at one line with its limits made out; the first problem of a line's limits is given by ``plan.limits_of``.
- Units are those of the line, or of its part type.
"""

from collections.abc import Iterator
from decimal import Decimal

from supervisor.cell.declaration import Declaration
from supervisor.cell.kinds import KINDS, UNITS, Unit
from supervisor.cell.plan import AbsoluteLimits, limits_of, required_u_of, unit_of
from supervisor.cell.problem import Problem, one_of
from supervisor.cell.schema import CharacteristicEntry
from supervisor.cell.value import value


@value
class Line:
    """One line of a plan, with what it depends on."""

    entry: CharacteristicEntry
    limits: AbsoluteLimits
    unit: Unit
    guard_factor: Decimal


def limits_can_be_made_out(declaration: Declaration) -> Iterator[Problem]:
    """A characteristic has a nominal and limits, written in one of the four ways."""
    for draft in declaration.part_types:
        for entry in draft.plan:
            limits = limits_of(entry)
            if isinstance(limits, Problem):
                yield limits


def lines_make_sense(declaration: Declaration) -> Iterator[Problem]:
    """Limits, unit and datum of a characteristic fit its kind."""
    for line in _lines(declaration):
        for check in LINE_CHECKS:
            yield from check(line)


def measuring_ends_with_a_verdict(declaration: Declaration) -> Iterator[Problem]:
    """Measuring ends early only where a part gets a verdict: a reference part is measured as its checks say."""
    for draft in declaration.part_types:
        if draft.reference is not None and draft.measure != "everything":
            yield draft.table.problem(
                "measure",
                expected="nothing for a reference part, or everything",
                found=draft.measure,
                remedy="remove it: a reference part gets no verdict",
            )


SOAK_MINUTES_MAX = 7 * 24 * 60
"""A week: longer is a mistake in the unit."""


def soaking_comes_to_an_end(declaration: Declaration) -> Iterator[Problem]:
    """A part soaks for a week at most, and a reference part, which stays in the cell, not at all."""
    for draft in declaration.part_types:
        if draft.soak is None:
            continue
        if draft.soak.minutes > SOAK_MINUTES_MAX:
            yield draft.soak.problem(
                "minutes",
                expected=f"{SOAK_MINUTES_MAX} at most, which is a week",
                remedy="write minutes",
            )
        if draft.reference is not None:
            yield draft.table.problem(
                "soak",
                expected="nothing for a reference part",
                found="soak",
                remedy="remove it: a reference part stays in the cell and has its temperature",
            )


def _lines(declaration: Declaration) -> Iterator[Line]:
    for draft in declaration.part_types:
        for entry in draft.plan:
            limits = limits_of(entry)
            if not isinstance(limits, Problem):
                yield Line(
                    entry=entry,
                    limits=limits,
                    unit=unit_of(entry, draft.unit),
                    guard_factor=(draft.rule or declaration.rule).guard_factor,
                )


def _limits_are_in_order(line: Line) -> Iterator[Problem]:
    """The lower limit is below the upper one."""
    lower, upper = line.limits.lower, line.limits.upper
    if lower is not None and upper is not None and lower >= upper:
        yield line.entry.problem(
            "limits",
            expected="a lower limit below the upper one",
            found=f"{lower} and {upper}",
            remedy="exchange them, or correct the signs",
        )


def _nominal_is_within(line: Line) -> Iterator[Problem]:
    """A nominal lies between limits that are both absolute; deviations and codes may well leave it outside."""
    entry, limits = line.entry, line.limits
    lower, upper = entry.limits.lower, entry.limits.upper
    if lower is None or upper is None or lower >= upper or lower <= limits.nominal <= upper:
        return
    yield entry.problem(
        "nominal",
        expected=f"a nominal from {lower} to {upper}",
        found=str(limits.nominal),
        remedy="correct the nominal or the limits",
    )


def _code_limits_a_size(line: Line) -> Iterator[Problem]:
    """A tolerance code limits a size in mm."""
    if line.entry.limits.iso286 is None:
        return
    if KINDS[line.entry.kind].fit == "impossible":
        yield line.entry.problem(
            "limits",
            expected=f"limits of a {line.entry.kind}",
            found=f"the size code {line.entry.limits.iso286}",
            remedy="write `limits: {upper: ...}`, or correct the kind",
        )
    elif line.unit != "mm":
        yield line.entry.problem(
            "unit",
            expected="mm with a tolerance code",
            found=line.unit,
            remedy="write `unit: mm`, or write the limits out",
        )


def _zone_has_one_limit(line: Line) -> Iterator[Problem]:
    """A value that cannot be negative has nominal 0 and an upper limit above 0, nothing else."""
    entry, limits = line.entry, line.limits
    if KINDS[entry.kind].natural_limit == "none" or entry.limits.iso286 is not None:
        return
    if limits.nominal != 0:
        yield entry.problem(
            "nominal",
            expected=f"no nominal for {entry.kind}",
            remedy="remove it: it is 0 by nature",
        )
    elif limits.lower is not None or limits.upper is None:
        yield entry.problem(
            "limits",
            expected="an upper limit only",
            found="a lower limit",
            remedy=f"write `limits: {{upper: ...}}`: {entry.kind} cannot be negative",
        )
    elif limits.upper <= 0:
        yield entry.problem(
            "limits",
            expected="an upper limit above 0",
            found=str(limits.upper),
            remedy="write the width of the tolerance zone",
        )


def _datum_fits_the_kind(line: Line) -> Iterator[Problem]:
    """A form has no datum; orientation and run-out have one."""
    entry = line.entry
    rule = KINDS[entry.kind].datum
    if rule == "always" and entry.datum is None:
        yield entry.problem(
            "datum",
            expected=f"the datum of this {entry.kind}",
            found="nothing",
            remedy="add `datum:` as in the tolerance frame",
        )
    if rule == "never" and entry.datum is not None:
        yield entry.problem(
            "datum",
            expected=f"no datum for {entry.kind}, a form",
            remedy="remove it, or correct the kind",
        )


def _unit_fits_the_kind(line: Line) -> Iterator[Problem]:
    """Angles are in degrees, lengths are not."""
    units = UNITS[KINDS[line.entry.kind].quantity]
    if line.unit not in units:
        yield line.entry.problem(
            "unit",
            expected=f"{one_of(units)} for {line.entry.kind}",
            found=line.unit,
            remedy=f"write `unit: {units[0]}`",
        )


def _required_u_is_known(line: Line) -> Iterator[Problem]:
    """Where there is no tolerance to take it from, the required uncertainty is stated."""
    if required_u_of(line.entry, line.limits) is None:
        yield line.entry.problem(
            "required_u",
            expected="the uncertainty that may decide, as there is no tolerance to take it from",
            found="nothing",
            remedy="add `required_u:`, for example 15 % of the margin that matters",
        )


def _some_value_could_conform(line: Line) -> Iterator[Problem]:
    """The guard bands must leave a conformity zone even for the largest uncertainty that may decide."""
    tolerance, required_u = line.limits.tolerance(line.entry), line.entry.required_u
    if tolerance is None or required_u is None or tolerance <= 0:
        return
    sides = 1 if KINDS[line.entry.kind].natural_limit == "zero" else 2
    guard_bands = sides * line.guard_factor * required_u / 2
    if guard_bands >= tolerance:
        yield line.entry.problem(
            "required_u",
            expected=f"well below the tolerance of {tolerance}",
            remedy="lower it: with it the guard bands leave no value that conforms; look at the unit",
        )


LINE_CHECKS = (
    _limits_are_in_order,
    _nominal_is_within,
    _code_limits_a_size,
    _zone_has_one_limit,
    _datum_fits_the_kind,
    _unit_fits_the_kind,
    _required_u_is_known,
    _some_value_could_conform,
)
