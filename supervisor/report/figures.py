"""Numbers for reading.

Rules of this file: the record keeps every digit; here a value stops at the place of its uncertainty's second digit.
"""

import math
from datetime import UTC, datetime
from decimal import Decimal

from supervisor.verdict.conformity import shown
from supervisor.verdict.record import Correction, Evidence


def limit(content: Decimal | None) -> str:
    """A limit with all its digits; "" for an open side."""
    return "" if content is None else shown(content)


def measured(evidence: Evidence | None) -> str:
    """A measured value to the place at which its uncertainty has two digits (JCGM 100:2008, 7.2.6); "" where there is none."""
    if evidence is None or evidence.value is None:
        return ""
    if evidence.expanded_u <= 0:
        return f"{evidence.value:.7g}"
    return f"{evidence.value:.{max(0, 1 - math.floor(math.log10(evidence.expanded_u)))}f}"


def corrected(correction: Correction, unit: str) -> str:
    """A correction in words: its name, what it added, and how uncertain that is."""
    return f"{correction.name} {correction.amount:+f} {unit} (u = {shown(correction.u)} {unit})"


def moment(at_ms: int) -> str:
    """A time in UTC, to the second."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
