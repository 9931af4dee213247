"""The whole interface as one application.

Rules of this file: assembly only. The page is added by whoever composes the process; the interface works without it.
"""

from typing import Literal

from fastapi import APIRouter, Depends, FastAPI, Response

from supervisor.api.driver_view import driver_view, trouble_of
from supervisor.api.head_told import HeadTold
from supervisor.api.health_view import Health, Life
from supervisor.api.inside import Inside
from supervisor.api.limits import BoundedBody, GuardedAnswer, KnownHost
from supervisor.api.once import Answers
from supervisor.api.openapi import DESCRIPTION, TAGS, document_of
from supervisor.api.papers import PaperDesk
from supervisor.api.ports import Sources
from supervisor.api.problems import RETRY_AFTER_S, answer_problems
from supervisor.api.questions import only_known
from supervisor.api.routes import (
    advice,
    agreement,
    cell,
    charts,
    decisions,
    events,
    gauge,
    holds,
    journal,
    onward,
    pallets,
    parts,
    places,
    receivers,
    record_files,
    records,
    shift,
    stations,
    suspicions,
)
from supervisor.api.shift_desk import ShiftDesk
from supervisor.api.watchers import Watchers

PREFIX = "/api/v1"
NOUNS = (
    cell,
    stations,
    suspicions,
    places,
    pallets,
    onward,
    parts,
    records,
    record_files,
    advice,
    charts,
    decisions,
    agreement,
    gauge,
    shift,
    holds,
    journal,
    events,
    receivers,
)

Reach = Literal["this machine", "the network"]

health = APIRouter(tags=["health"])


@health.get("/healthz", responses={503: {"model": Health, "description": "It does not decide"}})
async def read_health(inside: Inside, response: Response) -> Health:
    """Whether the supervisor decides and may send. One that stands by answers 503 with Retry-After, as to everything else."""
    status, vitals = inside.orders.status(), inside.vitals()
    well = status.phase == "running" and vitals.permit.holds == "yes"
    if not well:
        response.status_code = 503
        response.headers["Retry-After"] = RETRY_AFTER_S
    return Health(
        step=status.phase,
        trouble=status.why or trouble_of(vitals),
        seq=status.seq,
        waiting=status.waiting,
        driver=driver_view(vitals),
    )


@health.get("/livez")
async def read_life() -> Life:
    """Whether the process answers, driving or standing by: what restarts a process should ask this, not whether it drives."""
    return Life(role="driving")


def create_service(sources: Sources, *, reach: Reach) -> FastAPI:
    """The interface over its sources; ``reach`` says who can reach it."""
    app = bare_service()
    app.state.sources = sources
    app.state.answers = Answers()
    app.state.paper_desk = PaperDesk()
    app.state.shift_desk = ShiftDesk(sources.core.tables.cell)
    sources.lookout.follow(app.state.shift_desk.take)
    app.state.watchers = Watchers()
    answer_problems(app)
    app.add_middleware(BoundedBody)
    if reach == "this machine":
        app.add_middleware(KnownHost)
    app.add_middleware(GuardedAnswer)
    app.add_middleware(HeadTold, sources=sources)
    return app


def bare_service() -> FastAPI:
    """The interface without anything behind it: enough for its own description."""
    app = FastAPI(
        title="Pointsman",
        version="1",
        description=DESCRIPTION,
        openapi_url=f"{PREFIX}/openapi.json",
        openapi_tags=TAGS,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        generate_unique_id_function=lambda route: route.name,
    )
    for noun in NOUNS:
        app.include_router(noun.router, prefix=PREFIX, dependencies=[Depends(only_known)])
    app.include_router(health)
    app.openapi = lambda: document_of(app)
    return app
