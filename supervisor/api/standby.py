"""What a supervisor answers while it stands by.

Rules of this file:
- It knows nothing of the cell, so whatever is asked gets 503 with the time after which it is worth asking again (RFC 9110, 10.2.3).
- ``/livez`` answers 200: the process is well, and whoever watches it should leave it alone.
- A person gets a page that says so and that loads itself again.
"""

import html
import math
from collections.abc import Callable

from fastapi.responses import HTMLResponse, JSONResponse
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from supervisor.api.health_view import Life
from supervisor.api.limits import GuardedAnswer, KnownHost
from supervisor.api.problems import STANDING_BY, problem_answer
from supervisor.api.service import Reach

PAGE = """\
<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta http-equiv="refresh" content="2"><title>Standing by</title></head>
<body><h1>Standing by</h1><p>{said}. This page asks again by itself.</p></body></html>
"""


def create_standby(said: Callable[[], str], *, retry_s: float, reach: Reach) -> ASGIApp:
    """The interface of a supervisor that stands by; ``said`` tells for whom it waits."""
    again = {"Retry-After": f"{max(1, math.ceil(retry_s))}"}

    async def answer(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            await _answer_to(Request(scope), said(), again)(scope, receive, send)

    app: ASGIApp = answer if reach == "the network" else KnownHost(answer)
    return GuardedAnswer(app)


def _answer_to(request: Request, said: str, again: dict[str, str]) -> Response:
    if request.url.path == "/livez":
        return JSONResponse(Life(role="standing by").model_dump())
    if "text/html" in request.headers.get("accept", ""):
        return HTMLResponse(PAGE.format(said=html.escape(said)), status_code=503, headers=again)
    return problem_answer(STANDING_BY, request.url.path, said, headers=again)
