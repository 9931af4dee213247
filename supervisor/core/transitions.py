"""The stages of station, handler and pallet, as tables.

Rules of this file:
- A stage changes only through ``next_stage``; a pair that is not in the table is a defect of ours and raises ``TransitionError``.
- The tables are the whole truth: the diagrams in docs/reference are printed from them (``supervisor.core.diagram``).
- Two machines make a station: the *bay* (door, nest, arm) and the *run* (program, start, result). They are separate because a
  pallet may leave while its evaluation goes on.
"""

from typing import Literal, TypeVar

BayStage = Literal["shut", "opening", "open", "entered", "closing"]
RunStage = Literal[
    "none", "preparing", "prepared", "starting", "measuring", "evaluating", "finished"
]
HandlerStage = Literal["idle", "approaching", "picking", "putting", "swapping", "halted"]
PalletStage = Literal[
    "seen", "identified", "planned", "visiting", "decided", "sorted", "held", "gone"
]

Stage = TypeVar("Stage", bound=str)
Table = dict[tuple[Stage, str], Stage]


class TransitionError(Exception):
    """A rule asked for a change of stage that the table does not know: a defect of ours, never a station's fault."""


BAY: Table[BayStage] = {
    ("shut", "stop planned"): "opening",
    ("closing", "stop planned"): "opening",
    ("opening", "door open"): "open",
    ("open", "door lost"): "opening",
    ("open", "entry given"): "entered",
    ("entered", "arm clear"): "open",
    ("opening", "door wanted closed"): "closing",
    ("open", "door wanted closed"): "closing",
    ("closing", "door closed"): "shut",
    ("shut", "door lost"): "closing",
}

RUN: Table[RunStage] = {
    ("none", "program chosen"): "preparing",
    ("preparing", "program prepared"): "prepared",
    ("prepared", "program lost"): "preparing",
    ("prepared", "start ordered"): "starting",
    ("starting", "running seen"): "measuring",
    ("starting", "part free seen"): "evaluating",
    ("starting", "finished seen"): "finished",
    ("measuring", "part free seen"): "evaluating",
    ("measuring", "finished seen"): "finished",
    ("evaluating", "finished seen"): "finished",
    ("starting", "result taken"): "none",
    ("measuring", "result taken"): "none",
    ("evaluating", "result taken"): "none",
    ("finished", "result taken"): "none",
    ("preparing", "run given up"): "none",
    ("prepared", "run given up"): "none",
    ("starting", "run given up"): "none",
    ("measuring", "run given up"): "none",
    ("evaluating", "run given up"): "none",
    ("finished", "run given up"): "none",
}

HANDLER: Table[HandlerStage] = {
    ("idle", "approach ordered"): "approaching",
    ("idle", "pick ordered"): "picking",
    ("idle", "put ordered"): "putting",
    ("idle", "swap ordered"): "swapping",
    ("approaching", "order done"): "idle",
    ("picking", "order done"): "idle",
    ("putting", "order done"): "idle",
    ("swapping", "order done"): "idle",
    ("approaching", "order withdrawn"): "idle",
    ("picking", "order withdrawn"): "idle",
    ("putting", "order withdrawn"): "idle",
    ("swapping", "order withdrawn"): "idle",
    ("approaching", "order failed"): "halted",
    ("picking", "order failed"): "halted",
    ("putting", "order failed"): "halted",
    ("swapping", "order failed"): "halted",
    ("halted", "released"): "idle",
}

PALLET: Table[PalletStage] = {
    ("seen", "tag read"): "identified",
    ("identified", "plan found"): "planned",
    ("planned", "visit begun"): "visiting",
    ("visiting", "home again"): "planned",
    ("visiting", "verdict given"): "decided",
    ("planned", "verdict given"): "decided",
    ("decided", "put out"): "sorted",
    ("seen", "held"): "held",
    ("identified", "held"): "held",
    ("planned", "held"): "held",
    ("decided", "held"): "held",
    ("decided", "verdict doubted"): "planned",
    ("held", "tag to be read"): "seen",
    ("seen", "taken away"): "gone",
    ("planned", "taken away"): "gone",
    ("visiting", "taken away"): "gone",
    ("decided", "taken away"): "gone",
    ("sorted", "taken away"): "gone",
    ("held", "taken away"): "gone",
}


def next_stage(table: Table[Stage], stage: Stage, trigger: str) -> Stage:
    """The stage after a trigger.

    Raises:
        TransitionError: the table has no such pair.
    """
    after = table.get((stage, trigger))
    if after is None:
        message = f"no transition from stage {stage!r} on {trigger!r}"
        raise TransitionError(message)
    return after
