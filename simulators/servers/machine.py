"""What every machine of this room has in common: how it is brought to life and what can befall it.

Rules of this file:
- A machine is one model behind one panel. It answers commands at once and calls ``woken`` when its image may have changed.
- What benches and tests throw at it are switches: writable variables in the folder ``Bench``, or the same by name from outside.
"""

from abc import ABC, abstractmethod
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from asyncua import Server, ua

from simulators.models.floor import Floor
from simulators.models.part import Parts
from simulators.models.physics import Physics
from simulators.servers.clock import CellClock
from simulators.servers.panel import Panel, Type


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """What a machine lives in."""

    physics: Physics
    floor: Floor
    parts: Parts
    clock: CellClock
    woken: Callable[[], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """Something that can be thrown. ``throw`` gets the written value, ``show`` gives what the switch reads afterwards."""

    type: ua.VariantType
    throw: Callable[[Any], None]
    show: Callable[[], Any]


class Machine(ABC):
    """One model behind one panel."""

    uri: str
    """Namespace URI of the information model."""
    root: tuple[str, ...]
    """Browse names from Objects to the panel's root, with a prefix where one is of another namespace."""
    namespaces: ClassVar[Mapping[str, str]] = {}
    """The URIs of the other namespaces that its browse names are of, by prefix."""
    ids: Literal["names", "numbers"]
    """What the node ids are like."""

    tell: Callable[[], Awaitable[None]] | None = None
    """Sends what the machine says by events, after its image was published; None for a machine that only shows levels."""

    def __init__(self, world: World) -> None:
        self._world = world

    @abstractmethod
    async def build(self, server: Server, panel: Panel) -> None:
        """Add the machine's nodes."""

    @abstractmethod
    def due_ms(self) -> int | None:
        """The next moment something happens by itself."""

    @abstractmethod
    def advance(self, now_ms: int) -> None:
        """Bring the model up to date."""

    @abstractmethod
    def values(self) -> Mapping[str, Any]:
        """What the panel shows, in the order in which it is to be written."""

    @abstractmethod
    def switches(self) -> Mapping[str, Switch]:
        """What can be thrown, by name."""

    def next_beat_s(self) -> float:
        """Real seconds until a heartbeat changes; infinite if there is none."""
        return float("inf")

    def catch_up(self) -> None:
        """Bring the model to the present before a command, and have the image looked at after it."""
        self.advance(self._world.clock.now_ms())
        self._world.woken()


def pulse(throw: Callable[[], None]) -> Switch:
    """A switch that does something when it is set, and reads false again."""

    def thrown(value: object) -> None:
        if value:
            throw()

    return Switch(type=Type.Boolean, throw=thrown, show=lambda: False)
