"""What each machine of a cell can tell of who drives it, from its profile.

Rules of this file:
- Two questions for each machine: does it stop beginning motions when its supervisor stands still (a permit), and can it tell the order
  of a supervisor that lost the cell from one of its successor (a fence in the order)?
- A machine that can do neither is driven all the same. What that means is said, because it is decided by the machine and not by us.
"""

from collections.abc import Iterator
from typing import Literal

from supervisor.cell.model import Cell
from supervisor.cell.profile_language import (
    AnyProfile,
    Argument,
    Assignment,
    CallOrder,
    CountOrder,
    HandlerProfile,
    PulseOrder,
    StationProfile,
    Supported,
    TagOrder,
    ToggleOrder,
    WriteOrder,
)
from supervisor.cell.profile_uses import singles, ways
from supervisor.cell.value import value

Fenced = Literal["every order", "some orders", "no order"]
Handed = Argument | Assignment | WriteOrder


@value
class Driving:
    """What one machine can tell. ``permit_s``: how long its permit lasts in seconds; 0 where it takes none."""

    machine: str
    permit_s: float
    fenced: Fenced

    def says(self) -> str:
        """In words for people."""
        permit = (
            f"permit of {self.permit_s:g} s, renewed by the running step"
            if self.permit_s
            else "no permit: what was ordered is carried out, also when the supervisor stands still"
        )
        fence = {
            "every order": "fence in every order, a supervisor that lost the cell can be refused",
            "some orders": "fence in some orders, in the others a supervisor that lost the cell cannot be told",
            "no order": "no fence: a supervisor that lost the cell is kept from sending by its own lease alone",
        }[self.fenced]
        return f"{permit}; {fence}"


def driving_of(cell: Cell, profiles: dict[str, AnyProfile]) -> tuple[Driving, ...]:
    """What handler and stations of a cell can tell; readers move nothing."""
    machines = [(cell.handler.handler, cell.handler.profile)]
    machines += [(station.station, station.profile) for station in cell.stations]
    return tuple(_driving(machine, profiles[profile]) for machine, profile in machines)


def _driving(machine: str, profile: AnyProfile) -> Driving:
    permit = profile.permit if isinstance(profile, StationProfile | HandlerProfile) else None
    names = type(profile.orders).model_fields
    orders = [way for name in names for way in ways(getattr(profile.orders, name))]
    carried = ["fence" in set(_fields(order)) for order in orders]
    fenced: Fenced = "some orders" if any(carried) else "no order"
    if all(carried) and carried:
        fenced = "every order"
    return Driving(machine=machine, permit_s=permit.lasts_s if permit else 0.0, fenced=fenced)


def _fields(order: Supported | TagOrder) -> Iterator[str | None]:
    """The fields of the goal that an order hands over, in all its steps."""
    for single in singles(order):
        handed: list[Handed] = []
        match single:
            case WriteOrder():
                handed = [single, *single.before]
            case PulseOrder() | ToggleOrder() | CountOrder():
                handed = [*single.before]
            case CallOrder() | TagOrder():
                handed = [*single.arguments]
        yield from (each.field for each in handed)
