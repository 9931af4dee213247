"""What one handler takes at least to bring jobs through machines in a given order: a search of all that it can do. Shares no code with the engine.

Rules of this file:
- The rules, from the problem's statement: a machine holds one pallet until it is fetched. The handler carries one pallet at a time. With two jaws
  it may put one down where another stands that is done, and carries that one on. Each pallet has a home at the load/unload place, where it
  may go between two visits. A way takes what the layout says, picking and putting nothing. The end is when the last pallet is back.
- A little more is allowed than routing ever does: with two jaws, too, a pallet may be brought home that nobody displaces.
- Best first (A*: Hart, Nilsson and Raphael, IEEE Transactions on Systems Science and Cybernetics 4, 1968): the first state in which everybody is
  out is the least, because a state's bound is never above what it still needs.
- Of two states that differ in times only, one that is later in nothing replaces the other: the handler could wait. Jobs that are alike are one.
- The budget is counted in states. Where it is spent, the bound of the most promising state is still valid for every schedule.
"""

from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import pairwise
from typing import NamedTuple

STATES_MAX = 1_000_000
LOAD = 0
"""The load/unload place."""

Ways = tuple[tuple[int, ...], ...]
Job = tuple[tuple[int, int], ...]


class Place(NamedTuple):
    """Where a pallet is after so many visits: ``home``, ``nest``, ``hand`` or ``out``."""

    visits: int
    where: str


OUT = Place(99, "out")


class State(NamedTuple):
    """Where everybody is; the handler is free at ``now``. By place: when its pallet is done (0: it is, or there is none)."""

    pallets: tuple[Place, ...]
    at: int
    now: int
    done: tuple[int, ...]


@dataclass(frozen=True)
class Least:
    """The least end found (None: the budget was spent before), what no schedule ends before, and how many states were looked at."""

    end: int | None
    bound: int
    states: int


def least(jobs: tuple[Job, ...], ways: Ways, jaws: int, states_max: int = STATES_MAX) -> Least:
    """The least time after which the last pallet can be back at the load/unload place."""
    shop = _Shop(jobs, ways, jaws)
    first = State(tuple(Place(0, "home") for _ in jobs), LOAD, 0, (0,) * len(ways))
    known: dict[tuple[tuple[Place, ...], int], list[State]] = {}
    waiting: list[tuple[int, int, int, State]] = []
    number = looked_at = 0
    found = [first]
    while True:
        for state in map(shop.ordered, found):
            if _is_new(known.setdefault((state.pallets, state.at), []), state):
                number += 1
                heappush(waiting, (shop.bound(state), -state.now, number, state))
        bound, _, _, state = heappop(waiting)
        found = []
        if state not in known[state.pallets, state.at]:
            continue  # one that is later in nothing has replaced it
        looked_at += 1
        if all(place is OUT for place in state.pallets):
            return Least(state.now, state.now, looked_at)
        if looked_at == states_max:
            return Least(None, bound, looked_at)
        found = shop.after(state)


def _is_new(known: list[State], state: State) -> bool:
    """Whether none of the known states replaces this one; those that it replaces are taken off."""
    if any(_replaces(other, state) for other in known):
        return False
    known[:] = [other for other in known if not _replaces(state, other)]
    known.append(state)
    return True


def _replaces(one: State, other: State) -> bool:
    if one.now > other.now:
        return False
    return all(a <= b or a <= other.now for a, b in zip(one.done, other.done, strict=True))


