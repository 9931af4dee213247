"""Agreed offsets between stations: which one is in force, and what it does to an uncertainty.

Rules of this file:
- An offset has versions; the highest is in force, the lower ones are kept as its history.
- It is only ever one number: what depends on the size or the temperature is no offset.
- Its uncertainty enters the budget of the program that it corrects, rounded up; nothing gets better by a correction.
- It expires. Whether it has, is judged by the day of the measurement (``verdict/weighing.py``), so that a cell that runs into the day
  goes on without it; here the author is warned.
"""

from collections.abc import Iterable, Iterator
from decimal import ROUND_CEILING, ROUND_FLOOR, Context

from supervisor.cell.declaration import Declaration, texts
from supervisor.cell.model import Coverage, Offset
from supervisor.cell.problem import Problem, choose_instead, one_of
from supervisor.cell.quadrature import in_quadrature
from supervisor.cell.schema import CoverageEntry, OffsetEntry, ProgramEntry
from supervisor.cell.value import replace

_UPWARD = Context(prec=12, rounding=ROUND_CEILING)
SIGNIFICANT = 2
"""A bias below this many standard uncertainties is not told from none (95 %); common practice."""

Target = tuple[str, str, str]


def coverage_of(declaration: Declaration, program: ProgramEntry, cover: CoverageEntry) -> Coverage:
    """One line of a program as it counts: with the offset in force, if there is one."""
    plain = program.coverage(cover)
    target = (program.part_type, cover.number, program.station)
    entry = in_force(declaration.offsets).get(target)
    return plain if entry is None else corrected(plain, offset_of(entry))


def in_force(offsets: Iterable[OffsetEntry]) -> dict[Target, OffsetEntry]:
    """The highest version for each part type, characteristic and station."""
    return {_target(entry): entry for entry in sorted(offsets, key=lambda each: each.version)}


def offset_of(entry: OffsetEntry) -> Offset:
    """The offset as the core knows it."""
    return Offset(
        offset=entry.id,
        version=entry.version,
        part_type=entry.part_type,
        number=entry.characteristic,
        station=entry.station,
        reference=entry.reference,
        bias=entry.bias,
        standard_u=entry.u,
        n=entry.n,
        owner=entry.owner,
        reason=entry.reason,
        agreed_on=entry.agreed_on,
        expires_on=entry.expires_on,
    )


def corrected(coverage: Coverage, offset: Offset) -> Coverage:
    """A coverage whose budget holds the offset's uncertainty: a root sum of squares, rounded up (JCGM 100:2008 5.1.2).

    Degrees of freedom after Welch and Satterthwaite (G.4.1), the offset's being n - 1, rounded down (G.6.4); clauses from memory.
    """
    own = coverage.expanded_u / coverage.k
    total = in_quadrature(own, offset.standard_u)
    spread = offset.standard_u**4 / (offset.n - 1)
    if coverage.dof is not None:
        spread += own**4 / coverage.dof
    degrees = (total**4 / spread).to_integral_value(ROUND_FLOOR)
    return replace(
        coverage,
        expanded_u=_UPWARD.multiply(total, coverage.k),
        dof=None if degrees > _WELL_KNOWN else int(degrees),
        offset=offset,
    )


_WELL_KNOWN = 1_000
"""From here on Student's quantile differs from the normal one by less than a thousandth."""


# --- checks -----------------------------------------------------------------------------------------------------------------


def offsets_are_distinct(declaration: Declaration) -> Iterator[Problem]:
    """Each version of an offset is declared once, and one id stands for one characteristic at one station."""
    versions: dict[tuple[str, int], OffsetEntry] = {}
    targets: dict[Target, str] = {}
    ids: dict[str, Target] = {}
    for entry in declaration.offsets:
        target = _target(entry)
        known = versions.setdefault((entry.id, entry.version), entry)
        if known is not entry:
            yield entry.problem(
                "version",
                expected="each version of an offset once",
                remedy="give the newer one the next number",
            )
        elif ids.setdefault(entry.id, target) != target:
            yield entry.problem(
                "id",
                expected="one characteristic at one station for each id",
                remedy="choose another id",
            )
        elif targets.setdefault(target, entry.id) != entry.id:
            yield entry.problem(
                "id",
                expected=f"{targets[target]}, which corrects this characteristic at {entry.station} already",
                remedy="make it a newer version of that one",
            )


def offsets_make_sense(declaration: Declaration) -> Iterator[Problem]:
    """An offset is found against another station, from several parts, larger than its uncertainty, and expires after it began."""
    for entry in declaration.offsets:
        if entry.reference == entry.station:
            yield entry.problem(
                "reference",
                expected=f"the station that {entry.station} was compared with",
                remedy="name the other station",
            )
        if entry.n < 2:  # noqa: PLR2004 - one difference has no spread
            yield entry.problem(
                "n",
                expected="at least 2 parts",
                remedy="write how many parts were compared; 25 to 30 is common practice",
            )
        if entry.expires_on <= entry.agreed_on:
            yield entry.problem(
                "expires_on",
                expected=f"a day after agreed_on, {entry.agreed_on}",
                remedy="correct one of the two days",
            )
        if abs(entry.bias) < SIGNIFICANT * entry.u:
            yield entry.problem(
                "bias",
                expected=f"a bias of at least {SIGNIFICANT} standard uncertainties, {SIGNIFICANT * entry.u}",
                remedy="leave the offset out: it is not told from none",
                grade="warning",
            )


def offsets_have_not_expired(declaration: Declaration) -> Iterator[Problem]:
    """The offset in force has not expired today (UTC): after its last day no value that it would correct decides anything."""
    for entry in in_force(declaration.offsets).values():
        if entry.expires_on < declaration.today:
            yield entry.problem(
                "expires_on",
                expected=f"a day from {declaration.today} on",
                remedy="compare the stations anew and add the next version: values that it would correct decide nothing",
                grade="warning",
            )


def offsets_refer_to_what_is_declared(declaration: Declaration) -> Iterator[Problem]:
    """An offset names a declared part type, a characteristic of its plan, and two declared stations."""
    files = declaration.files
    stations = texts(files.rows("stations"), "id")
    part_types = texts(files.part_types, "part_type")
    for entry in declaration.offsets:
        plans = [t for t in files.part_types if t.text("part_type") == entry.part_type]
        numbers = texts((line for table in plans for line in table.tables("plan")), "number")
        for key, written, known, what in (
            ("part_type", entry.part_type, part_types, "part type"),
            ("characteristic", entry.characteristic, numbers, "characteristic of the part type"),
            ("station", entry.station, stations, "station"),
            ("reference", entry.reference, stations, "station"),
        ):
            if known and written not in known:
                yield entry.problem(
                    key,
                    expected=f"a declared {what} ({one_of(known)})",
                    found=written,
                    remedy=choose_instead(written, known, "declare it, or correct the name"),
                )


def offsets_correct_something(declaration: Declaration) -> Iterator[Problem]:
    """A program of the station covers the characteristic that an offset corrects."""
    covered = {
        (program.part_type, cover.number, program.station)
        for program in declaration.programs
        for cover in program.covers
    }
    for target, entry in in_force(declaration.offsets).items():
        if target not in covered:
            yield entry.problem(
                "characteristic",
                expected=f"a characteristic that a program of {entry.station} covers",
                remedy="correct number or station, or remove the offset",
                grade="warning",
            )


def _target(entry: OffsetEntry) -> Target:
    return entry.part_type, entry.characteristic, entry.station
