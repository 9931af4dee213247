"""The head of the journal, told with every answer.

Rules of this file:
- Whoever keeps any answer of the interface keeps a head with it, on another machine: a journal that is short of it is found out.
- Only what is durable is told. Before anything is published there is no head, and no header.
"""

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from supervisor.api.ports import Sources

HEADER = "Pointsman-Head"


class HeadTold:
    """Adds the header ``Pointsman-Head`` to every answer."""

    def __init__(self, app: ASGIApp, sources: Sources) -> None:
        self._app = app
        self._sources = sources

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hand on; add the header where the answer begins."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def telling(message: Message) -> None:
            published = self._sources.lookout.published
            if message["type"] == "http.response.start" and published is not None:
                note = self._sources.head_note(published.head)
                MutableHeaders(scope=message)[HEADER] = note.text()
            await send(message)

        await self._app(scope, receive, telling)
