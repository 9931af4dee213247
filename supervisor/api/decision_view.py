"""Choices of routing as people see them."""

from collections.abc import Iterable
from typing import Literal

from supervisor.api.schema import (
    Example,
    Instant,
    Schema,
    instant,
    instant_or_none,
    seconds,
    shown_by,
)
from supervisor.routing.situation import Alternative, Carry, Stay
from supervisor.shell.ports import Choice

EXAMPLE: Example = {
    "decisions": [
        {
            "seq": 1730,
            "at": "2025-11-25T09:12:20.000Z",
            "chose": "carry",
            "pallet": "grai:9521234.12345.12",
            "origin": "rack-01",
            "target": "touch-1",
            "displaced": "grai:9521234.12345.7",
            "programs": ["pump-body-touch"],
            "until": None,
            "cost_s": 24.5,
            "bound_s": None,
            "why": "grai:9521234.12345.7 may leave touch-1, and grai:9521234.12345.12 takes its place in the same stop",
            "alternatives": [
                {
                    "what": "grai:9521234.12345.4 to ct-1",
                    "cost_s": None,
                    "why_lost": "ct-1 is occupied; fetching for it begins in 1 min 40 s at the earliest",
                }
            ],
        }
    ]
}


class AlternativeView(Schema):
    """What else could have been done."""

    what: str
    cost_s: float | None
    """What it would have cost; null where it was not possible, or was not played through to its end."""
    why_lost: str


class DecisionView(Schema):
    """One choice of routing."""

    seq: int
    """The journal's number of the fact that led to it."""
    at: Instant
    chose: Literal["carry", "stay"]
    pallet: str
    """The pallet to carry ("" for stay)."""
    origin: str
    """Where it stood ("" = it was in hand)."""
    target: str
    displaced: str
    """The pallet that is taken out of the target in the same stop: a swap ("" = none)."""
    programs: list[str]
    """What is to run there, in order."""
    until: Instant | None
    """When routing looks again, if nothing changes before; null for carry, and where only a change can help."""
    cost_s: float | None
    """Comparable with the alternatives of the same choice only; where look-ahead chose, the time until all known pallets are out, plus what each second of lateness counts where part types press."""
    bound_s: float | None
    """No choice could make cost_s less than this; null where the simple rule chose, which knows no bound."""
    why: str
    alternatives: list[AlternativeView]


class DecisionsView(Schema):
    """Recent choices, the newest first. They reach back to the start of this process at most."""

    model_config = shown_by(EXAMPLE)

    decisions: list[DecisionView]


def decisions_view(choices: Iterable[Choice], *, pallet: str, limit: int) -> DecisionsView:
    """The newest choices, of one pallet or ("") of all, each with its alternatives. ``choices`` are oldest first."""
    newest_first = [choice for choice in choices if _is_about(choice, pallet)][::-1]
    return DecisionsView(decisions=[_decision(choice) for choice in newest_first[:limit]])


def _is_about(choice: Choice, pallet: str) -> bool:
    if not pallet:
        return True
    return isinstance(choice.made, Carry) and pallet in (choice.made.pallet, choice.made.displaced)


def _decision(choice: Choice) -> DecisionView:
    match choice.made:
        case Carry() as carry:
            return DecisionView(
                seq=choice.seq,
                at=instant(choice.at_ms),
                chose="carry",
                pallet=carry.pallet,
                origin=carry.origin,
                target=carry.target,
                displaced=carry.displaced,
                programs=[carry.program, *carry.then] if carry.program else [],
                until=None,
                cost_s=seconds(carry.cost_ms),
                bound_s=None if carry.bound_ms is None else seconds(carry.bound_ms),
                why=carry.why,
                alternatives=alternatives_view(carry.alternatives),
            )
        case Stay() as stay:
            return DecisionView(
                seq=choice.seq,
                at=instant(choice.at_ms),
                chose="stay",
                pallet="",
                origin="",
                target="",
                displaced="",
                programs=[],
                until=instant_or_none(stay.until_ms),
                cost_s=None,
                bound_s=None if stay.bound_ms is None else seconds(stay.bound_ms),
                why=stay.why,
                alternatives=alternatives_view(stay.alternatives),
            )


def alternatives_view(alternatives: tuple[Alternative, ...]) -> list[AlternativeView]:
    """What else could have been done."""
    return [
        AlternativeView(
            what=each.what,
            cost_s=None if each.cost_ms is None else seconds(each.cost_ms),
            why_lost=each.why_lost,
        )
        for each in alternatives
    ]
