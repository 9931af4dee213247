"""What the three measuring machines have in common behind their different panels."""

from collections.abc import Mapping

from simulators.models.cell import station_model
from simulators.models.station import Mode
from simulators.servers.machine import Machine, Switch, World, pulse
from simulators.servers.panel import Type


class MeasuringMachine(Machine):
    """A station model behind a panel."""

    def __init__(self, world: World, station: str) -> None:
        super().__init__(world)
        self.model = station_model(world.physics, station, floor=world.floor, parts=world.parts)
        self._jammed = False
        self.answer_delay_s = 0.0

    def due_ms(self) -> int | None:
        """See ``Machine``."""
        return self.model.due_ms()

    def advance(self, now_ms: int) -> None:
        """See ``Machine``."""
        self.model.advance(now_ms)

    def switches(self) -> Mapping[str, Switch]:
        """See ``Machine``."""
        return {
            "Manual": self._mode_switch("manual"),
            "Fault": self._mode_switch("fault"),
            "DoorJam": Switch(type=Type.Boolean, throw=self._jam, show=lambda: self._jammed),
            "AbortRun": pulse(self.model.break_off),
            "SpoilResult": pulse(self.model.spoil_next),
            "DurationFactor": Switch(
                type=Type.Double, throw=self._slow_down, show=lambda: self.model.duration_factor
            ),
        }

    def _mode_switch(self, mode: Mode) -> Switch:
        return Switch(
            type=Type.Boolean,
            throw=lambda value: self.model.befall(mode if value else "automatic"),
            show=lambda: self.model.image().mode == mode,
        )

    def _jam(self, value: object) -> None:
        self._jammed = bool(value)
        if value:
            self.model.door.jam()
        else:
            self.model.door.free()

    def _slow_down(self, factor: float) -> None:
        self.model.duration_factor = factor
