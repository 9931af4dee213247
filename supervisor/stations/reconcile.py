"""What lost events would have said: read from levels, asked of a method, or said again by the server.

Rules of this file:
- It is asked on every connection, the first one too, before anything of the image counts, and once more before a run is started.
- An answer that cannot be had keeps the link down: nobody may take silence for "nothing happened".
- An event that comes while it is asked is newer than the answer and wins; so the answers wait until whatever was on its way is in.
"""

import asyncio
from collections.abc import Mapping
from typing import Any, cast

from supervisor.cell.profile_language import EventSource, Query
from supervisor.stations.connection import Connection
from supervisor.stations.fetch import called
from supervisor.stations.opcua import UaError
from supervisor.stations.pick import MISSING
from supervisor.stations.reading import Image, Reading
from supervisor.stations.results import part_of
from supervisor.stations.trouble import LinkLost, ResultUnreadable

LIMIT_S_MIN = 2.0
REFRESH_S_MAX = 4.0
INTERVALS = 2  # publishing intervals until an event from before the answer has come

Answers = Mapping[str, list[Reading] | None]


async def settle_the_image(
    connection: Connection, events: Mapping[str, EventSource], speed: float
) -> None:
    """Ask for everything that events might have said, and put it into the image where no event came meanwhile.

    Raises:
        LinkLost, OSError, TimeoutError: it cannot be asked.
    """
    if not events:
        return
    before = connection.latches.changes()
    answers = await ask_the_world(connection, events, speed)
    await asyncio.sleep(INTERVALS * connection.revised.interval_ms / 1000)
    after = connection.latches.changes()
    untouched = {name: read for name, read in answers.items() if before[name] == after[name]}
    connection.place(connection.latches.answered(untouched, connection.image, _now_s()))


async def image_asked_afresh(
    connection: Connection, events: Mapping[str, EventSource], speed: float
) -> Image:
    """A fresh image, in which what is not latched is asked for as well. The image of the connection stays as it is.

    Raises:
        LinkLost, OSError, TimeoutError: it cannot be asked.
    """
    answers = await ask_the_world(connection, events, speed)
    fresh = await connection.read(tuple(connection.positions))
    free = {
        name: read
        for name, read in answers.items()
        if all(fresh[connection.positions[field]].value is None for field in events[name].fields)
    }
    for position, reading in connection.latches.answered(free, fresh, _now_s()):
        fresh[position] = reading
    return fresh


async def ask_the_world(
    connection: Connection, events: Mapping[str, EventSource], speed: float
) -> Answers:
    """For each event what it would have said last; None where there is nothing.

    Raises:
        LinkLost, OSError, TimeoutError: it cannot be asked.
    """
    answers: dict[str, list[Reading] | None] = {}
    if any(event.after_outage.refresh is not None for event in events.values()):
        await connection.refresh_conditions(REFRESH_S_MAX)
    for name, event in events.items():
        after = event.after_outage
        try:
            if after.query is not None:
                within_s = max(after.query.limit_s / speed, LIMIT_S_MIN)
                answers[name] = await _queried(connection, name, event, after.query, within_s)
            elif after.order is not None or after.refresh is not None:
                answers[name] = (
                    None  # the order that is given again while it is wanted, or the refresh, tells
                )
            else:
                levels = cast("dict[str, str]", after.levels)
                answers[name] = await connection.read(tuple(levels[key] for key in event.fields))
        except (ResultUnreadable, UaError) as error:
            message = f"event {name}: what it would have said in an outage cannot be asked: {error}"
            raise LinkLost(message) from error
    return answers


async def _queried(
    connection: Connection, name: str, event: EventSource, query: Query, within_s: float
) -> list[Reading] | None:
    content = await called(connection, query, {}, within_s)
    rows = _rows(content, query)
    now_s = _now_s()
    found = [(_place(row, query), _read(row, event, query, now_s)) for row in rows]
    counting = [one for one in found if connection.latches.counts(name, one[1])]
    if not counting:
        return None
    return max(counting, key=lambda one: one[0])[1] if query.newest_by else counting[-1][1]


def _rows(content: Any, query: Query) -> list[Any]:
    """The rows of an output; one that is a single structure is one row.

    Raises:
        ResultUnreadable: there is no list where one was expected.
    """
    rows = content if query.rows is None else part_of(content, query.rows)
    if rows is None or rows is MISSING:
        return []
    if isinstance(rows, dict):
        return [cast("Any", rows)] if rows else []
    if not isinstance(rows, list):
        message = f"{query.node} gave {type(rows).__name__}, expected a list of rows"
        raise ResultUnreadable(message)
    return cast("list[Any]", rows)


def _place(row: Any, query: Query) -> Any:
    """What tells a newer row from an older one.

    Raises:
        ResultUnreadable: a row does not say.
    """
    if query.newest_by is None:
        return 0
    found = part_of(row, query.newest_by)
    if found is MISSING:
        message = f"a row of {query.node} has no {query.newest_by}"
        raise ResultUnreadable(message)
    return found


def _read(row: Any, event: EventSource, query: Query, now_s: float) -> list[Reading]:
    parts = [part_of(row, query.fields[field]) for field in event.fields]
    return [Reading(None if one is MISSING else one, "good", 0, now_s) for one in parts]


def _now_s() -> float:
    return asyncio.get_running_loop().time()
