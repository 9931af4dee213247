"""The pages.

Rules of this file:
- A page is whole without script; the script only keeps it up to date and sends answers through the interface.
- No page loads anything from elsewhere.
"""

import asyncio
import secrets
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Annotated, get_args

from fastapi import APIRouter, Depends, FastAPI, Request
from fastapi.responses import FileResponse, HTMLResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool
from starlette.staticfiles import StaticFiles

from supervisor.api.advice_view import advice_view
from supervisor.api.chart_view import chart_line, chart_view
from supervisor.api.genealogy import genealogy
from supervisor.api.inside import Inside
from supervisor.api.papers_view import papers_view
from supervisor.api.ports import Sources
from supervisor.api.problems import CATALOGUE, Refusal
from supervisor.api.process import all_advice, chart_of, standing_of
from supervisor.api.record_view import record_view
from supervisor.api.routes.charts import Wishes
from supervisor.api.routes.events import Seats
from supervisor.api.routes.gauge import list_gauge_studies, study_of
from supervisor.api.routes.parts import PartType, proof_of, revisions_of
from supervisor.api.schema import instant
from supervisor.api.watchers import BEAT_S
from supervisor.process.subgroups import SpreadBy
from supervisor.report.account import accounts
from supervisor.report.chart import chart_svg, cusum_svg, subgroups_svg
from supervisor.report.deviation import picture
from supervisor.report.figures import figures, reason
from supervisor.report.papers import NOT_PROVEN
from supervisor.report.svg import svg
from supervisor.statistics.charts import RULES, SIZE_MAX
from supervisor.web.reference import reference_of
from supervisor.web.rendering import Templates, clock
from supervisor.web.screen import Screen

CHART_CHOICES = {
    "rules": list(RULES),
    "sizes": range(1, SIZE_MAX + 1),
    "spreads": get_args(SpreadBy),
}
LIVE_S_MIN = 0.25
RETRY_MS = 1_000
STATIC = Path(__file__).parent / "static"

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)


def _templates(request: Request) -> Templates:
    return request.app.state.templates


def _screen(request: Request) -> Screen:
    return request.app.state.screen


Pages = Annotated[Templates, Depends(_templates)]
Live = Annotated[Screen, Depends(_screen)]


@router.get("/")
async def show_cell(request: Request, inside: Inside, pages: Pages, screen: Live) -> HTMLResponse:
    """What the cell does now."""
    if inside.lookout.published is None:
        picture, as_of = pages.render("starting.html"), "–"
    else:
        newest = await screen.picture()
        picture, as_of = newest.html, clock(instant(newest.at_ms))
    boot = request.app.state.boot
    title = inside.core.tables.cell.title
    return HTMLResponse(
        pages.render(
            "cell.html",
            title=title,
            boot=boot,
            picture=picture,
            as_of=as_of,
            speed=inside.speed,
        )
    )


@router.get("/live", response_class=EventSourceResponse)
async def watch_cell(
    request: Request, inside: Inside, screen: Live, watchers: Seats
) -> AsyncIterator[ServerSentEvent]:
    """The page's live part whenever it changes, and the time of its values at least once a second."""
    with watchers.watching():
        yield ServerSentEvent(event="boot", raw_data=request.app.state.boot, retry=RETRY_MS)
        async for event in _live(inside, screen):
            yield event


async def _live(sources: Sources, screen: Screen) -> AsyncIterator[ServerSentEvent]:
    shown = ""
    while sources.lookout.published is None and sources.lookout.watch == "open":
        await sources.lookout.wait_after(0, BEAT_S)
    while sources.lookout.watch == "open":
        picture = await screen.picture()
        if picture.html != shown:
            shown = picture.html
            yield ServerSentEvent(event="now", raw_data=shown)
        yield ServerSentEvent(event="at", raw_data=clock(instant(picture.at_ms)))
        await asyncio.sleep(LIVE_S_MIN)
        await sources.lookout.wait_after(picture.seq, BEAT_S - LIVE_S_MIN)


