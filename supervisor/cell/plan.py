"""From a line of an inspection plan to a characteristic with absolute limits.

Rules of this file:
- Limits are exact: nominal plus deviation in decimals, never in floats.
- Where limits cannot be made out, the answer is a problem; nobody goes on with half a line.
"""

from collections.abc import Callable
from decimal import Decimal

from supervisor.cell.iso286 import CodeNotSupported, size_limits
from supervisor.cell.kinds import KINDS, Unit
from supervisor.cell.model import (
    EXACT,
    Answer,
    Average,
    Characteristic,
    Derived,
    Material,
    ToolOffset,
)
from supervisor.cell.problem import Problem
from supervisor.cell.schema import CharacteristicEntry, LimitsEntry, ToolOffsetEntry
from supervisor.cell.value import value

# ISO 22514-7:2021: a measuring process is capable with Q_MP = 2 U / T up to 30 %, which is U up to 15 % of the tolerance.
REQUIRED_SHARE = Decimal("0.15")


@value
class AbsoluteLimits:
    """Nominal and limits in the unit of the characteristic; None means no limit on that side."""

    nominal: Decimal
    lower: Decimal | None
    upper: Decimal | None

    def tolerance(self, entry: CharacteristicEntry) -> Decimal | None:
        """The width that a value may vary in; None where one side is open."""
        if KINDS[entry.kind].natural_limit == "zero":
            return self.upper
        if self.lower is None or self.upper is None:
            return None
        return self.upper - self.lower


def unit_of(entry: CharacteristicEntry, default: Unit) -> Unit:
    """The unit of a characteristic, given that of its part type."""
    return entry.unit or default


def required_u_of(entry: CharacteristicEntry, limits: AbsoluteLimits) -> Decimal | None:
    """The expanded uncertainty (k = 2) that may decide at most; None where it must be stated and is not."""
    tolerance = limits.tolerance(entry)
    if entry.required_u is not None or tolerance is None:
        return entry.required_u
    return tolerance * REQUIRED_SHARE


def limits_of(entry: CharacteristicEntry) -> AbsoluteLimits | Problem:
    """The limits of a line, or what keeps them from being made out."""
    ways = [way for way, keys in _WAYS.items() if _written(entry.limits, keys)]
    if len(ways) != 1:
        return entry.problem(
            "limits",
            expected="one way to write limits",
            found=f"{len(ways)} ways" if ways else "none",
            remedy="write a code, lower and upper, plus_minus, or lower_deviation and upper_deviation",
        )
    return ways[0](entry)


def characteristic_of(entry: CharacteristicEntry, default: Unit) -> Characteristic:
    """The characteristic of a line that was checked.

    Raises:
        AssertionError: the line was not checked.
    """
    limits = limits_of(entry)
    assert isinstance(limits, AbsoluteLimits), limits
    required_u = required_u_of(entry, limits)
    assert required_u is not None
    return Characteristic(
        number=entry.number,
        name=entry.name,
        kind=entry.kind,
        nominal=limits.nominal,
        lower=limits.lower,
        upper=limits.upper,
        unit=unit_of(entry, default),
        datum=entry.datum or "",
        need=entry.need,
        natural_limit=KINDS[entry.kind].natural_limit,
        required_u=required_u,
        derived=None
        if entry.derived is None
        else Derived(formula=entry.derived.formula, of=tuple(entry.derived.of)),
        material=None
        if entry.material is None
        else Material(feature=entry.material.feature, size=entry.material.size),
        average=None
        if entry.average is None
        else Average(
            stations=(entry.average.stations[0], entry.average.stations[1]),
            correlation=entry.average.correlation,
        ),
        target=target_of(entry, limits),
        answers=tuple(
            sorted(
                (Answer(offset=each.offset, gain=each.gain) for each in entry.answers_to),
                key=lambda answer: answer.offset,
            )
        ),
        after=tuple(sorted(entry.after)),
    )


def target_of(entry: CharacteristicEntry, limits: AbsoluteLimits) -> Decimal | None:
    """Where the process shall be: as written, or the middle of the tolerance; None where nothing answers or there is no middle."""
    if not entry.answers_to or entry.target is not None:
        return entry.target
    if limits.lower is None or limits.upper is None:
        return None
    return EXACT.divide(EXACT.add(limits.lower, limits.upper), 2)


def tool_offset_of(entry: ToolOffsetEntry, default: Unit) -> ToolOffset:
    """The tool offset of an entry that was checked, given the unit of the part type."""
    return ToolOffset(
        offset=entry.id,
        machine=entry.machine,
        tool=entry.tool,
        axis=entry.axis,
        unit=entry.unit or default,
        increment=entry.increment,
        step_max=entry.step_max,
        parts_queued=entry.parts_queued,
        parts=entry.parts,
    )


def _written(limits: LimitsEntry, keys: tuple[str, ...]) -> bool:
    return any(getattr(limits, key) is not None for key in keys)


def _by_code(entry: CharacteristicEntry) -> AbsoluteLimits | Problem:
    try:
        limits = size_limits(entry.limits.iso286 or "")
    except CodeNotSupported as refusal:
        written = f'"{entry.limits.iso286}"'
        return entry.problem(
            "limits", expected=refusal.expected, found=written, remedy=refusal.remedy
        )
    if entry.nominal is not None and entry.nominal != limits.nominal:
        return entry.problem(
            "nominal",
            expected=f"the size of the code, {limits.nominal}",
            remedy="leave the nominal out, or correct the code",
        )
    return AbsoluteLimits(nominal=limits.nominal, lower=limits.lower, upper=limits.upper)


def _absolute(entry: CharacteristicEntry) -> AbsoluteLimits | Problem:
    nominal = _nominal(entry)
    if isinstance(nominal, Problem):
        return nominal
    return AbsoluteLimits(nominal=nominal, lower=entry.limits.lower, upper=entry.limits.upper)


def _symmetric(entry: CharacteristicEntry) -> AbsoluteLimits | Problem:
    nominal, half = _nominal(entry), entry.limits.plus_minus
    if isinstance(nominal, Problem):
        return nominal
    assert half is not None
    return AbsoluteLimits(nominal=nominal, lower=nominal - half, upper=nominal + half)


def _by_deviations(entry: CharacteristicEntry) -> AbsoluteLimits | Problem:
    nominal = _nominal(entry)
    if isinstance(nominal, Problem):
        return nominal
    below, above = entry.limits.lower_deviation, entry.limits.upper_deviation
    if below is None or above is None:
        missing = "lower_deviation" if below is None else "upper_deviation"
        return entry.problem(
            "limits",
            expected="both deviations",
            found=f"no {missing}",
            remedy="write the other one too, 0 if that is meant",
        )
    return AbsoluteLimits(nominal=nominal, lower=nominal + below, upper=nominal + above)


def _nominal(entry: CharacteristicEntry) -> Decimal | Problem:
    if KINDS[entry.kind].natural_limit == "zero":
        return entry.nominal or Decimal(0)
    if entry.nominal is not None:
        return entry.nominal
    return entry.problem(
        "nominal",
        expected=f"the nominal of this {entry.kind}",
        found="nothing",
        remedy="add `nominal:` as on the drawing",
    )


Way = Callable[[CharacteristicEntry], AbsoluteLimits | Problem]

_WAYS: dict[Way, tuple[str, ...]] = {
    _by_code: ("iso286",),
    _absolute: ("lower", "upper"),
    _symmetric: ("plus_minus",),
    _by_deviations: ("lower_deviation", "upper_deviation"),
}
