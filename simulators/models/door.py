"""A door, or an area that a machine parks its axes out of: travel time, positions, a jam.

Rules of this file:
- Position 0 is closed (the machine may move), 1 is open (the arm may enter); it changes steadily over the travel time.
- A door never starts to move onto the arm: asking for that is a violation, and the machine's own edge protection refuses it.
- A jammed door stands still on its way and never arrives; freed, it goes on.
"""

from typing import Literal

from simulators.models.agenda import Agenda
from simulators.models.floor import Floor

DoorState = Literal["closed", "opening", "open", "closing"]
Target = Literal["open", "closed"]
OPENING = {"open": 1.0, "closed": 0.0}
ENTRY = "door"


class Door:
    """The door of one station. It starts where the floor says it stands; one that was on its way is closed."""

    def __init__(
        self, station: str, *, agenda: Agenda, floor: Floor, travel_ms: dict[Target, int]
    ) -> None:
        self._station = station
        self._agenda = agenda
        self._floor = floor
        self._travel_ms = travel_ms
        self._jammed = False
        opening = floor.station(station).opening
        self._target: Target = "open" if opening == OPENING["open"] else "closed"
        if self._target == "closed" and opening:
            self._go(round(opening * travel_ms["closed"]))

    @property
    def state(self) -> DoorState:
        """What its switches say."""
        if not self._agenda.left_ms(ENTRY):
            return self._target
        return "opening" if self._target == "open" else "closing"

    def opening(self) -> float:
        """Its position now, 0 closed .. 1 open."""
        way = self._agenda.left_ms(ENTRY) / self._travel_ms[self._target]
        return 1.0 - way if self._target == "open" else way

    def drive(self, target: Target) -> str:
        """Make it open or closed. Returns "" or why it does not move; to be where it shall be is no reason."""
        if target == self._target:
            return ""
        opening = self.opening()
        if self._floor.swing(self._station, _off_the_end(opening)) == "arm inside":
            return "the arm is inside"
        self._target = target
        self._go(round(abs(OPENING[target] - opening) * self._travel_ms[target]))
        return ""

    def jam(self) -> None:
        """Let it get stuck on its next way, or at once if it moves."""
        self._jammed = True
        self._agenda.suspend(ENTRY)

    def free(self) -> None:
        """Let it move again; a way that it was stuck on is finished."""
        self._jammed = False
        self._agenda.resume(ENTRY)

    def _go(self, travel_ms: int) -> None:
        self._agenda.plan(ENTRY, max(travel_ms, 1), self._arrive)
        if self._jammed:
            self._agenda.suspend(ENTRY)

    def _arrive(self) -> None:
        self._floor.swing(self._station, OPENING[self._target])


def _off_the_end(opening: float) -> float:
    return min(max(opening, 0.01), 0.99)
