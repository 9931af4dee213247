"""Characteristics that follow from others: derived values and maximum-material bonuses.

Rules of this file:
- What a characteristic follows from is measured itself: nothing is derived from something derived.
"""

from collections.abc import Iterator

from supervisor.cell.declaration import Declaration, PartTypeDraft
from supervisor.cell.kinds import KINDS
from supervisor.cell.plan import AbsoluteLimits, limits_of, unit_of
from supervisor.cell.problem import Problem, choose_instead, one_of
from supervisor.cell.schema import CharacteristicEntry

FORMULA_KINDS = {
    "position": ("position", "coaxiality"),
    "profile": ("profile of a line", "profile of a surface"),
    "run-out": ("circular run-out", "total run-out"),
    "form": ("straightness", "flatness", "roundness", "cylindricity"),
}
COMPONENTS = {"position": (2, 3), "profile": (1, 1_000), "run-out": (2, 1_000), "form": (2, 1_000)}
BONUS_KINDS = (
    "position",
    "coaxiality",
    "symmetry",
    "straightness",
    "parallelism",
    "perpendicularity",
    "angularity",
)
"""Where the maximum-material requirement may stand (ISO 2692, from memory)."""


def derived_characteristics_follow_from_measured_ones(
    declaration: Declaration,
) -> Iterator[Problem]:
    """A derived characteristic has a formula that fits its kind, and components of the plan that are measured, in its unit."""
    for draft in declaration.part_types:
        lines = {entry.number: entry for entry in draft.plan}
        for entry in draft.plan:
            if entry.derived is not None:
                yield from _derived_problems(draft, lines, entry)


def bonuses_come_from_a_size(declaration: Declaration) -> Iterator[Problem]:
    """A maximum-material bonus comes from a size of the same plan with two limits, and fits the kind of its characteristic."""
    for draft in declaration.part_types:
        lines = {entry.number: entry for entry in draft.plan}
        for entry in draft.plan:
            if entry.material is not None:
                yield from _bonus_problems(draft, lines, entry)


def averages_are_of_two_stations(declaration: Declaration) -> Iterator[Problem]:
    """A mean is that of two different stations which measure the characteristic; its correlation is from 0 up to below 1."""
    for draft in declaration.part_types:
        covering = {
            (cover.number, program.station)
            for program in declaration.programs
            if program.part_type == draft.part_type
            for cover in program.covers
        }
        for entry in draft.plan:
            if entry.average is not None:
                yield from _average_problems(entry, covering)


def _average_problems(
    entry: CharacteristicEntry, covering: set[tuple[str, str]]
) -> Iterator[Problem]:
    average = entry.average
    assert average is not None
    one, other = average.stations
    absent = [name for name in (one, other) if (entry.number, name) not in covering]
    if one == other or absent:
        yield average.problem(
            "stations",
            expected=f"two different stations whose programs cover {entry.number}",
            found=", ".join(absent or [one, other]),
            remedy="name the stations that measure it, or let the most capable one decide",
        )
    if not 0 <= average.correlation < 1:
        yield average.problem(
            "correlation",
            expected="a correlation from 0 up to below 1",
            remedy="write 0 only if the stations share nothing",
        )
    if entry.material is not None:
        yield entry.problem(
            "average",
            expected="no mean where a size adds to the tolerance",
            remedy="remove it: the most capable station decides",
        )


def _derived_problems(
    draft: PartTypeDraft, lines: dict[str, CharacteristicEntry], entry: CharacteristicEntry
) -> Iterator[Problem]:
    derived = entry.derived
    assert derived is not None
    fewest, most = COMPONENTS[derived.formula]
    kinds = FORMULA_KINDS[derived.formula]
    if entry.kind not in kinds:
        yield derived.problem(
            "formula",
            expected=f"a formula for {entry.kind}",
            remedy=f"{derived.formula} is for {one_of(kinds)}: correct formula or kind",
        )
    if not fewest <= len(derived.of) <= most or len(set(derived.of)) < len(derived.of):
        yield derived.problem(
            "of",
            expected=f"from {fewest} to {most} different components",
            found=f"{len(derived.of)}",
            remedy="write the numbers of the measured components",
        )
        return
    for number in derived.of:
        yield from _component_problems(draft, lines, entry, number)


def _component_problems(
    draft: PartTypeDraft,
    lines: dict[str, CharacteristicEntry],
    entry: CharacteristicEntry,
    number: str,
) -> Iterator[Problem]:
    derived, part = entry.derived, lines.get(number)
    assert derived is not None
    signed = [n for n, each in lines.items() if KINDS[each.kind].natural_limit == "none"]
    if part is None:
        yield derived.problem(
            "of",
            expected=f"declared characteristics ({one_of(signed)})",
            found=number,
            remedy=choose_instead(number, signed, "add the component to the plan"),
        )
    elif part.derived is not None or KINDS[part.kind].natural_limit == "zero":
        yield derived.problem(
            "of",
            expected="components with a sign, which are measured themselves",
            found=f"{number}, a {part.kind}",
            remedy="name the measured distances or readings",
        )
    elif unit_of(part, draft.unit) != unit_of(entry, draft.unit):
        yield derived.problem(
            "of",
            expected=f"components in {unit_of(entry, draft.unit)}",
            found=f"{number} in {unit_of(part, draft.unit)}",
            remedy="give all of them one unit",
        )


def _bonus_problems(
    draft: PartTypeDraft, lines: dict[str, CharacteristicEntry], entry: CharacteristicEntry
) -> Iterator[Problem]:
    material = entry.material
    assert material is not None
    sizes = [n for n, each in lines.items() if KINDS[each.kind].fit == "possible"]
    size = lines.get(material.size)
    if entry.kind not in BONUS_KINDS:
        yield entry.problem(
            "material",
            expected=f"no material condition for {entry.kind}",
            remedy="remove it, or correct the kind",
        )
    if size is None or material.size not in sizes:
        yield material.problem(
            "size",
            expected=f"the size of the feature ({one_of(sizes)})",
            remedy="name a size of this plan",
        )
        return
    limits = limits_of(size)
    if isinstance(limits, AbsoluteLimits) and (limits.lower is None or limits.upper is None):
        yield material.problem(
            "size",
            expected="a size with two limits",
            remedy="without both there is no maximum-material size",
        )
    if unit_of(size, draft.unit) != unit_of(entry, draft.unit):
        yield material.problem(
            "size",
            expected=f"a size in {unit_of(entry, draft.unit)}",
            found=f"{material.size} in {unit_of(size, draft.unit)}",
            remedy="give both one unit",
        )
