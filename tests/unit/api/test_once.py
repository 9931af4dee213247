"""A request has its effect once for each key, within bounds."""

import asyncio

import pytest

from supervisor.api.hold_view import Release
from supervisor.api.once import ANSWERS_MAX, Answers, asked_of, key_of
from supervisor.api.problems import Refusal

ANSWER = Release(answer="wait", by="test")


class Effect:
    """Counts how often it happened."""

    def __init__(self):
        self.times = 0

    async def __call__(self):
        self.times += 1
        return ANSWER


async def test_the_oldest_answers_are_forgotten_first():
    answers, effect = Answers(), Effect()
    for number in range(ANSWERS_MAX + 1):
        await answers.once(f"key-{number}", "asked", effect)
    assert (await answers.once(f"key-{ANSWERS_MAX}", "asked", effect))[1] == "repeated"
    assert (await answers.once("key-0", "asked", effect))[1] == "fresh"


async def test_a_request_that_failed_is_not_remembered():
    async def fail():
        raise RuntimeError

    answers, effect = Answers(), Effect()
    with pytest.raises(RuntimeError):
        await answers.once("key", "asked", fail)
    assert (await answers.once("key", "asked", effect))[1] == "fresh"


async def test_a_request_that_was_given_up_is_not_remembered():
    """A client that goes away cancels its request."""
    answers, effect = Answers(), Effect()
    asking = asyncio.create_task(answers.once("key", "asked", asyncio.Event().wait))
    await asyncio.sleep(0)
    with pytest.raises(Refusal):
        await answers.once("key", "asked", effect)
    asking.cancel()
    await asyncio.gather(asking, return_exceptions=True)
    assert (await answers.once("key", "asked", effect))[1] == "fresh"


def test_the_same_request_is_the_same_whatever_its_key():
    first = Release(answer="wait", by="test", request_id="1")
    again = Release(answer="wait", by="test", request_id="2")
    other = Release(answer="abort", by="test", request_id="1")
    assert asked_of("/a", first) == asked_of("/a", again)
    assert asked_of("/a", first) != asked_of("/a", other)
    assert asked_of("/a", first) != asked_of("/b", first)


def test_the_header_is_the_key_before_the_field():
    assert key_of("header", "field") == "header"
    assert key_of(None, "field") == "field"
    assert key_of("", "field") == "field"
    with pytest.raises(Refusal):
        key_of(None, "")
