"""Rules of corrections at the machines that make the parts.

Rules of this file:
- Nothing is sent from here: a correction is entered by people or by the control of the machine. The core keeps what was entered, so
  that evidence made before it is never used again.
- A correction that does not follow the last one that is known changes nothing: whoever sent it had not seen that one.
"""

from decimal import Decimal

from supervisor.cell.value import replace
from supervisor.core.draft import Draft
from supervisor.core.events import AdviceDeclined, ProcessCorrected
from supervisor.process.correction import Correction, Declined, ToolOffsetHistory, tool_offset_key


def on_process_corrected(draft: Draft, event: ProcessCorrected) -> None:
    """Keep a correction of a declared offset; what was declined before is settled by it."""
    key = tool_offset_key(event.part_type, event.offset)
    before = draft.tool_offsets.get(key, ToolOffsetHistory()).corrected
    number = 1 if before is None else before.number + 1
    if key not in _declared(draft) or event.number != number:
        return
    correction = Correction(
        number=number,
        at_ms=draft.at_ms,
        amount=event.amount,
        total=event.amount + (Decimal(0) if before is None else before.total),
        advice=event.advice,
        by=event.by,
        why=event.why,
        expected=event.expected,
    )
    draft.know_tool_offset(key, ToolOffsetHistory(corrected=correction))


def on_advice_declined(draft: Draft, event: AdviceDeclined) -> None:
    """Keep who declined what, until the next correction."""
    key = tool_offset_key(event.part_type, event.offset)
    if key not in _declared(draft):
        return
    declined = Declined(at_ms=draft.at_ms, advice=event.advice, by=event.by, why=event.why)
    known = draft.tool_offsets.get(key, ToolOffsetHistory())
    draft.know_tool_offset(key, replace(known, declined=declined))


def forget_undeclared(draft: Draft) -> None:
    """Under another declaration only the offsets that it declares are known."""
    declared = _declared(draft)
    draft.tool_offsets = {
        key: known for key, known in draft.tool_offsets.items() if key in declared
    }


def begin_anew(draft: Draft) -> None:
    """Corrections may be among the entries that are gone: no evidence from before now is used for any offset."""
    for key in sorted(_declared(draft)):
        before = draft.tool_offsets.get(key, ToolOffsetHistory()).corrected
        unknown = Correction(
            number=1 if before is None else before.number + 1,
            at_ms=draft.at_ms,
            amount=Decimal(0),
            total=Decimal(0) if before is None else before.total,
            advice="",
            by="",
            why="history was lost",
            expected=(),
        )
        draft.know_tool_offset(key, ToolOffsetHistory(corrected=unknown))


def _declared(draft: Draft) -> frozenset[str]:
    return frozenset(
        tool_offset_key(part_type.part_type, offset.offset)
        for part_type in draft.tables.cell.part_types
        for offset in part_type.tool_offsets
    )
