"""Steps of a visit at a station of the second stack, each waited for."""

from supervisor.cell.security import CURRENT
from supervisor.core.commands import AcknowledgeResult, PrepareProgram, SetDoor, StartRun
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


def start(watcher, run_no):
    """Start the run with this number, for a part of its own."""
    watcher.adapter.give(start_of(watcher.adapter.name, run_no))


def start_of(station, run_no):
    """The goal of that."""
    return StartRun(
        order=run_no, station=station, run_id=f"R{run_no}", run_no=run_no, program="p", name="P-17", number=17,
        revision="A", part_type="cam-ring", serial=f"S{run_no}", pallet="g",
    )  # fmt: skip


async def prepare(watcher):
    """Have the program prepared."""
    watcher.adapter.give(
        PrepareProgram(
            order=9, station=watcher.adapter.name, program="p", name="P-17", number=17, revision="A", part_type="cam-ring",
        )
    )  # fmt: skip
    await shows(watcher, work="prepared")


async def acknowledge(watcher, run_no, quiet="idle"):
    """Take note of a result; the station shows nothing of it any more, but this."""
    goal = AcknowledgeResult(order=2, station=watcher.adapter.name, run_id=f"R{run_no}")
    watcher.adapter.give(goal)
    await shows(watcher, work=quiet)


async def bring_in(watcher, server):
    """Put a pallet in; the door is closed after that."""
    await door(watcher, "open")
    server.switch("occupied", True)
    await shows(watcher, nest="occupied")
    await door(watcher, "closed")
