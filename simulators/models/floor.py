"""The physical facts that machines share: which pallet stands where, how far a door is open, where the arm is, what moves.

Rules of this file:
- A jaw is a place like any other. A nest is named like its station. A place holds one pallet or none ("").
- A door's position is 0 closed .. 1 open; the area of a station without a door is "open" when its axes are parked and held.
- Every act checks and changes in one step (``exclusive``), so of an arm that enters and a door that starts to close at the same
  moment exactly one succeeds, whichever storage lies below and however many processes there are.
- The floor judges nothing: machines record violations with it, and checkers read them.
"""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from typing import Literal

Fact = Mapping[str, object]
"""What a machine witnessed, as JSON-ready fields."""

Way = Literal["clear", "arm inside"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StationFacts:
    """What others can see of a station. ``running``: its axes or its beam may not meet the arm."""

    opening: float = 0.0
    running: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmFacts:
    """What others can see of the handler, and what it keeps over a restart: position, the last order it accepted, the highest fence.

    ``at_mm`` None: it has not moved yet.
    """

    inside: str = ""
    at_mm: int | None = None
    last_order: int = 0
    fence: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """Something that must never happen, recorded by the machine that saw it."""

    at_ms: int
    who: str
    text: str


class Floor(ABC):
    """The acts on the floor, for any storage. All names must be known to the storage; an unknown one raises KeyError."""

    @abstractmethod
    def exclusive(self) -> AbstractContextManager[object]:
        """Nobody else reads or writes while this is held."""

    @abstractmethod
    def read_place(self, place: str) -> str:
        """The pallet at a place, "" if none."""

    @abstractmethod
    def write_place(self, place: str, pallet: str) -> None:
        """Store what stands at a place."""

    @abstractmethod
    def read_station(self, station: str) -> StationFacts:
        """What is stored of a station."""

    @abstractmethod
    def write_station(self, station: str, facts: StationFacts) -> None:
        """Store a station's facts; only that station does."""

    @abstractmethod
    def read_arm(self) -> ArmFacts:
        """What is stored of the handler."""

    @abstractmethod
    def write_arm(self, facts: ArmFacts) -> None:
        """Store the handler's facts; only the handler does."""

    @abstractmethod
    def violation(self, *, at_ms: int, who: str, text: str) -> None:
        """Record that something happened that must never happen."""

    @abstractmethod
    def witness(self, *, at_ms: int, who: str, fact: Fact) -> None:
        """Record the truth for checkers: what was measured on which part, which pallet moved."""

    @abstractmethod
    def recall(self, who: str) -> list[Fact]:
        """What one witness has recorded so far, in order."""

    # --- pallets ---

    def pallet_at(self, place: str) -> str:
        """The pallet that stands at a place, "" if none."""
        with self.exclusive():
            return self.read_place(place)

    def set_down(self, place: str, pallet: str) -> bool:
        """A pallet comes into the cell; False if the place is taken."""
        with self.exclusive():
            if self.read_place(place):
                return False
            self.write_place(place, pallet)
            return True

    def lift(self, place: str) -> str:
        """A pallet leaves the cell; returns it, "" if there was none."""
        with self.exclusive():
            pallet = self.read_place(place)
            self.write_place(place, "")
            return pallet

    def move(self, source: str, target: str) -> str:
        """One pallet from one place to another. Returns "" or why it cannot; then nothing has changed."""
        with self.exclusive():
            pallet = self.read_place(source)
            if not pallet:
                return f"{source} is empty"
            if self.read_place(target):
                return f"{target} is occupied"
            self.write_place(source, "")
            self.write_place(target, pallet)
            return ""

    # --- doors and work ---

    def station(self, station: str) -> StationFacts:
        """What can be seen of a station."""
        with self.exclusive():
            return self.read_station(station)

    def swing(self, station: str, opening: float) -> Way:
        """A door stands at ``opening`` now. With the arm inside it stays where it was."""
        with self.exclusive():
            if self.read_arm().inside == station:
                return "arm inside"
            self.write_station(station, replace(self.read_station(station), opening=opening))
            return "clear"

    def engage(self, station: str) -> Way:
        """A run starts to move axes. With the arm inside it does not."""
        with self.exclusive():
            if self.read_arm().inside == station:
                return "arm inside"
            self.write_station(station, replace(self.read_station(station), running=True))
            return "clear"

    def rest(self, station: str) -> None:
        """The axes of a station rest."""
        with self.exclusive():
            self.write_station(station, replace(self.read_station(station), running=False))

    # --- arm ---

    def arm(self) -> ArmFacts:
        """Where the arm is."""
        with self.exclusive():
            return self.read_arm()

    def enter(self, station: str) -> str:
        """The arm goes into a station. Returns "" or what it would hit; then it stays outside."""
        with self.exclusive():
            facts = self.read_station(station)
            if facts.opening < 1.0:
                return f"the door of {station} is not fully open"
            if facts.running:
                return f"{station} is running"
            self.write_arm(replace(self.read_arm(), inside=station))
            return ""

    def leave(self) -> None:
        """The arm is clear of every station."""
        with self.exclusive():
            self.write_arm(replace(self.read_arm(), inside=""))

    def park(self, at_mm: int) -> None:
        """The arm stands at a position along the rail."""
        with self.exclusive():
            self.write_arm(replace(self.read_arm(), at_mm=at_mm))

    def retain_order(self, order: int) -> None:
        """The handler remembers the last order that it accepted, over a restart too."""
        with self.exclusive():
            self.write_arm(replace(self.read_arm(), last_order=order))

    def retain_fence(self, fence: int) -> None:
        """The handler remembers the highest fencing number that it has seen, over a restart too."""
        with self.exclusive():
            self.write_arm(replace(self.read_arm(), fence=fence))


_ALONE: AbstractContextManager[object] = nullcontext()


class FloorInMemory(Floor):
    """The floor of one process: the virtual-time bench and the tests."""

    def __init__(self, *, places: tuple[str, ...], stations: tuple[str, ...]) -> None:
        self._places = dict.fromkeys((*places, *stations), "")
        self._stations = dict.fromkeys(stations, StationFacts())
        self._arm = ArmFacts()
        self.changes = 0
        """Grows with every pallet that is put, lifted or moved."""
        self.violations: list[Violation] = []
        self.witnessed: list[Fact] = []

    def exclusive(self) -> AbstractContextManager[object]:
        """One process, one thread: nobody else is there."""
        return _ALONE

    def pallet_at(self, place: str) -> str:
        """See ``Floor``. Asked more often than anything else, so it takes the short way."""
        return self._places[place]

    def arm(self) -> ArmFacts:
        """See ``Floor``."""
        return self._arm

    def read_place(self, place: str) -> str:
        """See ``Floor``."""
        return self._places[place]

    def write_place(self, place: str, pallet: str) -> None:
        """See ``Floor``."""
        assert place in self._places, place
        self._places[place] = pallet
        self.changes += 1

    def read_station(self, station: str) -> StationFacts:
        """See ``Floor``."""
        return self._stations[station]

    def write_station(self, station: str, facts: StationFacts) -> None:
        """See ``Floor``."""
        self._stations[station] = facts

    def read_arm(self) -> ArmFacts:
        """See ``Floor``."""
        return self._arm

    def write_arm(self, facts: ArmFacts) -> None:
        """See ``Floor``."""
        self._arm = facts

    def violation(self, *, at_ms: int, who: str, text: str) -> None:
        """See ``Floor``."""
        self.violations.append(Violation(at_ms=at_ms, who=who, text=text))

    def witness(self, *, at_ms: int, who: str, fact: Fact) -> None:
        """See ``Floor``."""
        self.witnessed.append({"at_ms": at_ms, "who": who, **fact})

    def recall(self, who: str) -> list[Fact]:
        """See ``Floor``."""
        return [fact for fact in self.witnessed if fact["who"] == who]
