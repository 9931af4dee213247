"""The cell as it would go on if everything took as long as declared: what look-ahead plays through.

Rules of this file:
- A node is a moment at which the handler is free to choose; a step is one pallet carried to one target. Integers only, nothing drawn.
- Every pallet follows the cover that the plan gave it; the order of its visits is open.
- The swap rule and the way home hold here as they do in the cell: never more than one pallet in hand after a step.
- ``bound_ms`` is admissible: no way to go on from a node brings the last pallet out earlier.
"""

from typing import Literal, NamedTuple

from supervisor.cell.value import value

Where = Literal["home", "nest"]
"""Whether a pallet still has to be picked up outside the stations, or stands in a nest or jaw."""

OUT, HOME = -1, -2
"""Targets of a step that are no station."""
NOBODY, GONE = -1, -1
AWAY_MS = 1 << 60


@value
class Job:
    """A pallet as look-ahead sees it.

    ``free_ms`` and ``busy_ms`` hold, for each station, how long the pallet stays there and how long the station is taken (0: no visit).
    ``stand_mm`` is where it is fetched outside the stations, not before ``ready_ms``, ``home_mm`` where it may go back to (None: nowhere). From ``due_ms`` on each ms until it is out counts ``weight`` times.
    """

    free_ms: tuple[int, ...]
    busy_ms: tuple[int, ...]
    stand_mm: int
    home_mm: int | None
    out_mm: int
    due_ms: int
    weight: int
    before: tuple[int, ...] = ()
    """For each station, those that have to be visited before it (bit sets); () where any order will do."""
    ready_ms: int = 0

    def next_of(self, rest: int) -> int:
        """Of the stations still to be visited, those that may be the next (bit sets)."""
        if not self.before:
            return rest
        return sum(
            1 << at for at, sooner in enumerate(self.before) if rest >> at & 1 and not sooner & rest
        )


class Node(NamedTuple):
    """A moment at which the handler is free to choose.

    By station: who is in the nest, when it may leave, when the next run may start, and the work still to be brought there. By pallet:
    the stations to visit (a bit set; ``GONE``: it left) and when its verdict is known. ``hands_ms`` is the least the handler has to do.
    """

    now_ms: int
    at_mm: int
    hand: int
    occupant: tuple[int, ...]
    leaves_ms: tuple[int, ...]
    free_ms: tuple[int, ...]
    load_ms: tuple[int, ...]
    rest: tuple[int, ...]
    known_ms: tuple[int, ...]
    home: tuple[int, ...]
    hands_ms: int
    late_ms: int
    left: int


class _Pickup(NamedTuple):
    """A pallet in the jaw: from which station, since when and where."""

    job: int
    origin: int
    lifted_ms: int
    at_mm: int


class Step(NamedTuple):
    """One pallet carried to one target; ``origin`` is the station it leaves (``NOBODY``: its home place or the jaw)."""

    job: int
    origin: int
    target: int
    end_ms: int
    stand_ms: int


@value
class Frame:
    """What holds for all nodes of one look-ahead. ``change_ms`` is the least time a station loses between two pallets."""

    jaws: int
    pick_ms: int
    put_ms: int
    swap_ms: int
    speed_mm_s: int
    at_mm: tuple[int, ...]
    shut: int
    """Stations that take nothing (a bit set)."""
    beyond: int
    """How many more pallets there are than look-ahead follows; their work stands in the loads all the same."""
    out_ms: tuple[int, ...]
    """By station: the least time from the end of a stay there until the pallet is out."""

    @property
    def change_ms(self) -> int:
        """The least time a station loses between two pallets, travel left out."""
        hands_ms = self.pick_ms + self.put_ms
        return min(self.swap_ms, hands_ms) if self.jaws > 1 else hands_ms


