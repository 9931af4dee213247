"""The state as a fold over facts: the same code in the running cell, in recovery and in replay.

Rules of this file:
- Every journal begins with ``SupervisorStarted``, and every ``SupervisorStarted`` names the declaration that holds from there on.
- Pure: the only thing that changes is the fold's own state.
"""

from typing import Generic

from supervisor.core.events import Event, SupervisorStarted
from supervisor.shell.ports import Decider, DeciderFor, Decision, S, Snapshot


class JournalUnled(Exception):  # noqa: N818 - it says what is wrong with the journal
    """A fact came before any ``SupervisorStarted``."""


class Fold(Generic[S]):
    """The state after the facts taken so far."""

    def __init__(self, deciders: DeciderFor[S], *, start: Snapshot[S] | None = None) -> None:
        """Begin with nothing, or with a snapshot."""
        self._deciders = deciders
        self._decider: Decider[S] | None = None
        self._state: S | None = None
        self.declaration = ""
        if start is not None:
            self.declaration = start.declaration
            self._decider = deciders(start.declaration)
            self._state = start.state

    @property
    def state(self) -> S:
        """The state after the last fact.

        Raises:
            JournalUnled: there has been no fact yet.
        """
        if self._state is None:
            raise JournalUnled("a journal begins with SupervisorStarted")
        return self._state

    def started(self) -> bool:
        """Whether there is a state yet."""
        return self._state is not None

    def take(self, event: Event, at_ms: int) -> Decision[S]:
        """Decide a fact; whatever the decider raises passes through, and the state stays as it was."""
        if isinstance(event, SupervisorStarted):
            self.declaration = event.declaration
            self._decider = self._deciders(event.declaration)
        if self._decider is None:
            raise JournalUnled(f"{type(event).__name__} came before any SupervisorStarted")
        state = self._decider.initial() if self._state is None else self._state
        decision = self._decider.decide(state, event, at_ms)
        self._state = decision.state
        return decision

    def broken(self) -> tuple[str, ...]:
        """The invariants that the present state violates."""
        if self._decider is None or self._state is None:
            return ()
        return self._decider.broken(self._state)


def attempt(fold: Fold[S], event: Event, at_ms: int) -> Decision[S] | str:
    """Decide a fact: the decision, or what the decider raised, in words. The one place that catches everything."""
    try:
        return fold.take(event, at_ms)
    except Exception as defect:  # noqa: BLE001 - whatever it is, it is ours, and the cell must come to rest (S10)
        return f"deciding {type(event).__name__} raised {defect!r}"
