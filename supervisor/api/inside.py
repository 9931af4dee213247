"""How a route reaches what it reads.

Rules of this file: one place for the dependencies that routes declare, so that a route's signature says all that it uses.
"""

import asyncio
from collections.abc import Awaitable, Callable, Container
from typing import Annotated, TypeVar

from fastapi import Depends, Header, Request, Response

from supervisor.api.link_view import UNKNOWN, LinkView
from supervisor.api.lookout import Beginning
from supervisor.api.once import Answers, asked_of, key_of
from supervisor.api.ports import Sources
from supervisor.api.problems import NAME_UNKNOWN, NOT_CONFIRMED, STARTING, Refusal
from supervisor.api.schema import TEXT_MAX, Instant, Schema, instant
from supervisor.api.waits import Now
from supervisor.core.events import Event

CONFIRM_S_MAX = 10.0
SOURCE = "people"

A = TypeVar("A", bound=Schema)


def _sources(request: Request) -> Sources:
    return request.app.state.sources


def _answers(request: Request) -> Answers:
    return request.app.state.answers


Inside = Annotated[Sources, Depends(_sources)]


def now_of(sources: Inside) -> Now:
    """The newest published state with its time.

    Raises:
        Refusal: nothing is published yet.
    """
    published = sources.lookout.published
    if published is None:
        raise Refusal(STARTING, "the journal is being read")
    choices = sources.lookout.choices()
    return Now(
        core=sources.core,
        state=published.state,
        at_ms=max(sources.clock.now_ms(), published.head.at_ms),
        choice=choices[-1].made if choices else None,
    )


CellNow = Annotated[Now, Depends(now_of)]


def beginning_of(sources: Sources) -> Beginning:
    """Where this process began to look; to be asked only after ``now_of``."""
    beginning = sources.lookout.beginning
    assert beginning is not None
    return beginning


def link_of(sources: Sources, name: str) -> LinkView:
    """The connection of a station, handler or reader."""
    return sources.links().get(name, UNKNOWN)


def known(name: str, names: Container[str], kind: str) -> None:
    """Check that a thing with this id exists.

    Raises:
        Refusal: there is none.
    """
    if name not in names:
        raise Refusal(NAME_UNKNOWN, f"there is no {kind} {name}")


class Once:
    """Answers a POST once for each idempotency key."""

    def __init__(
        self,
        request: Request,
        response: Response,
        answers: Annotated[Answers, Depends(_answers)],
        idempotency_key: Annotated[
            str | None,
            Header(
                max_length=TEXT_MAX,
                description="A text used for this request and its repetitions only. Needed, unless the body has `request_id`.",
            ),
        ] = None,
    ) -> None:
        """Made by FastAPI for each request."""
        self._address = request.url.path
        self._response = response
        self._answers = answers
        self._key = idempotency_key

    async def answer(self, body: Schema, request_id: str, act: Callable[[], Awaitable[A]]) -> A:
        """Act, or repeat the answer given before."""
        key = key_of(self._key, request_id)
        answer, how = await self._answers.once(key, asked_of(self._address, body), act)
        if how == "repeated":
            self._response.headers["Idempotent-Replayed"] = "true"
        return answer


OncePerKey = Annotated[Once, Depends()]


async def tell(sources: Sources, event: Event) -> tuple[int, Instant]:
    """Put people's words into the inbox and wait until they are durable; the journal's number and the time.

    Raises:
        Refusal: they were not confirmed in time; they may still take effect.
    """
    try:
        async with asyncio.timeout(CONFIRM_S_MAX):
            seq = await sources.orders.submit(event, source=SOURCE)
    except TimeoutError:
        why = sources.orders.status().why or "the supervisor is busy"
        raise Refusal(NOT_CONFIRMED, f"no confirmation within {CONFIRM_S_MAX:g} s: {why}") from None
    entries = sources.lookout.entries_after(seq - 1) or ()
    return seq, instant(entries[0].at_ms if entries else sources.lookout.head().at_ms)
