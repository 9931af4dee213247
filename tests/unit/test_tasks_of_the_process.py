"""The tasks of a process: one that ends for no reason ends the process."""

import asyncio

import pytest

from supervisor.app import _named


async def cancelled_by_nobody():
    raise asyncio.CancelledError


async def for_ever():
    await asyncio.Event().wait()


async def together(*works):
    async with asyncio.timeout(5), asyncio.TaskGroup() as group:
        for name, work in works:
            group.create_task(_named(name, work))


async def test_a_task_that_was_cancelled_by_nobody_ends_the_group():
    with pytest.raises(ExceptionGroup) as ended:
        await together(("for ever", for_ever()), ("ct-1", cancelled_by_nobody()))
    assert [str(each) for each in ended.value.exceptions] == [
        "the task 'ct-1' was cancelled by nobody"
    ]


async def test_a_task_that_is_cancelled_ends_without_a_word():
    group = asyncio.create_task(together(("for ever", for_ever())))
    await asyncio.sleep(0)
    group.cancel()
    with pytest.raises(asyncio.CancelledError):
        await group
