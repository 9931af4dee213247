"""What a program covers, all told: the characteristics that it states, with offsets, and those that follow from them.

Rules of this file:
- A derived characteristic is covered by every program that covers all its components and does not report it itself.
- The uncertainty of a derived value is bounded, not propagated for one value: the routing has to know it before anything is measured.
"""

from decimal import ROUND_CEILING, Context, Decimal

from supervisor.cell.declaration import Declaration
from supervisor.cell.model import REQUIRED_U_K, SENSITIVITY, Coverage
from supervisor.cell.offsets import coverage_of
from supervisor.cell.schema import CharacteristicEntry, ProgramEntry

_UPWARD = Context(prec=12, rounding=ROUND_CEILING)


def coverages_of(declaration: Declaration, program: ProgramEntry) -> tuple[Coverage, ...]:
    """Everything that a program decides or monitors."""
    stated = {c.number: coverage_of(declaration, program, c) for c in program.covers}
    lines = [
        entry
        for draft in declaration.part_types
        if draft.part_type == program.part_type
        for entry in draft.plan
        if entry.derived is not None and entry.number not in stated
    ]
    derived = (_derived(entry, stated) for entry in lines)
    return (*stated.values(), *(each for each in derived if each is not None))


def _derived(entry: CharacteristicEntry, stated: dict[str, Coverage]) -> Coverage | None:
    assert entry.derived is not None
    parts = [stated.get(number) for number in entry.derived.of]
    known = [part for part in parts if part is not None]
    if len(known) < len(parts) or not known:
        return None
    largest = max(_UPWARD.divide(part.expanded_u, part.k) for part in known)
    standard_u = _UPWARD.multiply(largest, SENSITIVITY[entry.derived.formula])
    return Coverage(
        number=entry.number,
        expanded_u=_UPWARD.multiply(standard_u, REQUIRED_U_K),
        k=Decimal(REQUIRED_U_K),
        dof=min((part.dof for part in known if part.dof), default=None),
    )
