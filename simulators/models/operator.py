"""The person at the cell: brings pallets to the rack, or to the infeed, in no particular order, takes finished ones away.

Rules of this file:
- Which pallet comes next and which free rack place it gets is drawn from the seed; when one comes stands in the physics file.
- The person keeps the one rule of the cell: a rack place belongs to the pallet brought there until that pallet stands at the outfeed.
- A pallet for which no place is free waits; it comes as soon as there is one.
- Where there is an infeed all come by it. The next one is there some seconds after the one before was fetched, as on a conveyor.
"""

from collections.abc import Callable, Iterable, Sequence
from typing import Literal

from simulators.models.agenda import Agenda
from simulators.models.chance import chance
from simulators.models.floor import Fact, Floor
from simulators.models.physics import Physics

WHO = "operator"
Infeed = Literal["free", "taken", "moving up"]
MOVING_UP_MS = 3_000


class OperatorModel:
    """The person of one cell. ``waiting`` counts the pallets that are still to come."""

    def __init__(
        self, physics: Physics, *, floor: Floor, seed: int, memory: Iterable[Fact] = ()
    ) -> None:
        """``memory`` is what the person witnessed before, in order, if the machine around them starts anew."""
        self._draw = chance("operator", seed)
        self._floor = floor
        self._agenda = Agenda()
        self._racks = [entry.place for entry in physics.places if entry.kind == "rack"]
        self._infeeds: dict[str, Infeed] = {
            entry.place: "free" for entry in physics.places if entry.kind == "infeed"
        }
        self._outfeeds = [entry.place for entry in physics.places if entry.kind == "outfeed"]
        self._take_after_ms = physics.operator.take_after_ms
        self._coming = self._shuffled(physics)
        self._homes: dict[str, str] = {}
        self._remember(memory)
        self._taking: dict[str, str] = {}
        self._kept_off: set[str] = set()
        self.shown_as_kept_free: Callable[[str], bool] = lambda _place: False
        """Whether the page shows that a rack place is kept free for a pallet on its way."""
        self._plan_arrival()

    def _shuffled(self, physics: Physics) -> list[tuple[int, str]]:
        standing = {self._floor.pallet_at(place) for place in (*physics.at_mm, *physics.jaws)}
        pallets = sorted(entry.pallet for entry in physics.pallets)
        self._draw.shuffle(pallets)
        arrivals = zip(sorted(physics.operator.arrivals_ms), pallets, strict=True)
        return [(at_ms, pallet) for at_ms, pallet in arrivals if pallet not in standing]

    def _remember(self, memory: Iterable[Fact]) -> None:
        """Who was brought does not come again, and has a home until it stood at the outfeed."""
        for fact in memory:
            pallet = str(fact["pallet"])
            self._coming = [entry for entry in self._coming if entry[1] != pallet]
            self._homes = {home: owner for home, owner in self._homes.items() if owner != pallet}
            if fact["fact"] == "brought" and fact["target"] in self._racks:
                self._homes[str(fact["target"])] = pallet

    @property
    def waiting(self) -> int:
        """How many pallets are still to be brought."""
        return len(self._coming)

    def expected(self) -> tuple[str, ...]:
        """The pallets that are still to be brought, the next one first."""
        return tuple(pallet for _, pallet in self._coming)

    def homes(self) -> dict[str, str]:
        """The rack places that belong to a pallet, with that pallet."""
        return dict(self._homes)

    def come_in_order(self, pallets: Sequence[str]) -> None:
        """The pallets still to be brought come in this order instead of a drawn one, at the same times."""
        assert sorted(pallets) == sorted(self.expected())
        times = (at_ms for at_ms, _ in self._coming)
        self._coming = list(zip(times, pallets, strict=True))

    def keep_off(self, place: str) -> None:
        """A rack place is not to be used."""
        self._kept_off.add(place)

    def use_again(self, place: str) -> None:
        """A rack place may be used again; who waits for one looks at once."""
        self._kept_off.discard(place)
        self._plan_arrival()

    def leave_to_others(self, pallet: str) -> None:
        """Somebody else sees to a pallet: it is not brought from here, and it has no place in the rack."""
        self._coming = [entry for entry in self._coming if entry[1] != pallet]
        self._homes = {home: owner for home, owner in self._homes.items() if owner != pallet}
        self._plan_arrival()

    def exchange(self, one: str, other: str) -> None:
        """Two rack places belong to each other's pallets from now on: somebody exchanged them."""
        swapped = {one: other, other: one}
        self._homes = {swapped.get(home, home): owner for home, owner in self._homes.items()}

    def bring(self, pallet: str, at_ms: int) -> None:
        """A pallet is to be brought, back or for the first time, from a moment on."""
        self.leave_to_others(pallet)
        self._coming = sorted([*self._coming, (at_ms, pallet)])
        self._plan_arrival()

    def due_ms(self) -> int | None:
        """The next moment the person does something that does not depend on others; None if nothing will."""
        return self._agenda.due_ms()

    def advance(self, now_ms: int) -> None:
        """Bring the person up to ``now_ms``; call it also whenever a pallet has moved."""
        self._agenda.advance(now_ms)
        self._look_at_the_infeed()
        self._look_at_the_outfeed()
        self._bring()

    def _look_at_the_infeed(self) -> None:
        for place, was in self._infeeds.items():
            if self._floor.pallet_at(place):
                self._infeeds[place] = "taken"
            elif was == "taken":
                self._infeeds[place] = "moving up"
                self._agenda.plan(
                    f"move up {place}", MOVING_UP_MS, lambda place=place: self._moved_up(place)
                )

    def _moved_up(self, place: str) -> None:
        self._infeeds[place] = "free"

    def _look_at_the_outfeed(self) -> None:
        for place in self._outfeeds:
            pallet = self._floor.pallet_at(place)
            if pallet and self._taking.get(place) != pallet:
                self._taking[place] = pallet
                self._homes = {
                    home: owner for home, owner in self._homes.items() if owner != pallet
                }
                self._agenda.plan(
                    f"take {place}", self._take_after_ms, lambda place=place: self._take(place)
                )

    def _take(self, place: str) -> None:
        pallet = self._floor.lift(place)
        self._taking.pop(place)
        self._witness({"fact": "taken", "pallet": pallet, "source": place})

    def _bring(self) -> None:
        while self._coming and self._coming[0][0] <= self._agenda.now_ms:
            entries = self._infeeds or self._racks
            free = [place for place in entries if self._is_free(place)]
            if not free:
                return
            _, pallet = self._coming.pop(0)
            place = self._draw.choice(free)
            self._floor.set_down(place, pallet)
            if place in self._racks:
                self._homes[place] = pallet
            self._witness({"fact": "brought", "pallet": pallet, "target": place})
        self._plan_arrival()

    def _is_free(self, place: str) -> bool:
        taken = place in self._homes or place in self._kept_off or self.shown_as_kept_free(place)
        moves_up = self._infeeds.get(place) == "moving up"
        return not taken and not moves_up and not self._floor.pallet_at(place)

    def _plan_arrival(self) -> None:
        if self._coming:
            in_ms = max(0, self._coming[0][0] - self._agenda.now_ms)
            self._agenda.plan("bring", in_ms, lambda: None)

    def _witness(self, fact: dict[str, object]) -> None:
        self._floor.witness(at_ms=self._agenda.now_ms, who=WHO, fact=fact)
