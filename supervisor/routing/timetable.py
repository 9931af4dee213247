"""What comes of an order of visits: when each begins, when the last pallet is out, and the chain of visits that decides about that.

Rules of this file:
- An order is a list of visits; the exit of a pallet is its visit to ``OUT``. Who stands first is served first, as long as nobody has to stand still
  for it. A visit may also have a patience: so long its nest and its pallet are kept free for it.
- Everything takes as long as in ``nominal.py``, and the swap rule holds: a pallet that was displaced goes on at once or goes home.
- Two jaws, and a home for every pallet; where that is not so, an order comes to nothing.
"""

from typing import Literal, NamedTuple

from supervisor.cell.value import value
from supervisor.routing.nominal import AWAY_MS, NOBODY, OUT, Node, Nominal

IN_HAND = -2


class Visit(NamedTuple):
    """A pallet, and the station that it goes to (``OUT``: it leaves the cell)."""

    job: int
    station: int


@value
class Timetable:
    """An order as it was carried out: when the last pallet is out, the visits as they began, and those that the end hangs on."""

    end_ms: int
    order: list[Visit]
    critical: list[Visit]


class _Carry(NamedTuple):
    """A visit that could be next: when its run can begin, when the pallet is put down, and from which nest it comes."""

    begin_ms: int
    end_ms: int
    visit: Visit
    origin: int


