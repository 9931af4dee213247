"""What a plan says about the order in which characteristics are measured.

Rules of this file:
- ``after`` holds between characteristics. Programs follow: one runs when nothing is unmeasured that has to come before what it measures, well
  enough to decide it or not, what it decides itself left out. Routing obeys the same rule (``supervisor.routing.precedence``).
- An order that cannot be kept would leave every part of the type waiting for ever: it is an error, with the programs that wait for each other.
"""

from collections.abc import Iterator
from decimal import Decimal

from supervisor.cell.coverage import coverages_of
from supervisor.cell.declaration import Declaration, PartTypeDraft, texts
from supervisor.cell.model import Reach, left_waiting
from supervisor.cell.plan import AbsoluteLimits, limits_of, required_u_of
from supervisor.cell.problem import Problem, one_of
from supervisor.cell.reading_order import reading_order
from supervisor.cell.schema import CharacteristicEntry


def precedence_names_the_plan(declaration: Declaration) -> Iterator[Problem]:
    """What comes before a characteristic is another line of the same plan."""
    for draft in declaration.part_types:
        known = texts(draft.table.tables("plan"), "number")
        for entry in draft.plan:
            for number in sorted({*entry.after} - known):
                yield entry.problem(
                    "after",
                    expected=f"numbers of this plan: {', '.join(sorted(known, key=reading_order))}",
                    found=number,
                    remedy="correct the number, or add the characteristic",
                )


def precedence_is_between_mandatory_characteristics(declaration: Declaration) -> Iterator[Problem]:
    """Only what has to be decided steers where a part goes; nobody waits for an informative value."""
    for draft in declaration.part_types:
        informative = {entry.number for entry in draft.plan if entry.need == "informative"}
        for entry in draft.plan:
            found = sorted({*entry.after, *([entry.number] if entry.after else [])} & informative)
            if found:
                yield entry.problem(
                    "after",
                    expected="an order between mandatory characteristics",
                    found=f"{found[0]}, which is informative",
                    remedy="remove it: nobody waits for an informative value",
                )


def precedence_has_no_ring(declaration: Declaration) -> Iterator[Problem]:
    """Nothing comes before itself, over others either."""
    for draft in declaration.part_types:
        ring = _ring({entry.number: sorted(entry.after) for entry in draft.plan})
        if ring:
            first = next(entry for entry in draft.plan if entry.number == ring[0])
            yield first.problem(
                "after",
                expected="an order with a beginning",
                found=" after ".join(ring),
                remedy="remove one of these",
            )


def _ring(after: dict[str, list[str]]) -> list[str]:
    """The first ring of numbers, its first one once more at its end; [] if there is none."""
    done: set[str] = set()

    def walk(number: str, way: list[str]) -> list[str]:
        if number in way:
            return [*way[way.index(number) :], number]
        if number in done or number not in after:
            return []
        for sooner in after[number]:
            ring = walk(sooner, [*way, number])
            if ring:
                return ring
        done.add(number)
        return []

    rings = (walk(number, []) for number in after)
    return next((ring for ring in rings if ring), list[str]())


def precedence_can_be_kept(declaration: Declaration) -> Iterator[Problem]:
    """There is an order of programs in which everything is measured."""
    for draft in declaration.part_types:
        if not any(entry.after for entry in draft.plan):
            continue
        programs = _reaches(declaration, draft)
        after = {e.number: frozenset(e.after) for e in draft.plan}
        waits, _ = left_waiting(programs, after)
        if not waits:
            continue
        stuck = {n for name in waits for n in programs[name].decides | programs[name].measures}
        first = next(e for e in draft.plan if e.after and e.number in stuck)
        said = [_waiting(name, waits[name], programs[name], after) for name in sorted(waits)]
        yield first.problem(
            "after",
            expected="an order of programs in which everything can be measured",
            found=one_of(said).removeprefix("one of "),
            remedy="declare a program that measures less in programs.yaml, or remove an `after`",
        )


def _waiting(
    name: str, awaited: frozenset[str], reach: Reach, after: dict[str, frozenset[str]]
) -> str:
    """What a program waits for, and which of what it measures has to come later."""
    later = {each for each in reach.decides | reach.measures if after[each] & awaited}
    first, then = (", ".join(sorted(each, key=reading_order)) for each in (awaited, later))
    return f"{name} waits for {first} (it measures {then})"


def _reaches(declaration: Declaration, draft: PartTypeDraft) -> dict[str, Reach]:
    """By program: the numbers of the plan that it decides, and all that it measures."""
    required = {entry.number: _required_u(entry) for entry in draft.plan}
    found: dict[str, Reach] = {}
    for program in declaration.programs:
        if program.part_type == draft.part_type:
            covers = coverages_of(declaration, program)
            decides = frozenset(
                cover.number
                for cover in covers
                if (u := required.get(cover.number)) is not None and cover.decides(u)
            )
            measures = frozenset(cover.number for cover in covers) & required.keys()
            found[program.id] = Reach(decides=decides, measures=measures)
    return found


def _required_u(entry: CharacteristicEntry) -> Decimal | None:
    limits = limits_of(entry)
    return required_u_of(entry, limits) if isinstance(limits, AbsoluteLimits) else None
