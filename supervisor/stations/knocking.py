"""Waiting for a server that does not answer.

Rules of this file:
- A knock spends no channel and no session of the server. One that nobody answers does not hold up the next: after a black hole has
  healed, the first new knock gets through, whatever became of the old ones.
- It goes on for ever, evenly: a server that is back is met within one ``knock_s``.
"""

import asyncio
import random
from collections.abc import Callable

from supervisor.stations.connection import LinkOptions
from supervisor.stations.opcua import UaError
from supervisor.stations.wire import knock


async def until_answered(
    url: str, options: LinkOptions, failed: Callable[[Exception], None]
) -> None:
    """Knock until the server answers; ``failed`` hears of every knock that was in vain."""
    knocks: set[asyncio.Task[None]] = set()
    try:
        while True:
            knocks.add(asyncio.create_task(knock(url, options.answer_s_max)))
            if await _answered(knocks, _pause_s(options), failed):
                return
    finally:
        for each in knocks:
            each.cancel()
        await asyncio.gather(*knocks, return_exceptions=True)


async def _answered(
    knocks: set[asyncio.Task[None]], for_s: float, failed: Callable[[Exception], None]
) -> bool:
    """Whether one of the knocks is answered within a time; those that ended are taken out."""
    loop = asyncio.get_running_loop()
    until_s = loop.time() + for_s
    while knocks and loop.time() < until_s:
        ended, _ = await asyncio.wait(
            knocks, timeout=until_s - loop.time(), return_when=asyncio.FIRST_COMPLETED
        )
        knocks -= ended
        answers = [_success(each, failed) for each in ended]  # all of them: each may have failed
        if any(answers):
            return True
    await asyncio.sleep(until_s - loop.time())
    return False


def _success(ended: asyncio.Task[None], failed: Callable[[Exception], None]) -> bool:
    try:
        ended.result()
    except (OSError, UaError) as error:
        failed(error)
        return False
    return True


def _pause_s(options: LinkOptions) -> float:
    """Never the same for two stations that lost the same switch."""
    return options.knock_s * random.uniform(0.7, 1.0)  # noqa: S311 - spreads knocks, keeps no secret
