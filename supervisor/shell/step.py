"""The deciding half of a step (S2): stamp, decide, check invariants. What is durable, published or sent is the caller's.

Rules of this file:
- Facts of one batch share one time. They are decided one after another, each on the state that the one before left.
- A broken invariant ends the batch (S10): the fact that broke it is journalled without commands, what waits behind it is not decided.
  A decider that raises is a broken invariant too. What is journalled as a command is what may go out.
"""

from collections.abc import Sequence
from typing import Generic

from supervisor.cell.value import value
from supervisor.core.events import Event
from supervisor.shell.fold import Fold, attempt
from supervisor.shell.ports import SCHEMA, Choice, JournalEntry, S


@value
class Batch(Generic[S]):
    """Entries that become durable together, the choices behind them, the state after the last, and the invariants it violates."""

    entries: tuple[JournalEntry, ...]
    choices: tuple[Choice, ...]
    state: S
    broken: tuple[str, ...]


def decide_batch(fold: Fold[S], facts: Sequence[Event], *, after_seq: int, at_ms: int) -> Batch[S]:
    """Decide facts in the order given; the entries count on from ``after_seq``."""
    entries: list[JournalEntry] = []
    choices: list[Choice] = []
    broken: tuple[str, ...] = ()
    for seq, event in enumerate(facts, start=after_seq + 1):
        decision = attempt(fold, event, at_ms)
        if isinstance(decision, str):
            commands, broken = (), (decision,)
        else:
            broken = fold.broken()
            commands = () if broken else decision.commands
            choices += [Choice(seq=seq, at_ms=at_ms, made=made) for made in decision.choices]
        entries.append(
            JournalEntry(seq=seq, at_ms=at_ms, schema=SCHEMA, event=event, commands=commands)
        )
        if broken:
            break
    return Batch(entries=tuple(entries), choices=tuple(choices), state=fold.state, broken=broken)
