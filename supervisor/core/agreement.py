"""What the cell knows of the agreement of its stations: kept as parts are decided, settled by people.

Rules of this file:
- A part counts once, by the first record of its visit; later records of it repeat its values.
- An alarm stops nothing by itself. It is a fact that people and advice see, and that makes checks with reference parts due; verdicts go on by
  the station that the plan trusts most.
"""

from supervisor.core.draft import Draft
from supervisor.core.events import AgreementSettled
from supervisor.verdict.agreement import Pair, after, differences_of, settled
from supervisor.verdict.record import Record


def learn(draft: Draft, record: Record) -> None:
    """Follow the differences between stations in a part's first record."""
    if record.revision == 1:
        for pair, seen in differences_of(record):
            before = draft.agreement.get(pair.title)
            standing = after(before, pair, seen)
            draft.agree(standing)
            if standing.standing == "disagrees" and (before is None or before.standing == "agrees"):
                draft.look_again("station", pair.one)  # a check of both may be due


def on_agreement_settled(draft: Draft, event: AgreementSettled) -> None:
    """Somebody checked both stations of a pair: its average begins anew. A pair that is not known changes nothing."""
    pair = Pair(part_type=event.part_type, number=event.number, one=event.one, other=event.other)
    known = draft.agreement.get(pair.title)
    if known is not None:
        draft.agree(settled(known))


def forget_undeclared(draft: Draft) -> None:
    """Drop the pairs whose stations or characteristic are not declared any more."""
    tables = draft.tables
    declared = {
        (part.part_type, each.number) for part in tables.cell.part_types for each in part.plan
    }
    draft.agreement = {
        key: each
        for key, each in draft.agreement.items()
        if (each.pair.part_type, each.pair.number) in declared
        and {each.pair.one, each.pair.other} <= tables.stations.keys()
    }
