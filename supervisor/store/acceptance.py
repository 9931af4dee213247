"""Going on with a journal that is not whole, because a person decided so.

Rules of this file:
- Nothing is accepted in silence: ``HistoryLost`` is journalled with who, why and what was found, before anything else is.
- Records whose entry is gone leave the table of records and stand in that entry: nothing is lost, and nothing is proven by them.
- From there on the heads kept beside the journal are new ones. Heads kept elsewhere go on saying what they know.
"""

from collections.abc import Sequence
from pathlib import Path

from supervisor.cell.value import value
from supervisor.core.events import HistoryLost
from supervisor.shell.ports import SCHEMA, JournalEntry
from supervisor.store.chain import Known
from supervisor.store.database import place_of
from supervisor.store.errors import StoreError
from supervisor.store.head_note import HeadNote, Seal, note_of
from supervisor.store.journal import JournalReader
from supervisor.store.opening import head_keeper_of, open_checked
from supervisor.store.verification import EndFault, end_faults, known_heads


@value
class Acceptance:
    """Who goes on with what is there, why in their words, and when (the cell's time)."""

    by: str
    why: str
    at_ms: int


@value
class Accepted:
    """What was accepted, how many records lost their entry, and the head from there on."""

    seen: str
    orphans: int
    head: HeadNote


def accept_damage(
    address: str,
    acceptance: Acceptance,
    *,
    heads: Sequence[Known] = (),
    head_file: Path | None = None,
    seal: Seal | None = None,
) -> Accepted:
    """Take the cell for a moment and journal that its history is not whole.

    Raises:
        StoreError: "nothing-to-accept", "journal-empty", or whatever ``open_store`` raises besides a journal that is not whole.
    """
    place = place_of(address)
    keeper = head_keeper_of(place, "power-safe", head_file, seal)
    found: list[EndFault] = []
    known: list[Known] = []

    def look(journal: JournalReader) -> None:
        known.extend([*known_heads(journal, keeper), *heads])
        found.extend(end_faults(journal, known))
        _check_acceptable(str(place), journal.tip().seq, found)

    with open_checked(place, "power-safe", keeper, look) as store:
        tip = store.journal.tip()
        orphans = tuple(kept.record for kept in store.records.behind(tip.seq))
        lost = HistoryLost(
            by=acceptance.by,
            why=acceptance.why,
            seen="; ".join(f"entry {wrong.fault.seq}: {wrong.fault.what}" for wrong in found),
            lost_from=min(wrong.fault.seq for wrong in found),
            lost_to=max(each.seq for each in known),
            orphans=orphans,
        )
        head = store.journal.append([lost_entry(tip.seq + 1, tip.at_ms, acceptance, lost)])
        return Accepted(seen=lost.seen, orphans=len(orphans), head=note_of(head, seal))


def lost_entry(seq: int, after_ms: int, acceptance: Acceptance, lost: HistoryLost) -> JournalEntry:
    """The entry of a loss. It commands nothing: nobody is there to carry anything out, and the core decides nothing from it."""
    at_ms = max(after_ms, acceptance.at_ms)
    return JournalEntry(seq=seq, at_ms=at_ms, schema=SCHEMA, event=lost, commands=())


def _check_acceptable(place: str, last_seq: int, found: Sequence[EndFault]) -> None:
    if not found:
        raise StoreError(
            "nothing-to-accept",
            f"{place} ends as every known head says",
            "Start the supervisor; a fault further back is shown by `pointsman verify` and keeps nothing from starting",
        )
    if last_seq == 0:
        raise StoreError(
            "journal-empty",
            f"{place} holds no entry any more",
            "Restore a backup, or keep this database aside and begin a new one",
        )
