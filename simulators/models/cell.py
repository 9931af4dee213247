"""All machines of one simulated cell on one floor.

Rules of this file: it puts together what the physics file says and decides nothing. Servers take one machine each, the
virtual-time bench takes all.
"""

from simulators.models.ct import CT
from simulators.models.floor import Floor, FloorInMemory
from simulators.models.handler import HandlerModel
from simulators.models.operator import OperatorModel
from simulators.models.part import Parts
from simulators.models.physics import Physics, StationKind
from simulators.models.reader import ReaderModel
from simulators.models.scan import SCAN
from simulators.models.station import Kind, StationModel
from simulators.models.touch import TOUCH

KINDS: dict[StationKind, Kind] = {"scan": SCAN, "touch": TOUCH, "ct": CT}


def floor_in_memory(physics: Physics) -> FloorInMemory:
    """An empty floor with every place and jaw of a cell."""
    places = (*(entry.place for entry in physics.places), *physics.jaws)
    return FloorInMemory(places=places, stations=tuple(entry.station for entry in physics.stations))


def station_model(physics: Physics, station: str, *, floor: Floor, parts: Parts) -> StationModel:
    """One measuring machine; KeyError if the physics file has none of that id."""
    kind = KINDS[physics.station(station).kind]
    return StationModel(physics, station=station, kind=kind, floor=floor, parts=parts)


class CellModels:
    """Every machine of a cell and the person, for whoever drives them all on one clock.

    Nests and racks change by what others do: after any ``advance`` or order, look at all images again.
    """

    def __init__(self, physics: Physics, *, floor: Floor, seed: int) -> None:
        self.parts = Parts(physics, seed=seed)
        self.stations = {
            station: station_model(physics, station, floor=floor, parts=self.parts)
            for station in sorted(entry.station for entry in physics.stations)
        }
        self.handler = HandlerModel(physics, floor=floor)
        self.reader = ReaderModel(physics, floor=floor)
        self.operator = OperatorModel(physics, floor=floor, seed=seed)

    def due_ms(self) -> int | None:
        """The next moment anything happens by itself; None if nothing will."""
        timed = (*self.stations.values(), self.handler, self.operator)
        return min(
            (due for due in (model.due_ms() for model in timed) if due is not None), default=None
        )

    def advance(self, now_ms: int) -> None:
        """Bring everything up to ``now_ms``, in the order of time also between machines."""
        due_ms = self.due_ms()
        while due_ms is not None and due_ms < now_ms:
            self._advance_all(due_ms)
            due_ms = self.due_ms()
        self._advance_all(now_ms)

    def _advance_all(self, now_ms: int) -> None:
        for station in self.stations.values():
            station.advance(now_ms)
        self.handler.advance(now_ms)
        self.operator.advance(now_ms)
