"""What routing chose, told again from a journal: choices are not journalled, because a fold gives them again.

Rules of this file: the fold is that of recovery. What an entry's decision raises ends the telling; replay says what it was.
"""

from collections.abc import Iterable, Iterator

from supervisor.shell.fold import Fold, attempt
from supervisor.shell.ports import Choice, DeciderFor, JournalEntry, S


def choices_again(deciders: DeciderFor[S], entries: Iterable[JournalEntry]) -> Iterator[Choice]:
    """Every choice behind the entries, from the journal's first on, oldest first."""
    fold = Fold(deciders)
    for entry in entries:
        decision = attempt(fold, entry.event, entry.at_ms)
        if isinstance(decision, str):
            return
        for made in decision.choices:
            yield Choice(seq=entry.seq, at_ms=entry.at_ms, made=made)
