"""Reference parts: what makes sense in their values and checks.

Rules of this file: what is checked here is the declaration; whether a station is good enough, only its checks show.
"""

from collections.abc import Iterator, Mapping
from datetime import date

from supervisor.cell.declaration import Declaration, PartTypeDraft, texts
from supervisor.cell.fields import Declared
from supervisor.cell.problem import Problem, choose_instead, one_of
from supervisor.cell.schema import ReferenceEntry, VouchesEntry

WARN_DAYS = 30
"""Days before the end of a certificate from which its author is warned; common practice."""


def _references(declaration: Declaration) -> Iterator[tuple[PartTypeDraft, ReferenceEntry]]:
    for draft in declaration.part_types:
        if draft.reference is not None:
            yield draft, draft.reference


def reference_values_make_sense(declaration: Declaration) -> Iterator[Problem]:
    """A reference part has each value and each checked station once, each with something that makes a check due; a coverage factor is at least 1."""
    for _, reference in _references(declaration):
        seen: set[str] = set()
        for value in reference.values:
            if value.number in seen:
                yield value.problem(
                    "number", expected="each characteristic once", remedy="remove one of them"
                )
            seen.add(value.number)
            if value.k < 1:
                yield value.problem(
                    "k", expected="at least 1", remedy="write the factor of the certificate"
                )
        stations: set[str] = set()
        for check in reference.checks:
            if check.station in stations:
                yield check.problem(
                    "station", expected="each station once", remedy="put the rules into one entry"
                )
            stations.add(check.station)
            if not (check.every_h or check.every_runs or check.after or check.kelvin):
                yield check.problem(
                    None,
                    expected="something that makes a check due",
                    remedy="write every_h, every_runs, after or kelvin",
                )


def reference_certificates_hold(declaration: Declaration) -> Iterator[Problem]:
    """The certificate of a reference part has not ended today (UTC), and does not end within 30 days."""
    today = date.fromisoformat(declaration.today)
    for _, reference in _references(declaration):
        left = (date.fromisoformat(reference.due) - today).days
        if left <= WARN_DAYS:
            yield reference.problem(
                "due",
                expected=f"more than {WARN_DAYS} days from {declaration.today}",
                remedy="have the reference part calibrated: nothing is checked with it after that day",
                grade="warning",
            )


def references_refer_to_what_is_declared(declaration: Declaration) -> Iterator[Problem]:
    """A reference part names declared stations, characteristics of its own plan, and declared part types with their characteristics."""
    stations = texts(declaration.files.rows("stations"), "id")
    plans = {
        table.text("part_type") or "": texts(table.tables("plan"), "number")
        for table in declaration.files.part_types
    }
    for draft, reference in _references(declaration):
        for check in reference.checks:
            yield from _unknown(check, "station", check.station, stations, "a declared station")
        own = plans.get(draft.part_type, frozenset[str]())
        for value in reference.values:
            what = "a characteristic of this part type"
            yield from _unknown(value, "number", value.number, own, what)
            for vouched in value.vouches_for:
                yield from _vouched_for_nothing(vouched, plans)


def _vouched_for_nothing(
    entry: VouchesEntry, plans: Mapping[str, frozenset[str]]
) -> Iterator[Problem]:
    what = "a declared part type"
    yield from _unknown(entry, "part_type", entry.part_type, frozenset(plans), what)
    numbers = plans.get(entry.part_type)
    for number in entry.characteristics if numbers else ():
        what = f"characteristics of {entry.part_type}"
        yield from _unknown(entry, "characteristics", number, numbers or frozenset(), what)


def _unknown(
    entry: Declared, key: str, written: str, known: frozenset[str], what: str
) -> Iterator[Problem]:
    if written not in known:
        yield entry.problem(
            key,
            expected=f"{what} ({one_of(known)})",
            found=written,
            remedy=choose_instead(written, known, "declare it, or correct the name"),
        )


def checks_measure_a_reference_value(declaration: Declaration) -> Iterator[Problem]:
    """A station that is checked has a program for the reference part that covers one of its values."""
    for draft, reference in _references(declaration):
        values = {value.number for value in reference.values}
        for check in reference.checks:
            covered = {
                cover.number
                for program in declaration.programs
                if (program.part_type, program.station) == (draft.part_type, check.station)
                for cover in program.covers
            }
            if not covered & values:
                yield check.problem(
                    "station",
                    expected=f"a program of {check.station} for {draft.part_type} that covers {one_of(values)}",
                    remedy="add the program, or remove the check",
                )


def reference_parts_leave_room(declaration: Declaration) -> Iterator[Problem]:
    """There are more rack places than reference parts, which stay in the cell and keep theirs: else no part could ever come in.

    Also where parts come in at an infeed place: one that stands where a reference part has to go needs a place to make way.
    """
    staying = [draft.part_type for draft, _ in _references(declaration)]
    racks = sum(place.kind == "rack" for place in declaration.places)
    cell = declaration.files.cell
    if cell is not None and staying and len(staying) >= racks:
        yield cell.problem(
            "places",
            expected=f"more than {len(staying)} rack places, as {', '.join(sorted(staying))} stay in theirs",
            found=f"{racks}",
            remedy="add a place with `kind: rack`, or remove a reference part",
        )
