"""Gauge studies that the cell carries out."""

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool

from supervisor.api.gauge_view import (
    OrderStudy,
    StopStudy,
    StudyLine,
    StudyView,
    exact,
    study_line,
    study_view,
)
from supervisor.api.inside import Inside, OncePerKey, now_of, tell
from supervisor.api.ports import Sources
from supervisor.api.problems import NAME_UNKNOWN, STUDY_REFUSED, Refusal
from supervisor.core.events import GaugeStudyOrdered, GaugeStudyStopped
from supervisor.core.gauge import refusal
from supervisor.core.studies import running
from supervisor.process.gauge_study import GaugeStudy, Reference

router = APIRouter(prefix="/gauge-studies", tags=["gauge studies"])


@router.get("")
async def list_gauge_studies(inside: Inside) -> list[StudyLine]:
    """The newest studies, the newest first. Older ones stand in the journal."""
    kept = now_of(inside).state.studies
    return [study_line(await _seen(inside, each)) for each in reversed(kept)]


@router.get("/{study}")
async def read_gauge_study(study: str, inside: Inside) -> StudyView:
    """One study and what it says so far, characteristic by characteristic."""
    return await study_of(inside, study)


@router.post("")
async def order_gauge_study(order: OrderStudy, inside: Inside, once: OncePerKey) -> StudyView:
    """Have pallets loaded into a station again and again. No record of their parts comes of it; they are inspected afterwards."""

    async def act() -> StudyView:
        return await _order(inside, order)

    return await once.answer(order, order.request_id, act)


@router.post("/{study}/stop")
async def stop_gauge_study(
    study: str, stop: StopStudy, inside: Inside, once: OncePerKey
) -> StudyView:
    """End a study before it is whole. What was measured stays; the run under way counts for nothing."""

    async def act() -> StudyView:
        await study_of(inside, study)
        await tell(inside, GaugeStudyStopped(study=study, by=stop.by.strip(), why=stop.why.strip()))
        return await study_of(inside, study)

    return await once.answer(stop, stop.request_id, act)


async def study_of(inside: Sources, name: str) -> StudyView:
    """A kept study.

    Raises:
        Refusal: there is none of this name.
    """
    for each in now_of(inside).state.studies:
        if each.study == name:
            return await _seen(inside, each)
    raise Refusal(NAME_UNKNOWN, f"there is no gauge study {name} among the newest ones")


async def _seen(inside: Sources, study: GaugeStudy) -> StudyView:
    table = inside.core.tables.plans.get(study.part_type)
    if table is None:
        raise Refusal(NAME_UNKNOWN, f"part type {study.part_type} is not declared any more")
    return await run_in_threadpool(study_view, study, table)


async def _order(inside: Sources, order: OrderStudy) -> StudyView:
    fact = GaugeStudyOrdered(
        pallets=tuple(order.pallets),
        station=order.station,
        program=order.program,
        loadings=order.loadings,
        repeats=order.repeats,
        references=tuple(
            Reference(number=each.number, value=exact(each.value), u=exact(each.u))
            for each in order.references
        ),
        by=order.by.strip(),
    )
    lacking = refusal(inside.core.tables, now_of(inside).state, fact)
    if lacking:
        raise Refusal(STUDY_REFUSED, lacking)
    await tell(inside, fact)
    begun = running(now_of(inside).state)
    if begun is None or (begun.pallets, begun.by) != (fact.pallets, fact.by):
        raise Refusal(STUDY_REFUSED, "the cell changed meanwhile: look at it, then order again")
    return await _seen(inside, begun)
