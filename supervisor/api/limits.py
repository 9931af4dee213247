"""What holds for every request and answer, whatever its route.

Rules of this file:
- A request body is bounded, also one that does not say its length.
- Where only this machine can reach the interface, only names of this machine lead to it.
- An answer is not kept by anybody unless its route says otherwise, runs no foreign script, and shows in no foreign frame.
"""

from collections import deque
from collections.abc import Iterable
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from supervisor.api.problems import BODY_TOO_LARGE, HOST_UNKNOWN, problem_answer

BODY_BYTES_MAX = 65_536

_HEADERS = {
    "Content-Security-Policy": "default-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}


class BoundedBody:
    """Refuses a request whose body is larger than ``BODY_BYTES_MAX``."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Take the body up to the limit, then hand it on as it came."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        taken: deque[Message] = deque()
        if _declared_length(scope["headers"]) > BODY_BYTES_MAX or not await _fits(receive, taken):
            detail = f"more than {BODY_BYTES_MAX} bytes came"
            await problem_answer(BODY_TOO_LARGE, scope["path"], detail)(scope, receive, send)
            return

        async def again() -> Message:
            return taken.popleft() if taken else await receive()

        await self._app(scope, again, send)


async def _fits(receive: Receive, taken: deque[Message]) -> bool:
    """Take messages to the end of the body; whether it stays within the limit."""
    received = 0
    while True:
        message = await receive()
        taken.append(message)
        received += len(message.get("body", b""))
        if received > BODY_BYTES_MAX:
            return False
        if message["type"] != "http.request" or not message.get("more_body", False):
            return True


def _declared_length(headers: Iterable[tuple[bytes, bytes]]) -> int:
    for name, content in headers:
        if name == b"content-length" and content.isdigit():
            return int(content)
    return 0


class KnownHost:
    """Refuses a request that was addressed to another name than this machine's own.

    An interface that only this machine reaches would otherwise be reached by any web page whose name was made to lead here.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Look at the Host header."""
        if scope["type"] == "http":
            named = Headers(scope=scope).get("host", "")
            if not is_own(named):
                detail = f"the request is for {named or 'nobody'}, this is localhost"
                await problem_answer(HOST_UNKNOWN, scope["path"], detail)(scope, receive, send)
                return
        await self._app(scope, receive, send)


def is_own(named: str) -> bool:
    """Whether a Host header names this machine, as nobody else could reach it."""
    host = urlsplit(f"//{named}").hostname or ""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class GuardedAnswer:
    """Adds the headers that every answer carries."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hand on; add headers where the answer begins."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault("Cache-Control", "no-store")
                for name, content in _HEADERS.items():
                    headers[name] = content
            await send(message)

        await self._app(scope, receive, guarded)
