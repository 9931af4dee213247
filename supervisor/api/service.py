"""The whole interface as one application.

Rules of this file: assembly only. The page is added by whoever composes the process; the interface works without it.
"""

from fastapi import APIRouter, FastAPI, Response

from supervisor.api.health_view import Health
from supervisor.api.inside import Inside
from supervisor.api.limits import BoundedBody, GuardedAnswer
from supervisor.api.once import Answers
from supervisor.api.openapi import DESCRIPTION, TAGS, document_of
from supervisor.api.ports import Sources
from supervisor.api.problems import answer_problems
from supervisor.api.routes import (
    cell,
    decisions,
    events,
    holds,
    journal,
    pallets,
    parts,
    places,
    records,
    stations,
)
from supervisor.api.watchers import Watchers

PREFIX = "/api/v1"
NOUNS = (cell, stations, places, pallets, parts, records, decisions, holds, journal, events)

health = APIRouter(tags=["health"])


@health.get("/healthz", responses={503: {"model": Health, "description": "It does not decide"}})
async def read_health(inside: Inside, response: Response) -> Health:
    """Whether the supervisor decides."""
    status = inside.orders.status()
    response.status_code = 200 if status.phase == "running" else 503
    return Health(step=status.phase, trouble=status.why, seq=status.seq, waiting=status.waiting)


def create_service(sources: Sources) -> FastAPI:
    """The interface over its sources."""
    app = FastAPI(
        title="Pointsman",
        version=sources.version,
        description=DESCRIPTION,
        openapi_url=f"{PREFIX}/openapi.json",
        openapi_tags=TAGS,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        generate_unique_id_function=lambda route: route.name,
    )
    app.state.sources = sources
    app.state.answers = Answers()
    app.state.watchers = Watchers()
    answer_problems(app)
    app.add_middleware(BoundedBody)
    app.add_middleware(GuardedAnswer)
    for noun in NOUNS:
        app.include_router(noun.router, prefix=PREFIX)
    app.include_router(health)
    app.openapi = lambda: document_of(app)
    return app
