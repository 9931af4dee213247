"""Requests that have their effect once, however often they are repeated.

Rules of this file:
- The same key with the same request gets the same answer and has no second effect; with another request it is refused.
- Only answers that were given are remembered; what was refused may be tried again under its key.
- Answers are remembered in this process only, the newest ``ANSWERS_MAX`` (S11). After a restart a repeated request is decided anew.
  That stays harmless, because each order is a level or names a hold that is used once.
- After draft-ietf-httpapi-idempotency-key-header-06; it is a draft.
"""

import hashlib
from collections.abc import Awaitable, Callable
from typing import Literal, TypeVar, cast

import msgspec

from supervisor.api.problems import KEY_IN_USE, KEY_MISSING, KEY_REUSED, Refusal
from supervisor.api.schema import Schema
from supervisor.cell.value import value

ANSWERS_MAX = 1_000

A = TypeVar("A", bound=Schema)


@value
class Remembered:
    """A request by the hash of what it asked, and its answer (None while it is being answered)."""

    asked: str
    answer: Schema | None


class Answers:
    """The answers given so far."""

    def __init__(self) -> None:
        self._by_key: dict[str, Remembered] = {}

    async def once(
        self, key: str, asked: str, act: Callable[[], Awaitable[A]]
    ) -> tuple[A, Literal["fresh", "repeated"]]:
        """Act, or repeat the answer given before under this key. Asking the same means that ``act`` gives the same type.

        Raises:
            Refusal: the key was used for another request, or its first request is still being answered.
        """
        known = self._by_key.get(key)
        if known is not None:
            return cast("A", _repeated(known, key, asked)), "repeated"
        self._by_key[key] = Remembered(asked=asked, answer=None)
        try:
            answer = await act()
        except BaseException:
            del self._by_key[key]
            raise
        self._by_key[key] = Remembered(asked=asked, answer=answer)
        self._forget_oldest()
        return answer, "fresh"

    def _forget_oldest(self) -> None:
        while len(self._by_key) > ANSWERS_MAX:
            del self._by_key[next(iter(self._by_key))]


def _repeated(known: Remembered, key: str, asked: str) -> Schema:
    if known.asked != asked:
        raise Refusal(KEY_REUSED, f"the key {key} came before with another request")
    if known.answer is None:
        raise Refusal(KEY_IN_USE, f"the first request with the key {key} has no answer yet")
    return known.answer


def key_of(header: str | None, request_id: str) -> str:
    """The key of a request, from its header or its field; an empty header counts as none.

    Raises:
        Refusal: there is none.
    """
    key = header or request_id
    if not key:
        raise Refusal(KEY_MISSING, "neither a header Idempotency-Key nor a field request_id came")
    return key


def asked_of(address: str, body: Schema) -> str:
    """What a request asks, as a hash: its address and its body without the key."""
    content = body.model_dump(exclude={"request_id"})
    canonical = msgspec.json.encode([address, content], order="deterministic")
    return hashlib.sha256(canonical).hexdigest()
