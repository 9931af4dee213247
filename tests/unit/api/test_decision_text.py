"""What `pointsman explain` says of a choice: figures agree with each other."""

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
        why="P3 may leave touch-1 in 16 s; so all known pallets are out in 19 min 48 s; nothing can be quicker than 19 min 45 s",
        alternatives=[AlternativeView(what="P4 to touch-1", cost_s=cost_s + 60, why_lost="later")],
    )


def test_figures_are_told_once_and_in_the_form_of_the_reason():
    """They stood there again in another form, as "all out in 1188 s; nothing quicker than 1185 s is possible (3 s less)"."""
    told = about_pallet([carried(1187.6, 1185.3)], "P6", 3)
    assert [line.strip().partition(" ")[0] for line in told] == ["P6", "in", "to", "because", "not"]
    assert told[-1] == "  not P4 to touch-1: later (20 min 48 s)"