class _Shop:
    """The jobs, the ways and what is known of them beforehand."""

    def __init__(self, jobs: tuple[Job, ...], ways: Ways, jaws: int) -> None:
        self.jobs, self.ways, self.jaws = jobs, ways, jaws
        self.nearest = [
            min(units for to, units in enumerate(row) if to != at) for at, row in enumerate(ways)
        ]
        self.alike = [
            [at for at, other in enumerate(jobs) if other == job] for job in dict.fromkeys(jobs)
        ]
        self.carried = [
            {
                Place(visits, where): self._carried(job, visits, where)
                for visits in range(len(job) + 1)
                for where in ("home", "nest", "hand")
                if visits or where == "home"
            }
            for job in jobs
        ]

    def _carried(self, job: Job, visits: int, where: str) -> int:
        """How long a pallet is carried until it is out, by the shortest way."""
        here = LOAD if where == "home" else job[visits - 1][0]
        stops = [here, *(machine for machine, _ in job[visits:]), LOAD]
        return sum(self.ways[a][b] for a, b in pairwise(stops))

    def ordered(self, state: State) -> State:
        """The same state with jobs that are alike in a fixed order, and times that are past left out."""
        pallets = list(state.pallets)
        for group in self.alike:
            if len(group) > 1:
                for at, place in zip(group, sorted(pallets[at] for at in group), strict=True):
                    pallets[at] = place
        done = tuple([at if at > state.now else 0 for at in state.done])
        return State(tuple(pallets), state.at, state.now, done)

    # --- what can be done ---------------------------------------------------------------------------------------------------

    def after(self, state: State) -> list[State]:
        """The states that one carry leads to."""
        hand = [at for at, place in enumerate(state.pallets) if place.where == "hand"]
        found: list[State] = []
        for at in hand or range(len(self.jobs)):
            if state.pallets[at] is not OUT:
                found += self._carries(state, at)
        return found

    def _carries(self, state: State, job: int) -> list[State]:
        """One pallet to its next machine, or out; from a nest or the hand home as well."""
        visits, where = place = state.pallets[job]
        done, ways = list(state.done), self.ways
        here, lifted = state.at, state.now
        if where == "home":
            here, lifted = LOAD, state.now + ways[state.at][LOAD]
        elif where == "nest":
            here = self.jobs[job][visits - 1][0]
            lifted = max(state.now + ways[state.at][here], done[here])
            done[here] = 0
        back = lifted + ways[here][LOAD]
        if visits == len(self.jobs[job]):
            return [self._moved(state, job, OUT, LOAD, back, done)]
        found = self._put(state, job, here, lifted, done)
        if where != "home":
            home = place._replace(where="home")
            found.append(self._moved(state, job, home, LOAD, back, done))
        return found

    def _put(self, state: State, job: int, here: int, lifted: int, done: list[int]) -> list[State]:
        """Into the nest of the next machine, or swapped into it if there are two jaws."""
        visits = state.pallets[job].visits
        machine, units = self.jobs[job][visits]
        end, there = lifted + self.ways[here][machine], Place(visits + 1, "nest")
        occupant = self._occupant(state, machine)
        if occupant is not None:
            if self.jaws == 1:
                return []
            end = max(end, done[machine])
        done = [*done[:machine], end + units, *done[machine + 1 :]]
        moved = self._moved(state, job, there, machine, end, done)
        if occupant is None:
            return [moved]
        in_hand = moved.pallets[occupant]._replace(where="hand")
        return [self._moved(moved, occupant, in_hand, machine, end, done)]

    def _occupant(self, state: State, machine: int) -> int | None:
        for at, (visits, where) in enumerate(state.pallets):
            if where == "nest" and self.jobs[at][visits - 1][0] == machine:
                return at
        return None

    @staticmethod
    def _moved(state: State, job: int, to: Place, at: int, now: int, done: list[int]) -> State:
        pallets = (*state.pallets[:job], to, *state.pallets[job + 1 :])
        return State(pallets, at, now, tuple(done))

    # --- what it takes at least ---------------------------------------------------------------------------------------------

    def bound(self, state: State) -> int:
        """No way to go on ends before: what is carried and the empty ways at least, each pallet's own way, each machine's own work."""
        now, handler, most = state.now, state.now, state.now
        visits = [0] * len(self.ways)
        load = [0] * len(self.ways)
        shortest = [1 << 30] * len(self.ways)
        taken: set[int] = set()
        in_cell = 0
        for job, place, carried in zip(self.jobs, state.pallets, self.carried, strict=True):
            if place is OUT:
                continue
            begin, todo = now, carried[place]
            handler += todo
            in_cell += place.where != "home"
            if place.where == "nest":
                machine = job[place.visits - 1][0]
                taken.add(machine)
                begin = max(begin, state.done[machine])
            for machine, units in job[place.visits :]:
                todo += units
                visits[machine] += 1
                load[machine] += units
                shortest[machine] = min(shortest[machine], units)
            most = max(most, begin + todo)
        # Who has brought a pallet out goes on empty, unless one is to be fetched there.
        handler += max(0, in_cell - 1) * self.nearest[LOAD]
        for machine, units in enumerate(load):
            if not units:
                continue
            # Who has put a pallet into an empty nest goes on empty as well, or stays until it is done.
            alone = visits[machine] if self.jaws == 1 else machine not in taken
            handler += alone * min(self.nearest[machine], shortest[machine])
            most = max(most, max(now, state.done[machine]) + units + self.ways[machine][LOAD])
        return max(most, handler)
