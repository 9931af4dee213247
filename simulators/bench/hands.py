"""People's hands on pallets, tags and doors.

Rules of this file:
- Every touch is noted with its time and place: whoever judges later has to know what the supervisor could not.
- People are slower than images: a rack place that was emptied by hand is used again only when the page shows it empty. Without a reading
  of the tag at each move nobody could tell two pallets apart that were exchanged unseen.
- A pallet is always somewhere: on the floor, with the operator who will bring it, in somebody's hands, or gone for good.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from simulators.bench.diary import Diary
from simulators.bench.world import World
from simulators.models.door import Target
from simulators.models.physics import Pallet, right_tag

LOOK_AGAIN_MS = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What a pallet's tag says: pallet id, part type and serial number; all "" where it says nothing that can be understood."""

    pallet: str
    part_type: str
    serial: str


NOBODY = Identity(pallet="", part_type="", serial="")


class Hands:
    """The people of one world.

    ``touched_ms`` says when each place was last touched, ``carried`` which pallets are in hands, ``gone`` which never come back.
    """

    def __init__(self, world: World) -> None:
        self.world = world
        self.diary = Diary()
        self.touched_ms: dict[str, int] = {}
        self.carried: set[str] = set()
        self.gone: set[str] = set()
        self._says: dict[str, Identity] = {}
        self._said: dict[str, set[Identity]] = {}
        world.models.operator.shown_as_kept_free = self._shown_as_kept_free

    def _shown_as_kept_free(self, place: str) -> bool:
        return bool(self.world.state.places[place].reserved)

    # --- tags -------------------------------------------------------------------------------------------------------------------

    def identity(self, pallet: str) -> Identity:
        """What the tag of a pallet says now."""
        return self._says.get(pallet) or _own(self.world.physics.pallet[pallet])

    def ever(self, pallet: str) -> set[Identity]:
        """Everything that the tag of a pallet has said so far."""
        return self._said.get(pallet, set()) | {self.identity(pallet)}

    def write_tag(self, pallet: str, says: Identity, payload: bytes) -> None:
        """A pallet gets another tag."""
        self._said.setdefault(pallet, set()).add(self.identity(pallet))
        self._says[pallet] = says
        entry = self.world.physics.pallet[pallet]
        self.world.physics.pallet[pallet] = replace(entry, tag=payload.hex())

    def copy_tag(self, pallet: str, other: str) -> None:
        """A pallet gets a tag that says what another one's says."""
        twin = self.world.physics.pallet[other]
        gtin = self.world.physics.part_type[twin.part_type].gtin
        self.write_tag(pallet, _own(twin), right_tag(twin, gtin))

    def strange_tag(self, pallet: str, gtin: str) -> None:
        """A pallet gets a tag of a part type that nobody declared."""
        entry = self.world.physics.pallet[pallet]
        self.write_tag(pallet, NOBODY, right_tag(entry, gtin))

    def right_tag(self, pallet: str) -> None:
        """A person writes the tag anew, right."""
        if self.world.physics.pallet[pallet].tag:
            self.write_tag(pallet, _own(self.world.physics.pallet[pallet]), b"")

    def is_right(self, pallet: str) -> bool:
        """Whether a tag says what is true."""
        return self.identity(pallet) == _own(self.world.physics.pallet[pallet])

    # --- pallets ----------------------------------------------------------------------------------------------------------------

    def touch(self, *places: str) -> None:
        """Note that a person did something at places."""
        self.touched_ms |= dict.fromkeys(places, self.world.now_ms)

    def take(self, place: str) -> str:
        """A person takes what stands at a place; "" if nothing does."""
        pallet = self.world.floor.lift(place)
        if pallet:
            self.touch(place)
            self.carried.add(pallet)
            self.world.models.operator.leave_to_others(pallet)
            if place in self.world.state.places:
                self.world.models.operator.keep_off(place)
                self._use_when_seen_empty(place)
        return pallet

    def put(self, place: str, pallet: str) -> None:
        """A person puts a pallet down at a free place. What somebody else was to bring is brought."""
        assert self.world.floor.set_down(place, pallet), place
        self.world.models.operator.leave_to_others(pallet)
        self.touch(place)

    def bring_back(self, pallet: str, at_ms: int) -> None:
        """A taken pallet comes into the rack again, not before a moment."""
        self.carried.remove(pallet)
        self.world.models.operator.bring(pallet, at_ms)

    def take_for_good(self, pallet: str) -> None:
        """A taken pallet never comes back."""
        self.carried.remove(pallet)
        self.gone.add(pallet)

    def _use_when_seen_empty(self, place: str) -> None:
        shown = self.world.state.places[place]
        seen = not self.world.is_dead() and shown.presence == "empty" and not shown.pallet
        if seen:
            self.world.models.operator.use_again(place)
        else:
            again_ms = self.world.now_ms + LOOK_AGAIN_MS
            self.diary.write(again_ms, lambda: self._use_when_seen_empty(place))

    # --- stations: what they read, doors, arm ----------------------------------------------------------------------------------------------------------

    def bend(self, station: str, factor: Callable[[], float]) -> None:
        """From now on a machine reads everything wrong, by so many times the expanded uncertainty that it claims."""
        for program in self.world.physics.programs:
            if program.station == station:
                for cover in program.covers:
                    self.world.models.stations[station].drift_to(
                        cover.number, factor() * cover.expanded_u
                    )

    def put_right(self, station: str) -> None:
        """A person puts a machine right that reads wrong."""
        self.bend(station, lambda: 0.0)

    def move_door(self, station: str, target: Target) -> bool:
        """A person moves a door at the panel; nobody closes it on the arm, nor opens it while the machine measures."""
        model = self.world.models.stations[station]
        if self.world.floor.arm().inside == station or model.image().work == "acquiring":
            return False
        model.door.drive(target)
        self.touch(station)
        return True

    def lead_arm_out(self) -> None:
        """A person moves the arm clear of every station."""
        inside = self.world.floor.arm().inside
        if inside:
            self.world.floor.leave()
            self.touch(inside, self.world.physics.handler.handler)


def _own(pallet: Pallet) -> Identity:
    return Identity(pallet=pallet.pallet, part_type=pallet.part_type, serial=pallet.serial)
