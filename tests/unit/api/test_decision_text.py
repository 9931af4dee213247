"""What `pointsman explain` says of a choice: the figures of one line agree with each other."""

import re

from supervisor.api.decision_text import about_pallet
from supervisor.api.decision_view import AlternativeView, DecisionView


def carried(cost_s: float, bound_s: float) -> DecisionView:
    return DecisionView(
        seq=531,
        at="2026-11-27T06:45:56.869Z",
        chose="carry",
        pallet="P6",
        origin="rack-08",
        target="touch-1",
        displaced="P3",
        programs=["pump-body-touch-quick"],
        until=None,
        cost_s=cost_s,
        bound_s=bound_s,
        why="P3 may leave touch-1 in 16 s",
        alternatives=[AlternativeView(what="P4 to touch-1", cost_s=cost_s, why_lost="later")],
    )


def test_the_difference_is_that_of_the_figures_as_they_are_shown():
    """1187.6 and 1185.3 s were told as 1188 and 1185, and "2 s less"."""
    told = "\n".join(about_pallet([carried(1187.6, 1185.3)], "P6", 3))
    cost, bound, less = map(int, re.findall(r"(\d+) s\b", told.split("all out in")[1])[:3])
    assert (cost, bound) == (1188, 1185)
    assert less == cost - bound