class Orders:
    """Plays orders from one node."""

    __slots__ = ("_load_ms", "_model", "_work_ms", "carries", "patience_ms", "root", "visits")

    def __init__(self, model: Nominal, root: Node) -> None:
        """Prepare."""
        self._model, self.root = model, root
        self.carries = 0
        """Work done so far, which budgets are counted in."""
        open_to = ~model.frame.shut
        stations = range(len(root.occupant))
        rests = [rest & open_to if rest > 0 else 0 for rest in root.rest]
        self.visits = [
            Visit(job, at) for job, rest in enumerate(rests) for at in stations if rest >> at & 1
        ]
        self._work_ms = [0] * len(rests)
        self._load_ms = [0] * len(stations)
        for job, at in self.visits:
            self._work_ms[job] += model.jobs[job].free_ms[at]
            self._load_ms[at] += model.jobs[job].busy_ms[at]
        self.visits.sort(key=lambda visit: (-self._work_ms[visit.job], visit))
        self.visits += [
            Visit(job, OUT)
            for job, known_ms in enumerate(root.known_ms)
            if root.rest[job] >= 0 and known_ms < AWAY_MS
        ]
        longest_ms = max((ms for job in model.jobs for ms in job.free_ms), default=0)
        self.patience_ms = (0, longest_ms // 20, longest_ms // 10, longest_ms // 5, longest_ms // 2)
        """Patiences worth trying."""

    def play(
        self, order: list[Visit], patience_ms: dict[Visit, int], limit_ms: int = AWAY_MS
    ) -> Timetable | None:
        """Carry an order out; None if it comes to nothing or ends later than ``limit_ms``, as far as that is seen on the way."""
        course = _Course(self._model, self.root, (self._work_ms, self._load_ms))
        todo = list(order)
        while todo:
            self.carries += 1
            if course.hand != NOBODY:
                carry = course.onward(todo, patience_ms)
                if carry is None:
                    if course.home_ms() >= AWAY_MS:
                        return None
                    course.go_home()
                    continue
            else:
                carry = course.next(todo, patience_ms)
                if carry is None:
                    return None
            todo.remove(carry.visit)
            if course.carry(carry) > limit_ms:
                return None
        return Timetable(end_ms=course.now_ms, order=course.order, critical=course.critical(order))


class _Course:
    """The cell while an order is carried out."""

    __slots__ = (
        "_at_mm", "_cause", "_ended_ms", "_frame", "_free_ms", "_handed", "_here_mm", "_known_ms", "_last_at", "_last_of",
        "_leaves_ms", "_load_ms", "_model", "_nest", "_occupant", "_rest", "_work_ms", "hand", "now_ms", "order",
    )  # fmt: skip

    def __init__(self, model: Nominal, node: Node, work: tuple[list[int], list[int]]) -> None:
        self._model, self._frame, self._at_mm = model, model.frame, model.frame.at_mm
        self.now_ms, self._here_mm, self.hand = node.now_ms, node.at_mm, node.hand
        self._occupant, self._leaves_ms = list(node.occupant), list(node.leaves_ms)
        self._free_ms, self._known_ms = list(node.free_ms), list(node.known_ms)
        self._work_ms, self._load_ms = list(work[0]), list(work[1])
        self._nest = [NOBODY] * len(node.rest)
        for station, job in enumerate(node.occupant):
            if job >= 0:
                self._nest[job] = station
        self._rest = [max(0, rest) for rest in node.rest]
        self._ended_ms = [0] * len(node.rest)
        self._last_of: list[Visit | None] = [None] * len(node.rest)
        self._last_at: list[Visit | None] = [None] * len(node.occupant)
        self._handed: Visit | None = None
        self._cause: dict[Visit, Visit | None] = {}
        self.order: list[Visit] = []

    # --- who is next --------------------------------------------------------------------------------------------------------

    def next(self, todo: list[Visit], patience_ms: dict[Visit, int]) -> _Carry | None:
        """The first that can begin at once; else the one that can begin first, of those that nobody before them keeps waiting."""
        best: _Carry | None = None
        kept_jobs = kept_stations = 0
        now_ms = self.now_ms
        for visit in todo:
            job, station = visit
            if kept_jobs >> job & 1 or (station >= 0 and kept_stations >> station & 1):
                continue
            carry = self._fetched_out(job) if station == OUT else self._fetched(visit)
            if carry is None:
                continue
            if best is None or carry.begin_ms < best.begin_ms:
                best = carry
            wait_ms = carry.begin_ms - now_ms
            if wait_ms <= 0:
                return carry
            if wait_ms <= patience_ms[visit]:
                kept_jobs |= 1 << job
                if station >= 0:
                    kept_stations |= 1 << station
        return best

    def _fetched(self, visit: Visit) -> _Carry | None:
        """A pallet fetched from where it stands and put into a nest."""
        job, station = visit
        model, origin = self._model, self._nest[visit.job]
        if self._comes_too_soon(visit):
            return None
        from_mm = self._at_mm[origin] if origin >= 0 else model.jobs[job].stand_mm
        lifted_ms = self.now_ms + model.travel_ms(self._here_mm, from_mm)
        lifted_ms = max(lifted_ms, self._movable_ms(job))
        to_mm = self._at_mm[station]
        arrive_ms = lifted_ms + self._frame.pick_ms + model.travel_ms(from_mm, to_mm)
        return self._put(visit, origin, arrive_ms)

    def _comes_too_soon(self, visit: Visit) -> bool:
        """Whether the pallet has to visit another station before."""
        before = self._model.jobs[visit.job].before
        return bool(before) and bool(before[visit.station] & self._rest[visit.job])

    def _put(self, visit: Visit, origin: int, arrive_ms: int) -> _Carry | None:
        """A pallet put into a nest, or swapped into it as soon as its occupant may leave."""
        station = visit.station
        occupant = self._occupant[station]
        if occupant == NOBODY:
            end_ms = arrive_ms + self._frame.put_ms
        else:
            leaves_ms = self._leaves_ms[station]
            if occupant < 0 or leaves_ms >= AWAY_MS or self._frame.jaws == 1:
                return None
            end_ms = max(arrive_ms, leaves_ms) + self._frame.swap_ms
        free_ms = self._free_ms[station]
        return _Carry(max(end_ms, free_ms), end_ms, visit, origin)

    def _fetched_out(self, job: int) -> _Carry | None:
        """A pallet fetched from where it stands and brought out; it begins when the handler is there."""
        if self._rest[job]:
            return None
        model, origin = self._model, self._nest[job]
        at_mm = self._at_mm[origin] if origin >= 0 else model.jobs[job].stand_mm
        # Nobody sets out for a pallet whose verdict is not known.
        begin_ms = max(self.now_ms, self._known_ms[job]) + model.travel_ms(self._here_mm, at_mm)
        begin_ms = max(begin_ms, self._movable_ms(job))
        to_ms = model.travel_ms(at_mm, model.jobs[job].out_mm)
        end_ms = begin_ms + self._frame.pick_ms + to_ms + self._frame.put_ms
        # Between equals a run goes before an exit, which only the last pallets are in a hurry for.
        return _Carry(
            begin_ms + 1 if begin_ms > self.now_ms else begin_ms, end_ms, Visit(job, OUT), origin
        )

    def onward(self, todo: list[Visit], patience_ms: dict[Visit, int]) -> _Carry | None:
        """Where the pallet in hand goes on to, unless someone before it keeps that nest; None: home."""
        if not self._rest[self.hand]:
            return self._out_of_hand()
        kept_stations = 0
        for visit in todo:
            station = visit.station
            if station == OUT or kept_stations >> station & 1:
                continue
            if self._comes_too_soon(visit):
                continue
            if visit.job == self.hand:
                carry, patience = self._out_of_hand_into(visit, patience_ms[visit])
                if patience == "over":
                    return carry
            elif patience_ms[visit] and self._soonest_ms(visit) <= patience_ms[visit]:
                kept_stations |= 1 << station
        return None

    def _out_of_hand(self) -> _Carry | None:
        """The pallet in hand brought out, if its verdict is known."""
        job, model = self.hand, self._model
        if self._known_ms[job] > self.now_ms:
            return None
        to_ms = model.travel_ms(self._here_mm, model.jobs[job].out_mm)
        end_ms = self.now_ms + to_ms + self._frame.put_ms
        return _Carry(end_ms, end_ms, Visit(job, OUT), IN_HAND)

    def _out_of_hand_into(
        self, visit: Visit, patience_ms: int
    ) -> tuple[_Carry | None, Literal["over", "left"]]:
        """Going on to a station, if that needs no longer than the detour by home; None where home is better until then."""
        frame, model = self._frame, self._model
        arrive_ms = self.now_ms + model.travel_ms(self._here_mm, self._at_mm[visit.station])
        carry = self._put(visit, IN_HAND, arrive_ms)
        if carry is None:
            return None, "left"
        detour_ms = 2 * (self.home_ms() - self.now_ms) + frame.pick_ms + frame.put_ms
        if carry.begin_ms - arrive_ms <= detour_ms:
            return carry, "over"
        return None, "over" if carry.begin_ms - self.now_ms <= patience_ms else "left"

    def _soonest_ms(self, visit: Visit) -> int:
        """In how many ms a visit could begin, carrying left out."""
        return max(self._free_ms[visit.station], self._movable_ms(visit.job)) - self.now_ms

    def _movable_ms(self, job: int) -> int:
        """From when on a pallet may be taken from where it stands: its nest, or a place where it soaks."""
        origin = self._nest[job]
        return self._leaves_ms[origin] if origin >= 0 else self._model.jobs[job].ready_ms

    def home_ms(self) -> int:
        """When the pallet in hand could be at home; ``AWAY_MS`` if it has none."""
        home_mm = self._model.jobs[self.hand].home_mm
        if home_mm is None:
            return AWAY_MS
        return self.now_ms + self._model.travel_ms(self._here_mm, home_mm) + self._frame.put_ms

    # --- carrying -----------------------------------------------------------------------------------------------------------

    def go_home(self) -> None:
        """Put the pallet in hand down at its home place."""
        home_mm = self._model.jobs[self.hand].home_mm
        self.now_ms = self.home_ms()
        self._here_mm = home_mm if home_mm is not None else self._here_mm
        self.hand = NOBODY

    def carry(self, carry: _Carry) -> int:
        """Do it. The least time at which all can be out after it, as far as its pallet and its station tell."""
        job, station = carry.visit
        self.order.append(carry.visit)
        if carry.origin >= 0:
            self._occupant[carry.origin] = NOBODY
            self._nest[job] = NOBODY
        self.hand = NOBODY
        self.now_ms = carry.end_ms
        if station == OUT:
            self._here_mm = self._model.jobs[job].out_mm
            self._cause[carry.visit] = self._last_of[job]
            self._handed = carry.visit
            return carry.end_ms
        return self._run(carry)

    def _run(self, carry: _Carry) -> int:
        """The run begins in the nest; whoever was there is in hand."""
        job, station = visit = carry.visit
        displaced = self._occupant[station]
        if displaced >= 0:
            self._nest[displaced] = NOBODY
            self.hand = displaced
        self._cause[visit] = self._held_up_by(carry)
        about = self._model.jobs[job]
        leaves_ms = carry.begin_ms + about.free_ms[station]
        free_ms = carry.begin_ms + about.busy_ms[station]
        self._occupant[station], self._nest[job] = job, station
        self._leaves_ms[station] = self._ended_ms[job] = leaves_ms
        self._free_ms[station] = free_ms
        self._known_ms[job] = max(self._known_ms[job], free_ms)
        self._rest[job] &= ~(1 << station)
        self._work_ms[job] -= about.free_ms[station]
        self._load_ms[station] -= about.busy_ms[station]
        self._last_of[job] = self._last_at[station] = self._handed = visit
        self._here_mm = self._at_mm[station]
        return max(leaves_ms + self._work_ms[job], free_ms + self._load_ms[station])

    def _held_up_by(self, carry: _Carry) -> Visit | None:
        """Which visit before it a visit had to wait for: that of its station or of its pallet, whichever ended last, else the handler's."""
        job, station = carry.visit
        last_at, last_of = self._last_at[station], self._last_of[job]
        if last_at is not None and self._free_ms[station] >= self._ended_ms[job]:
            return last_at
        return last_of if last_of is not None else self._handed

    def critical(self, order: list[Visit]) -> list[Visit]:
        """The visits that the end hangs on, the last first."""
        chain: list[Visit] = []
        visit: Visit | None = self.order[-1] if order else None
        while visit is not None:
            chain.append(visit)
            visit = self._cause[visit]
        return chain