class Nominal:
    """The nodes, steps and bounds of one look-ahead."""

    __slots__ = (
        "_due",
        "_every_station",
        "_most_work_ms",
        "_needs",
        "_rows",
        "_spare",
        "_works",
        "change_ms",
        "frame",
        "jobs",
        "steps_made",
    )

    def __init__(self, frame: Frame, jobs: tuple[Job, ...]) -> None:
        """Prepare look-ahead over these pallets."""
        self.frame = frame
        self.jobs = jobs
        self.change_ms = frame.change_ms
        self.steps_made = 0
        """Work done so far, which budgets are counted in."""
        kinds: dict[tuple[object, ...], int] = {}
        self._rows = [
            kinds.setdefault(
                (j.free_ms, j.busy_ms, j.due_ms, j.weight, j.before, j.ready_ms), len(kinds)
            )
            for j in jobs
        ]
        self._spare = [
            max((self.taken_ms(j, s) - j.free_ms[s] for j in jobs if j.busy_ms[s]), default=0)
            for s in range(len(frame.at_mm))
        ]
        self._needs: dict[tuple[int, int, int, Where], int] = {}
        self._works: dict[tuple[int, int], int] = {}
        self._every_station = (1 << len(frame.at_mm)) - 1
        self._most_work_ms = max((sum(job.free_ms) for job in jobs), default=0)
        self._due = [number for number, job in enumerate(jobs) if job.weight]

    @property
    def beyond(self) -> int:
        """How many pallets there are that are not followed."""
        return self.frame.beyond

    def taken_ms(self, job: Job, station: int) -> int:
        """How long a visit keeps a station from the next visit, at least; 0 without a visit."""
        if not job.busy_ms[station]:
            return 0
        return max(job.free_ms[station] + self.change_ms, job.busy_ms[station])

    def travel_ms(self, from_mm: int, to_mm: int) -> int:
        """As in ``Handler.travel_ms``."""
        return abs(to_mm - from_mm) * 1000 // self.frame.speed_mm_s

    # --- steps ------------------------------------------------------------------------------------------------------------------

    def steps(self, node: Node) -> list[Step]:
        """What the handler can do next, in a fixed order."""
        found: list[Step] = []
        everywhere = self._every_station
        if node.hand != NOBODY:
            pickup = _Pickup(node.hand, NOBODY, node.now_ms, node.at_mm)
            self._onward(node, pickup, everywhere, found)
            leaves = any(
                step.target == OUT for step in found
            )  # as in the cell, nothing else is asked then
            if self.jobs[node.hand].home_mm is not None and not leaves:
                found.append(self._homeward(pickup))
            return found
        for station, job in enumerate(node.occupant):
            if job >= 0 and node.leaves_ms[station] < AWAY_MS:
                pickup = self._from_nest(node, job, station)
                self._onward(node, pickup, everywhere, found)
                if self.frame.jaws == 1 and self.jobs[job].home_mm is not None:
                    found.append(self._homeward(pickup))
        for job, stations in self._fetchable(node):
            self._onward(node, self._from_outside(node, job), stations, found)
        return found

    def step_to(self, node: Node, job: int, target: int) -> Step | None:
        """One pallet carried to one target, if the handler can do that next."""
        pickup = self._picked_up(node, job)
        if pickup is None:
            return None
        if target == HOME:
            emptied = node.hand == job or (self.frame.jaws == 1 and pickup.origin != NOBODY)
            has_home = self.jobs[job].home_mm is not None
            return self._homeward(pickup) if emptied and has_home else None
        found: list[Step] = []
        self._onward(node, pickup, self._every_station if target == OUT else 1 << target, found)
        return next((step for step in found if step.target == target), None)

    def _picked_up(self, node: Node, job: int) -> _Pickup | None:
        """A pallet in the jaw, wherever it stands now; None if the handler cannot take it next."""
        if node.hand != NOBODY:
            return _Pickup(job, NOBODY, node.now_ms, node.at_mm) if node.hand == job else None
        if job in node.home:
            return self._from_outside(node, job)
        station = node.occupant.index(job) if job in node.occupant else NOBODY
        if station == NOBODY or node.leaves_ms[station] >= AWAY_MS:
            return None
        return self._from_nest(node, job, station)

    def _from_nest(self, node: Node, job: int, station: int) -> _Pickup:
        at_mm = self.frame.at_mm[station]
        there_ms = node.now_ms + self.travel_ms(node.at_mm, at_mm)
        lifted_ms = max(there_ms, node.leaves_ms[station]) + self.frame.pick_ms
        return _Pickup(job, station, lifted_ms, at_mm)

    def _from_outside(self, node: Node, job: int) -> _Pickup:
        about = self.jobs[job]
        there_ms = node.now_ms + self.travel_ms(node.at_mm, about.stand_mm)
        lifted_ms = max(there_ms, about.ready_ms) + self.frame.pick_ms
        return _Pickup(job, NOBODY, lifted_ms, about.stand_mm)

    def _fetchable(self, node: Node) -> list[tuple[int, int]]:
        """Whom to fetch from outside the stations and for which of them: for each station the one with the most work left.

        Those come first that need not soak any more. Pallets that are alike are one; of those that only have to be brought out, the first.
        """
        ranked: dict[tuple[int, int], tuple[int, int, int, int]] = {}
        for job in node.home:
            rest = node.rest[job]
            kind = (self._rows[job], rest) if rest else (-1, 0)
            if kind not in ranked:
                soaks_ms = max(0, self.jobs[job].ready_ms - node.now_ms)
                ranked[kind] = (soaks_ms, -self._work_ms(kind, job), job, rest)
        untaken = self._every_station
        chosen: list[tuple[int, int]] = []
        for _, _, job, rest in sorted(ranked.values()):
            first = self.jobs[job].next_of(rest)
            if first & untaken or not rest:
                chosen.append((job, first & untaken))
            untaken &= ~first
        return chosen

    def _work_ms(self, kind: tuple[int, int], job: int) -> int:
        """How long a pallet will be measured in all the stations that it still visits."""
        known = self._works.get(kind)
        if known is None:
            free_ms = self.jobs[job].free_ms
            known = sum(ms for at, ms in enumerate(free_ms) if kind[1] >> at & 1)
            self._works[kind] = known
        return known

    def _onward(self, node: Node, pickup: _Pickup, stations: int, found: list[Step]) -> None:
        """Everywhere a pallet has business, among these stations."""
        job, origin, lifted_ms, at_mm = pickup
        frame, rest = self.frame, node.rest[job]
        if not rest:
            # Nobody fetches a pallet for the outfeed before its verdict is known: until then the place to bring it to is not.
            wait_ms = max(0, node.known_ms[job] - node.now_ms)
            if wait_ms and (wait_ms >= AWAY_MS >> 1 or node.hand == job):
                return
            there_ms = self.travel_ms(node.at_mm, at_mm) + frame.pick_ms if node.hand != job else 0
            lifted_ms = max(lifted_ms, node.now_ms + wait_ms + there_ms)
            end_ms = lifted_ms + self.travel_ms(at_mm, self.jobs[job].out_mm) + frame.put_ms
            found.append(Step(job, origin, OUT, end_ms, wait_ms))
            return
        rest = self.jobs[job].next_of(rest) & ~frame.shut & stations
        while rest:
            bit = rest & -rest
            rest ^= bit
            station = bit.bit_length() - 1
            arrive_ms = lifted_ms + self.travel_ms(at_mm, frame.at_mm[station])
            if node.occupant[station] == NOBODY:
                found.append(Step(job, origin, station, arrive_ms + frame.put_ms, 0))
            elif frame.jaws > 1 and station != origin and self._may_swap(node, station):
                wait_ms = max(0, node.leaves_ms[station] - arrive_ms)
                end_ms = arrive_ms + wait_ms + frame.swap_ms
                found.append(Step(job, origin, station, end_ms, wait_ms))

    def _may_swap(self, node: Node, station: int) -> bool:
        occupant = node.occupant[station]
        if occupant < 0 or node.leaves_ms[station] >= AWAY_MS:
            return False
        if self.jobs[occupant].home_mm is not None:
            return True
        rest = node.rest[occupant]
        if rest:
            return bool(self.jobs[occupant].next_of(rest) & ~self.frame.shut)
        return node.known_ms[occupant] <= node.leaves_ms[station]

    def _homeward(self, pickup: _Pickup) -> Step:
        job, origin, lifted_ms, at_mm = pickup
        travel_ms = self.travel_ms(at_mm, self.jobs[job].home_mm or 0)
        return Step(job, origin, HOME, lifted_ms + travel_ms + self.frame.put_ms, 0)

    # --- nodes ------------------------------------------------------------------------------------------------------------------

    def after(self, node: Node, step: Step) -> Node:
        """The node that a step leads to."""
        self.steps_made += 1
        job, target = step.job, step.target
        occupant, leaves_ms = node.occupant, node.leaves_ms
        home = node.home
        if step.origin != NOBODY:
            occupant = _with(occupant, step.origin, NOBODY)
        elif node.hand == NOBODY:
            home = tuple([other for other in home if other != job])
        if target >= 0:
            return self._placed(node, step, home, occupant, leaves_ms)
        rest, late_ms, left = node.rest, node.late_ms, node.left
        at_mm, need_ms = self.jobs[job].out_mm, 0
        if target == OUT:
            rest = _with(rest, job, GONE)
            late_ms += self._late_ms(job, step.end_ms)
            left -= 1
        else:
            at_mm = self.jobs[job].home_mm or 0
            home = (*home, job)
            need_ms = self.need_ms(job, rest[job], at_mm, "home")
        return Node(
            step.end_ms,
            at_mm,
            NOBODY,
            occupant,
            leaves_ms,
            node.free_ms,
            node.load_ms,
            rest,
            node.known_ms,
            home,
            node.hands_ms - self._need_now_ms(node, step) + need_ms,
            late_ms,
            left,
        )

    def _placed(
        self,
        node: Node,
        step: Step,
        home: tuple[int, ...],
        occupant: tuple[int, ...],
        leaves_ms: tuple[int, ...],
    ) -> Node:
        """A pallet is in the nest and its run begins; whoever was there is in the jaw."""
        number, target = step.job, step.target
        job = self.jobs[number]
        hand = occupant[target]
        start_ms = max(step.end_ms, node.free_ms[target])
        at_mm = self.frame.at_mm[target]
        rest = node.rest[number] & ~(1 << target)
        end_ms = start_ms + job.busy_ms[target]
        known_ms = node.known_ms
        if end_ms > known_ms[number]:
            known_ms = _with(known_ms, number, end_ms)
        need_ms = self.need_ms(number, rest, at_mm, "nest")
        return Node(
            step.end_ms,
            at_mm,
            hand,
            _with(occupant, target, number),
            _with(leaves_ms, target, start_ms + job.free_ms[target]),
            _with(node.free_ms, target, end_ms),
            _with(node.load_ms, target, node.load_ms[target] - self.taken_ms(job, target)),
            _with(node.rest, number, rest),
            known_ms,
            home,
            node.hands_ms - self._need_now_ms(node, step) + need_ms,
            node.late_ms,
            node.left,
        )

    def _need_now_ms(self, node: Node, step: Step) -> int:
        """What the handler still had to do with the pallet of a step before it."""
        job = step.job
        if step.origin != NOBODY:
            return self.need_ms(job, node.rest[job], self.frame.at_mm[step.origin], "nest")
        if node.hand == job:
            return self.need_ms(job, node.rest[job], node.at_mm, "nest")
        return self.need_ms(job, node.rest[job], self.jobs[job].stand_mm, "home")

    def need_ms(self, job: int, rest: int, at_mm: int, where: Where) -> int:
        """The least the handler has to do to bring one pallet through the stations in ``rest`` and out."""
        key = (job, rest, at_mm, where)
        known = self._needs.get(key)
        if known is None:
            known = self._needs[key] = self.least_ms(self.jobs[job], rest, at_mm, where)
        return known

    def least_ms(self, job: Job, rest: int, at_mm: int, where: Where) -> int:
        """As ``need_ms``, of a pallet that need not be one of those followed."""
        frame, out_mm = self.frame, job.out_mm
        tour_ms = self._tour_ms(at_mm, rest, out_mm)
        hands_ms = rest.bit_count() * self.change_ms + frame.put_ms
        if where == "home":
            hands_ms += frame.pick_ms
        return hands_ms + tour_ms

    def _tour_ms(self, at_mm: int, rest: int, out_mm: int) -> int:
        """The shortest way along the rail from a point through all these stations to the outfeed."""
        stops = [mm for s, mm in enumerate(self.frame.at_mm) if rest >> s & 1]
        low, high = min([*stops, at_mm, out_mm]), max([*stops, at_mm, out_mm])
        there = min(
            at_mm - low + high - low + high - out_mm, high - at_mm + high - low + out_mm - low
        )
        legs = (
            rest.bit_count() + 1
        )  # each is rounded down by itself, so together they may take less by a ms each
        return max(0, there * 1000 // self.frame.speed_mm_s - legs)

    def _late_ms(self, job: int, out_ms: int) -> int:
        """What it weighs that a pallet is out at this time."""
        about = self.jobs[job]
        return about.weight * max(0, out_ms - about.due_ms) if about.weight else 0

    def _late_at_least_ms(self, node: Node) -> int:
        """What the pallets that are still in the cell will weigh at least."""
        if not self._due:
            return 0
        earliest_ms = node.now_ms + self.frame.put_ms
        return sum(self._late_ms(job, earliest_ms) for job in self._due if node.rest[job] >= 0)

    # --- what a node is worth ---------------------------------------------------------------------------------------------------

    def judge(self, node: Node) -> tuple[int, int]:
        """The bound of a node, and the sum of its stations' own bounds, in ms.

        With everybody out the bound is the value: the time at which the last pallet was out, and what lateness weighs.
        """
        now_ms = node.now_ms
        if not node.left and not self.frame.beyond:
            return now_ms + node.late_ms, 0
        frame, change_ms, put_ms = self.frame, self.change_ms, self.frame.put_ms
        most_ms, total_ms = now_ms + node.hands_ms, 0
        for occupant, leaves_ms, free_ms, load_ms, spare_ms, out_ms in zip(
            node.occupant,
            node.leaves_ms,
            node.free_ms,
            node.load_ms,
            self._spare,
            frame.out_ms,
            strict=True,
        ):
            # Comparisons instead of ``max``: of all that look-ahead does, this is done most often.
            end_ms = leaves_ms if leaves_ms > now_ms else now_ms  # noqa: FURB136
            if load_ms:
                end_ms = now_ms + put_ms if occupant == NOBODY else end_ms + change_ms
                if end_ms < free_ms:  # noqa: PLR1730
                    end_ms = free_ms
                end_ms += load_ms - spare_ms
            elif occupant == NOBODY or leaves_ms >= AWAY_MS:
                continue
            end_ms += out_ms
            total_ms += end_ms
            if end_ms > most_ms:  # noqa: PLR1730
                most_ms = end_ms
        most_ms = self._at_least_longest_way_ms(node, most_ms)
        return most_ms + node.late_ms + self._late_at_least_ms(node), total_ms

    def _at_least_longest_way_ms(self, node: Node, most_ms: int) -> int:
        """The greater of ``most_ms`` and when the pallet is out that has the longest way before it.

        Mostly the stations have far more to do than any one pallet, and the ways need not be looked at.
        """
        last_ms = node.now_ms
        for leaves_ms in node.leaves_ms:
            if last_ms < leaves_ms < AWAY_MS:
                last_ms = leaves_ms
        if last_ms + self._most_work_ms <= most_ms:
            return most_ms
        return max(most_ms, self._longest_way_ms(node))

    def _longest_way_ms(self, node: Node) -> int:
        """When the pallet is out that has the longest way before it, all stations left free for it."""
        works, rows, rest, now_ms = self._works, self._rows, node.rest, node.now_ms
        longest_ms = 0
        for job in node.home:
            if rest[job]:
                kind = (rows[job], rest[job])
                longest_ms = max(longest_ms, works.get(kind) or self._work_ms(kind, job))
        longest_ms += now_ms
        if node.hand != NOBODY and rest[node.hand]:
            kind = (rows[node.hand], rest[node.hand])
            longest_ms = max(longest_ms, now_ms + self._work_ms(kind, node.hand))
        for job, leaves_ms in zip(node.occupant, node.leaves_ms, strict=True):
            if job >= 0 and rest[job] and leaves_ms < AWAY_MS:
                from_ms = max(now_ms, leaves_ms)
                longest_ms = max(longest_ms, from_ms + self._work_ms((rows[job], rest[job]), job))
        return longest_ms


def _with(values: tuple[int, ...], at: int, new: int) -> tuple[int, ...]:
    changed = list(values)
    changed[at] = new
    return tuple(changed)
