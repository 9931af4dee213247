"""Numbers for reading.

Rules of this file:
- The record keeps every digit; here a value stops at the place of its uncertainty's second digit.
- What is compared by eye has equal places: both limits of a requirement, a value and its uncertainty. Zeros are added, no digit is taken away.
"""

import math
from datetime import UTC, datetime
from decimal import ROUND_HALF_EVEN, ROUND_UP, Decimal

from supervisor.cell.model import EXACT
from supervisor.cell.value import value
from supervisor.verdict.conformity import Zones, exact_value, judge, rounded_reason, shown
from supervisor.verdict.record import Correction, Evidence, Finding, Record


def limit(content: Decimal | None) -> str:
    """A limit with all its digits; "" for an open side."""
    return "" if content is None else shown(content)


@value
class Figures:
    """The figures of one characteristic as they are read: both limits, and the value with its expanded uncertainty; "" where there is none."""

    lower: str
    upper: str
    value: str


def figures(finding: Finding) -> Figures:
    """The figures of a finding."""
    lower, upper = evened(finding.lower, finding.upper)
    by = finding.decided_by
    return Figures(lower=lower, upper=upper, value="" if by is None else with_uncertainty(by))


def evened(lower: Decimal | None, upper: Decimal | None) -> tuple[str, str]:
    """Limits with all their digits and equal places: an undrawn decimal is a zero (ISO 8015, from memory)."""
    texts = limit(lower), limit(upper)
    places = max(map(_places, texts))
    return _padded(texts[0], places), _padded(texts[1], places)


def second_digit(spread: float | Decimal) -> int:
    """The place behind the point at which a spread above zero has its second digit."""
    return max(0, 1 - math.floor(math.log10(spread)))


def with_uncertainty(evidence: Evidence) -> str:
    """A value and its expanded uncertainty, to equal places where the uncertainty has no more."""
    of_value, of_u = measured(evidence) or "no value", limit(evidence.expanded_u)
    return f"{of_value} ± {_padded(of_u, _places(of_value))}"


def _places(number: str) -> int:
    return len(number.partition(".")[2])


def _padded(number: str, places: int) -> str:
    missing = places - _places(number)
    if not number or missing <= 0:
        return number
    return f"{number}{'' if '.' in number else '.'}{'0' * missing}"


def measured(evidence: Evidence | None) -> str:
    """A measured value to the place at which its uncertainty has two digits (JCGM 100:2008, 7.2.6); "" where there is none."""
    if evidence is None or evidence.value is None:
        return ""
    if evidence.expanded_u <= 0:
        return f"{evidence.value:.7g}"
    return f"{evidence.value:.{second_digit(evidence.expanded_u)}f}"


def reason(finding: Finding) -> str:
    """Why a characteristic has its verdict, with the figures as they are read.

    The record keeps the sentence with eight digits of the value and all of the bounds. What it says of them is told anew from the finding's own figures;
    a sentence in words that this version does not know, as an older one kept, stays as it was.
    """
    by, bounds = finding.decided_by, zones_applied(finding)
    if by is None or by.value is None or by.expanded_u <= 0 or not math.isfinite(by.value):
        return finding.why
    kept = judge(by.value, bounds, finding.unit).why
    if not finding.why.startswith(kept):
        return finding.why
    places = second_digit(by.expanded_u)
    told = rounded_reason(by.value, bounds, finding.unit, places)
    return told + _bonus_rounded(finding, places, finding.why.removeprefix(kept))


def _bonus_rounded(finding: Finding, places: int, rest: str) -> str:
    """What follows the sentence, with the bonus as it is read."""
    if finding.bonus is None:
        return rest
    exact = f"; {shown(finding.bonus.amount)} {finding.unit} of it by"
    read = f"; {finding.bonus.amount:.{places}f} {finding.unit} of it by"
    return read + rest.removeprefix(exact) if rest.startswith(exact) else rest


def part_reason(record: Record) -> str:
    """Why a part has its verdict; of the first characteristic that has it the reason as it is read."""
    for finding in record.findings:
        named = f"characteristic {finding.number}, {finding.name}, {record.verdict}: "
        if record.why.startswith(named + finding.why):
            return named + reason(finding) + record.why.removeprefix(named + finding.why)
    return record.why


def zones_applied(finding: Finding) -> Zones:
    """The zones that a verdict was given by: as far as a limit is drawn in for conforming, it is pushed out for nonconforming."""
    bonus = Decimal(0) if finding.bonus is None else finding.bonus.amount
    return Zones(
        accept_lower=finding.accept_lower,
        accept_upper=finding.accept_upper,
        reject_lower=_pushed_out(finding.lower, finding.accept_lower),
        reject_upper=_pushed_out(
            None if finding.upper is None else EXACT.add(finding.upper, bonus),
            finding.accept_upper,
        ),
    )


def _pushed_out(limit: Decimal | None, drawn_in: Decimal | None) -> Decimal | None:
    if limit is None or drawn_in is None:
        return None
    return EXACT.subtract(EXACT.add(limit, limit), drawn_in)


def corrected(correction: Correction, unit: str) -> str:
    """A correction in words: its name, what it added, and how uncertain that is."""
    places = second_digit(correction.u) if correction.u > 0 else _places(shown(correction.amount))
    amount, u = _no_finer(correction.amount, places), _no_finer(correction.u, places, ROUND_UP)
    return f"{correction.name} {amount:+f} {unit} (u = {shown(u)} {unit})"


def raw_value(evidence: Evidence) -> str:
    """A value as the station gave it, to the place of ``measured`` at most; "" where there is none."""
    if evidence.raw is None:
        return ""
    exact = exact_value(evidence.raw)
    if not exact.is_finite() or evidence.expanded_u <= 0:
        return shown(exact)
    return shown(_no_finer(exact, second_digit(evidence.expanded_u)))


def _no_finer(number: Decimal, places: int, rounding: str = ROUND_HALF_EVEN) -> Decimal:
    """A number without what it has beyond so many places; never a negative zero."""
    if _places(shown(number)) <= places:
        return number
    return EXACT.plus(number.quantize(Decimal(1).scaleb(-places), rounding, EXACT))


def moment(at_ms: int) -> str:
    """A time in UTC, to the second."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
