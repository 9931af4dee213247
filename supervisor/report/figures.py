"""Numbers for reading.

Rules of this file:
- The record keeps every digit; here a value stops at the place of its uncertainty's second digit.
- What is compared by eye has equal places: both limits of a requirement, a value and its uncertainty. Zeros are added, no digit is taken away.
"""

import math
from datetime import UTC, datetime
from decimal import Decimal

from supervisor.cell.value import value
from supervisor.verdict.conformity import shown
from supervisor.verdict.record import Correction, Evidence, Finding


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


def corrected(correction: Correction, unit: str) -> str:
    """A correction in words: its name, what it added, and how uncertain that is."""
    return f"{correction.name} {correction.amount:+f} {unit} (u = {shown(correction.u)} {unit})"


def moment(at_ms: int) -> str:
    """A time in UTC, to the second."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
