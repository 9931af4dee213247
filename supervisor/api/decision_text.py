"""Choices of routing about one pallet, as lines for a terminal.

Rules of this file: figures and sentences are those of the choice; nothing is worked out again.
"""

from collections.abc import Iterable, Iterator

from supervisor.api.decision_view import DecisionView
from supervisor.routing.reasons import duration


def about_pallet(decisions: Iterable[DecisionView], pallet: str, last: int) -> list[str]:
    """Why a pallet waits, where the newest choice about it left it where it was, then the ``last`` choices that moved it.

    Decisions and lines are newest first; [] if no choice was about it.
    """
    lines: list[str] = []
    told = 0
    for decision in decisions:
        if pallet in (decision.pallet, decision.displaced):
            lines += _moved(decision)
            told += 1
        elif not lines:
            lines += _waiting(decision, pallet)
        if told >= last:
            break
    return lines


def _waiting(decision: DecisionView, pallet: str) -> list[str]:
    """What a choice said of a pallet that it did not move."""
    return [
        f"It waits, as of {decision.at}: {other.what}: {other.why_lost}{_cost(other.cost_s)}"
        for other in decision.alternatives
        if other.what == pallet or other.what.startswith(f"{pallet} to ")
    ][:1]


def _moved(decision: DecisionView) -> Iterator[str]:
    origin = decision.origin or "the jaw"
    yield f"{decision.pallet} from {origin} to {decision.target}, decided at {decision.at} (entry {decision.seq})"
    if decision.displaced:
        yield f"  in exchange for {decision.displaced}"
    if decision.programs:
        yield f"  to run {', '.join(decision.programs)}"
    yield f"  because {decision.why}"
    for other in decision.alternatives:
        yield f"  not {other.what}: {other.why_lost}{_cost(other.cost_s)}"


def _cost(cost_s: float | None) -> str:
    return "" if cost_s is None else f" ({duration(round(cost_s * 1000))})"
