"""Where goals go."""

import pytest

from simulators.bench.scenarios import small_cell
from supervisor.core.commands import MoveHandler, ReadTag, SetDoor
from supervisor.shell.outbox import outbox_for


class Mailbox:
    def __init__(self, name):
        self.name = name
        self.given = []

    async def run(self, emit):
        """Unused."""

    def give(self, goal):
        self.given.append(goal)


MOVE = MoveHandler(
    order=1, action="pick", place="rack-01", pick_jaw=1, put_jaw=0, picked="p", put=""
)
DOOR = SetDoor(order=2, station="scan-1", door="open")


def mailboxes():
    cell = small_cell()
    names = [*(s.station for s in cell.stations), "handler", *(r.reader for r in cell.readers)]
    return cell, {name: Mailbox(name) for name in names}


def test_a_goal_goes_to_its_station_to_the_handler_or_to_the_reader():
    cell, boxes = mailboxes()
    outbox = outbox_for(cell, boxes.values())
    read = ReadTag(order=3, reader=cell.readers[0].reader, place="rack-01")
    for goal in (MOVE, DOOR, read):
        outbox.give(goal)
    assert boxes["handler"].given == [MOVE]
    assert boxes["scan-1"].given == [DOOR]
    assert boxes[read.reader].given == [read]


@pytest.mark.parametrize("change", ["missing", "unknown", "double"])
def test_a_cell_needs_exactly_one_adapter_for_each_of_its_machines(change):
    cell, boxes = mailboxes()
    adapters = list(boxes.values())
    if change == "missing":
        adapters.pop()
    else:
        adapters.append(Mailbox("scan-1" if change == "double" else "scan-9"))
    with pytest.raises(ValueError, match="one adapter for each"):
        outbox_for(cell, adapters)
