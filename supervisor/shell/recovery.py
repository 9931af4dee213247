"""Back to the state that the journal tells.

Rules of this file:
- The newest usable snapshot, then the tail, folded. Recorded commands are not compared here; that is what replay is for.
- Recovery sends nothing. The ``SupervisorStarted`` that follows leads the core to ask for everything outstanding anew (S4).
- A state that cannot be reached without a defect is broken (S10): the cell stays readable up to there and sends nothing.
"""

from typing import Generic

from supervisor.cell.value import value
from supervisor.shell.fold import Fold, attempt
from supervisor.shell.ports import DeciderFor, Head, Journal, S, Snapshots


@value
class Recovered(Generic[S]):
    """The fold after the whole journal, the journal's head, how many entries were folded, and what is broken."""

    fold: Fold[S]
    head: Head
    folded: int
    broken: tuple[str, ...]


def recover(deciders: DeciderFor[S], journal: Journal, snapshots: Snapshots[S]) -> Recovered[S]:
    """Fold the journal from the newest snapshot on."""
    start = snapshots.latest()
    fold = Fold(deciders, start=start)
    folded = 0
    for entry in journal.read(1 if start is None else start.seq + 1):
        folded += 1
        decision = attempt(fold, entry.event, entry.at_ms)
        if isinstance(decision, str):
            return Recovered(fold=fold, head=journal.head(), folded=folded, broken=(decision,))
    return Recovered(fold=fold, head=journal.head(), folded=folded, broken=fold.broken())
