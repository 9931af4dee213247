"""Steps of a visit at a station of the second stack, each waited for."""

from supervisor.cell.security import CURRENT
from supervisor.core.commands import SetDoor
from supervisor.core.events import StationObserved

LIMIT_S = 20
SECURED = tuple(zip(CURRENT, ("user name", "certificate", "user name"), strict=True))
"""Every current policy, with both kinds of users; all of them with each other stand in test_security_matrix.py."""


async def shows(watcher, **shown):
    """Wait until the station shows this."""
    await watcher.until(
        lambda: all(
            getattr(watcher.last(StationObserved), name) == word for name, word in shown.items()
        ),
        LIMIT_S,
    )


async def door(watcher, goal):
    """Move the door."""
    watcher.adapter.give(SetDoor(order=1, station=watcher.adapter.name, door=goal))
    await shows(watcher, door=goal)


async def bring_in(watcher, server):
    """Put a pallet in; the door is closed after that."""
    await door(watcher, "open")
    server.switch("occupied", True)
    await shows(watcher, nest="occupied")
    await door(watcher, "closed")
