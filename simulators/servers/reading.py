"""What the tag readers have in common behind their different panels: the model, and the person who brings and takes pallets."""

from collections.abc import Mapping
from typing import get_args

from simulators.models.operator import WHO, OperatorModel
from simulators.models.reader import ReaderModel, TagStatus
from simulators.servers.machine import Machine, Switch, World
from simulators.servers.panel import Type


class ReadingMachine(Machine):
    """A reader model behind a panel."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.model = ReaderModel(world.physics, floor=world.floor)
        self.person = OperatorModel(
            world.physics,
            floor=world.floor,
            seed=world.parts.seed,
            memory=world.floor.recall(WHO),
        )

    def due_ms(self) -> int | None:
        """See ``Machine``."""
        return self.person.due_ms()

    def advance(self, now_ms: int) -> None:
        """See ``Machine``."""
        self.person.advance(now_ms)

    def switches(self) -> Mapping[str, Switch]:
        """See ``Machine``."""
        return {"NextRead": Switch(type=Type.String, throw=self._answer_next, show=lambda: "")}

    def _answer_next(self, status: str) -> None:
        if status in get_args(TagStatus):
            self.model.answer_next(status)  # type: ignore[arg-type] - checked one line above
