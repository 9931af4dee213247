"""Where goals go.

Rules of this file:
- A goal is given only after the entry that holds it is durable (S2); the runtime sees to that.
- Giving returns at once. What becomes of a goal comes back as facts.
"""

from collections.abc import Iterable

from supervisor.cell.model import Cell
from supervisor.core.commands import Goal, MoveHandler, ReadTag
from supervisor.shell.ports import Adapter


class Outbox:
    """Routes each goal to the adapter of its station, handler or reader."""

    def __init__(self, *, handler: str, adapters: Iterable[Adapter]) -> None:
        """``handler`` is the id of the cell's handler."""
        self._handler = handler
        self._adapters = {adapter.name: adapter for adapter in adapters}

    def give(self, goal: Goal) -> None:
        """Hand a goal to its adapter."""
        self._adapters[self.address(goal)].give(goal)

    def address(self, goal: Goal) -> str:
        """Whose goal it is."""
        match goal:
            case MoveHandler():
                return self._handler
            case ReadTag():
                return goal.reader
            case _:
                return goal.station


def outbox_for(cell: Cell, adapters: Iterable[Adapter]) -> Outbox:
    """The outbox of a declared cell.

    Raises:
        ValueError: the adapters are not exactly the cell's stations, handler and readers.
    """
    given = list(adapters)
    wanted = [station.station for station in cell.stations]
    wanted += [cell.handler.handler, *(reader.reader for reader in cell.readers)]
    if sorted(adapter.name for adapter in given) != sorted(wanted):
        names = sorted(adapter.name for adapter in given)
        raise ValueError(f"the cell needs one adapter for each of {sorted(wanted)}, not {names}")
    return Outbox(handler=cell.handler.handler, adapters=given)
