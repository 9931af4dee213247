"""Where to correct: advice, and what people and machine controls made of it."""

from decimal import Decimal

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool

from supervisor.api.advice_view import (
    AcceptAdvice,
    AdviceView,
    Corrected,
    DeclineAdvice,
    DeclinedAnswer,
    ReportCorrection,
    advice_view,
    amount_text,
)
from supervisor.api.inside import Inside, OncePerKey, now_of, tell
from supervisor.api.ports import Sources
from supervisor.api.problems import ADVICE_MOVED, NAME_UNKNOWN, Refusal
from supervisor.api.process import advice_for, all_advice, part_type_of, standing_of
from supervisor.core.events import AdviceDeclined, ProcessCorrected
from supervisor.process.advice import Advice
from supervisor.process.correction import tool_offset_key

router = APIRouter(prefix="/advice", tags=["advice"])


@router.get("")
async def list_advice(inside: Inside) -> list[AdviceView]:
    """Every tool offset that characteristics answer to: what to add to it, or why nothing."""
    found = await run_in_threadpool(all_advice, inside, standing_of(inside))
    return [advice_view(advice) for advice in found]


@router.get("/{part_type}/{offset}")
async def read_advice(part_type: str, offset: str, inside: Inside) -> AdviceView:
    """One tool offset."""
    return advice_view(await _advice(inside, part_type, offset))


@router.post("/{part_type}/{offset}/accept")
async def accept_advice(
    part_type: str, offset: str, accept: AcceptAdvice, inside: Inside, once: OncePerKey
) -> Corrected:
    """Say that the amount was entered at the machine. From now on only parts made after this are evidence."""

    async def act() -> Corrected:
        advice = await _seen(inside, part_type, offset, accept.advice)
        return await _correct(
            inside,
            ProcessCorrected(
                part_type=part_type,
                offset=offset,
                number=advice.number,
                amount=advice.amount,
                advice=advice.advice,
                by=accept.by.strip(),
                why=accept.why.strip(),
                expected=advice.expected,
            ),
        )

    return await once.answer(accept, accept.request_id, act)


@router.post("/{part_type}/{offset}/decline")
async def decline_advice(
    part_type: str, offset: str, decline: DeclineAdvice, inside: Inside, once: OncePerKey
) -> DeclinedAnswer:
    """Say that advice is not followed. It comes back when as many new parts ask for it again."""

    async def act() -> DeclinedAnswer:
        await _seen(inside, part_type, offset, decline.advice)
        by = decline.by.strip()
        fact = AdviceDeclined(
            part_type=part_type,
            offset=offset,
            advice=decline.advice,
            by=by,
            why=decline.why.strip(),
        )
        seq, at = await tell(inside, fact)
        return DeclinedAnswer(
            part_type=part_type, offset=offset, advice=decline.advice, by=by, seq=seq, at=at
        )

    return await once.answer(decline, decline.request_id, act)


@router.post("/{part_type}/{offset}/corrections")
async def report_correction(
    part_type: str, offset: str, report: ReportCorrection, inside: Inside, once: OncePerKey
) -> Corrected:
    """Say that the offset or its tool was changed without advice: evidence from before is not used any more."""

    async def act() -> Corrected:
        declared = part_type_of(inside, part_type)
        if offset not in {each.offset for each in declared.tool_offsets}:
            raise Refusal(NAME_UNKNOWN, f"part type {part_type} has no tool offset {offset}")
        return await _correct(
            inside,
            ProcessCorrected(
                part_type=part_type,
                offset=offset,
                number=report.number,
                amount=Decimal(report.amount),
                advice="",
                by=report.by.strip(),
                why=report.why.strip(),
                expected=(),
            ),
        )

    return await once.answer(report, report.request_id, act)


async def _advice(inside: Sources, part_type: str, offset: str) -> Advice:
    standing = standing_of(inside)
    return await run_in_threadpool(advice_for, inside, standing, part_type, offset)


async def _seen(inside: Sources, part_type: str, offset: str, name: str) -> Advice:
    """The advice in force, if it is the one that was seen."""
    advice = await _advice(inside, part_type, offset)
    if not name or advice.advice != name:
        now = advice.advice or f"none is offered: {advice.reason}"
        raise Refusal(ADVICE_MOVED, f"in force is {now}")
    return advice


async def _correct(inside: Sources, fact: ProcessCorrected) -> Corrected:
    """Journal a correction. The core takes it only if it follows the last one; of two at once, one is refused here."""
    seq, at = await tell(inside, fact)
    kept = now_of(inside).state.tool_offsets.get(tool_offset_key(fact.part_type, fact.offset))
    last = None if kept is None else kept.corrected
    said = (fact.number, fact.amount, fact.by, fact.advice)
    if last is None or (last.number, last.amount, last.by, last.advice) != said:
        now = 0 if last is None else last.number
        raise Refusal(ADVICE_MOVED, f"the last correction known is number {now}")
    return Corrected(
        part_type=fact.part_type,
        offset=fact.offset,
        number=fact.number,
        amount=amount_text(fact.amount),
        by=fact.by,
        seq=seq,
        at=at,
    )