@router.get("/parts/{serial}")
async def show_part(
    serial: str, inside: Inside, pages: Pages, part_type: PartType = ""
) -> HTMLResponse:
    """The record of a part, the verdict first."""
    try:
        found = await revisions_of(inside, serial, part_type)
    except Refusal as refusal:
        page = pages.render("refusal.html", kind=refusal.kind, detail=refusal.detail)
        return HTMLResponse(page, status_code=refusal.kind.status)
    record = found[0].record
    pictures = {each.number: svg(picture(each), reason(each)) for each in record.findings}
    view = record_view(found[0])
    proof = await run_in_threadpool(proof_of, inside, found[0])
    entries = await run_in_threadpool(
        inside.records.papers, record.serial, part_type=record.part_type
    )
    page = pages.render(
        "part.html",
        record=view,
        pictures=pictures,
        figures={each.number: figures(each) for each in record.findings},
        accounts=accounts(record),
        proof=proof,
        earlier=[record_view(each) for each in found[1:]],
        papers=papers_view(entries),
        not_proven=NOT_PROVEN,
    )
    return HTMLResponse(page)


@router.get("/parts/{serial}/way")
async def show_way(
    serial: str, inside: Inside, pages: Pages, part_type: PartType = ""
) -> HTMLResponse:
    """The part's way from its tag to its record."""
    try:
        kept = (await revisions_of(inside, serial, part_type))[0]
    except Refusal as refusal:
        page = pages.render("refusal.html", kind=refusal.kind, detail=refusal.detail)
        return HTMLResponse(page, status_code=refusal.kind.status)
    way = await run_in_threadpool(genealogy, inside.entries, inside.records, kept)
    return HTMLResponse(pages.render("way.html", way=way, verdict=kept.record.verdict))


@router.get("/process")
async def show_process(inside: Inside, pages: Pages) -> HTMLResponse:
    """Where to correct, and which charts there are."""
    try:
        standing = standing_of(inside)
    except Refusal as refusal:
        return _refused(pages, refusal)
    found = await run_in_threadpool(all_advice, inside, standing)
    charts = [
        (p.part_type, [chart_line(p, c) for c in p.plan])
        for p in inside.core.tables.cell.part_types
    ]
    page = pages.render(
        "process.html",
        advice=[advice_view(a) for a in found],
        charts=charts,
        studies=await list_gauge_studies(inside),
    )
    return HTMLResponse(page)


@router.get("/process/{part_type}/{number}")
async def show_chart(
    part_type: str, number: str, inside: Inside, pages: Pages, wishes: Wishes
) -> HTMLResponse:
    """The charts of one characteristic."""
    try:
        chart = await run_in_threadpool(
            chart_of, inside, part_type, number, wishes.rules, wishes.grouping
        )
    except Refusal as refusal:
        return _refused(pages, refusal)
    view = chart_view(chart)
    page = pages.render(
        "chart.html",
        chart=view,
        grouped=view.subgroups,
        picture=chart_svg(chart),
        means=subgroups_svg(chart, "means"),
        spreads=subgroups_svg(chart, "spreads"),
        sums=cusum_svg(chart),
        choices=CHART_CHOICES,
    )
    return HTMLResponse(page)


def _refused(pages: Templates, refusal: Refusal) -> HTMLResponse:
    page = pages.render("refusal.html", kind=refusal.kind, detail=refusal.detail)
    return HTMLResponse(page, status_code=refusal.kind.status)


@router.get("/gauge/{study}")
async def show_gauge_study(study: str, inside: Inside, pages: Pages) -> HTMLResponse:
    """One gauge study and what it says."""
    try:
        view = await study_of(inside, study)
    except Refusal as refusal:
        return _refused(pages, refusal)
    return HTMLResponse(pages.render("gauge.html", study=view))


@router.get("/docs")
async def show_interface(request: Request, pages: Pages) -> HTMLResponse:
    """The interface's reference, from its own OpenAPI document."""
    reference = reference_of(request.app.openapi())
    return HTMLResponse(pages.render("docs.html", reference=reference, catalogue=CATALOGUE))


@router.get("/favicon.ico")
async def show_icon() -> FileResponse:
    """Browsers ask for it, wherever the page says it is."""
    return FileResponse(STATIC / "pointsman.svg", media_type="image/svg+xml")


def add_pages(app: FastAPI) -> None:
    """Add the pages to an interface."""
    templates = Templates()
    app.state.templates = templates
    app.state.screen = Screen(app.state.sources, templates, app.state.shift_desk)
    app.state.boot = secrets.token_hex(4)
    app.include_router(router)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
