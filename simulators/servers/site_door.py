"""Door and nest in a site's own namespace, for stations whose standard defines neither.

Rules of this file: a request that is refused is not taken; it stands until it is written anew.
"""

from collections.abc import Mapping
from typing import Any

from simulators.models.station import StationImage
from simulators.servers.measuring import MeasuringMachine
from simulators.servers.panel import Panel, Type, Variable

_SHOWN = ("IsOpen", "IsClosed", "IsOccupied", "OpenRequestTaken")


class SiteDoor:
    """The variables below ``Door``: two switches of the door, one of the nest, and the request to open with its echo."""

    def __init__(self, machine: MeasuringMachine) -> None:
        self._machine = machine
        self._taken = False

    async def build(self, panel: Panel) -> None:
        """Add the nodes."""
        await panel.show(
            [Variable(path=f"Door/{name}", type=Type.Boolean, start=False) for name in _SHOWN]
        )
        request = Variable(path="Door/OpenRequest", type=Type.Boolean, start=False)
        await panel.take(request, self._drive)

    def values(self, image: StationImage) -> Mapping[str, Any]:
        """What they show."""
        return {
            "Door/IsOpen": image.door == "open",
            "Door/IsClosed": image.door == "closed",
            "Door/IsOccupied": image.nest == "occupied",
            "Door/OpenRequestTaken": self._taken,
        }

    def _drive(self, value: object) -> None:
        self._machine.catch_up()
        if self._machine.model.drive_door("open" if value else "closed").status == "ok":
            self._taken = bool(value)
