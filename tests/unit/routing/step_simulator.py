"""A cell without wires, in virtual time: what a router's answers lead to. Shares no code with routing and judges every answer.

Rules of this file:
- The simulator knows how long a run really takes; the views tell the router only what the programs declare.
- One handler, step by step: travel, pick, ask again with the pallet in hand, travel, put or swap.
- What must never happen is asserted where it would happen.
"""

import heapq
import random
from dataclasses import dataclass, field

from supervisor.routing.situation import (
    Carry,
    OutfeedView,
    PalletView,
    Situation,
    StationView,
    Stay,
)

DECISIONS_MAX = 5_000
TRIES_MAX = 2


@dataclass
class Part:
    """A pallet with its part."""

    pallet: str
    part_type: str
    entry: str
    arrives_ms: int
    home: str = ""
    place: str = ""
    open: set[str] = field(default_factory=set)
    awaited: int = 0
    tries: dict[str, int] = field(default_factory=dict)
    done: set[str] = field(default_factory=set)
    sorting: str = ""
    planned: tuple[str, ...] = ()
    waiting_since_ms: int = 0
    ran: int = 0
    came_from: str = ""


@dataclass
class Nest:
    """A station. ``expected_ms`` is what the declaration promises, the real ends are events in the queue."""

    station: str
    occupant: str = ""
    running: str = ""
    run: int = 0
    part_free_expected_ms: int = 0
    run_free_expected_ms: int = 0
    run_free: bool = True
    unusable: str = ""
    fetch: str = "refused"
    puts: int = 0
    busy_ms: int = 0


@dataclass(frozen=True)
class Trouble:
    """What does not go as declared.

    ``late`` is how far measuring times may be off (0.15: 15 %), ``bad_results`` the share of runs without a usable result, ``outages``
    are (station, from ms, for ms or None, whether the handler may enter), ``arrivals_ms`` when pallets come (all at once if empty).
    """

    late: float = 0.0
    bad_results: float = 0.0
    outages: tuple = ()
    arrivals_ms: tuple = ()
    outfeed_cleared_ms: int = 20_000


@dataclass
class Outcome:
    """What came of a simulation."""

    makespan_ms: int = 0
    carries: int = 0
    visits: int = 0
    visits_without_run: int = 0
    taken_home_in_vain: int = 0
    swaps: int = 0
    exchanges: int = 0
    faults: int = 0
    longest_wait_ms: int = 0
    sorted: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    answers: list[Carry | Stay] = field(default_factory=list)
    situations: list[Situation] = field(default_factory=list)
    busiest_percent: float = 0.0


class Simulation:
    """One run of a cell under one router."""

    def __init__(self, cell, router, part_types, trouble=Trouble(), *, seed=0, plans="kept"):
        self.cell = cell
        self.router = router
        self.trouble = trouble
        self.rng = random.Random(seed)
        self.plans = plans
        self.plan = {p.part_type: {c.number for c in p.plan} for p in cell.part_types}
        self.required = {
            (p.part_type, c.number): c.required_u for p in cell.part_types for c in p.plan
        }
        self.sooner = {
            (p.part_type, c.number): set(c.after) for p in cell.part_types for c in p.plan
        }
        self.programs = {p.program: p for p in cell.programs}
        self.at_mm = {p.place: p.at_mm for p in cell.places}
        self.at_mm.update({s.station: s.at_mm for s in cell.stations})
        self.nests = {s.station: Nest(station=s.station) for s in cell.stations}
        self.outfeeds = {p.place: "" for p in cell.places if p.kind == "outfeed"}
        self.racks = {p.place: "" for p in cell.places if p.kind == "rack"}
        self.infeeds = {p.place: "" for p in cell.places if p.kind == "infeed"}
        self.parts: dict[str, Part] = {}
        self.hand = ""
        self.coming = ""
        self.bound_for: set[str] = set()
        self.here_mm = 0
        self.now_ms = 0
        self.events: list = []
        self.sequence = 0
        self.outcome = Outcome()
        self.to_come = len(part_types)
        entries = sorted(self.infeeds or self.racks)
        for n, part_type in enumerate(part_types):
            at_ms = trouble.arrivals_ms[n] if trouble.arrivals_ms else 0
            part = Part(
                pallet=f"pallet-{n:02}", part_type=part_type, entry=entries[n], arrives_ms=at_ms
            )
            self.after(at_ms, self.arrive, part)
        for outage in trouble.outages:
            self.after(outage[1], self.break_down, *outage)

    # --- time -----------------------------------------------------------------------------------------------------------

    def after(self, wait_ms, happening, *details):
        self.sequence += 1
        heapq.heappush(self.events, (self.now_ms + wait_ms, self.sequence, happening, details))

    def advance(self, until_ms):
        """Let everything happen that is due until then."""
        while self.events and self.events[0][0] <= until_ms:
            at_ms, _, happening, details = heapq.heappop(self.events)
            self.now_ms = at_ms
            happening(*details)
        self.now_ms = until_ms

    def wait(self, until_ms=None):
        """Let time pass to the next event or to ``until_ms``; whether there was anything to wait for."""
        due = [
            at_ms
            for at_ms in (until_ms, self.events[0][0] if self.events else None)
            if at_ms is not None
        ]
        if due:
            self.advance(min(due))
        return bool(due)

    # --- what happens by itself -----------------------------------------------------------------------------------------

    def arrive(self, part):
        part.open = set(self.plan[part.part_type])
        part.waiting_since_ms = self.now_ms
        self.to_come -= 1
        self.parts[part.pallet] = part
        part.home = part.entry if part.entry in self.racks else ""
        self.stand(part, part.entry)

    def break_down(self, station, _from_ms, for_ms, fetch):
        nest = self.nests[station]
        if nest.unusable:
            return
        self.outcome.faults += 1
        nest.unusable, nest.fetch = "in manual mode", fetch
        if nest.running:
            program = self.programs[nest.running]
            nest.running, nest.run, nest.run_free = "", nest.run + 1, True
            part = self.parts[nest.occupant]
            part.awaited -= 1
            part.open |= self.decides(program) & self.plan[part.part_type]
            part.waiting_since_ms = self.now_ms
            self.judge(part)  # it may be that nothing else can be decided in any order
        if for_ms is not None:
            self.after(for_ms, self.repair, station)

    def repair(self, station):
        self.nests[station].unusable = ""
        self.start(station)

    def start(self, station):
        """Run the next program on the occupant, if it has one and the station can."""
        nest = self.nests[station]
        ready = nest.occupant and not nest.running and nest.run_free and not nest.unusable
        if not ready or station in self.bound_for:
            return
        part = self.parts[nest.occupant]
        name = self.next_program(part, station)
        if name:
            self.begin(nest, part, self.programs[name])

    def start_all(self):
        for station in sorted(self.nests):
            self.start(station)

    def begin(self, nest, part, program):
        assert program.station == nest.station
        assert program.part_type == part.part_type
        assert program.program not in part.done, "a program must not run again after its limit"
        assert self.decides(program) & part.open, "a run must add something"
        self.comes_in_order(part, program)
        part.open -= self.decides(program)
        part.awaited += 1
        part.ran += 1
        nest.running, nest.run, nest.run_free = program.program, nest.run + 1, False
        nest.part_free_expected_ms = self.now_ms + program.part_free_ms
        nest.run_free_expected_ms = self.now_ms + program.result_ms
        late = 1 + self.rng.uniform(-self.trouble.late, self.trouble.late)
        self.after(round(program.part_free_ms * late), self.part_free, nest, nest.run)
        result_ms = round(program.result_ms * late)
        self.after(result_ms, self.result, nest, nest.run, result_ms, part, program)

    def comes_in_order(self, part, program):
        """Nothing is unmeasured that has to come before what a run measures, well enough or not."""
        left = self.left_open(part)
        for number in {c.number for c in program.covers} & left:
            lacking = self.sooner[part.part_type, number] & left
            assert lacking <= self.decides(program), f"{number} is measured before {lacking}"

    def left_open(self, part):
        """What is open and can be decided, in order, by programs that may run again; the rest stays undecided, and nobody waits for it."""
        able = [
            (self.decides(p), {c.number for c in p.covers})
            for p in self.cell.programs
            if p.part_type == part.part_type and p.program not in part.done and self.decides(p)
        ]
        left = part.open & set().union(*(numbers for numbers, _ in able))
        reached = set()
        for _ in left:  # each round reaches one more at least, or none
            for numbers, touched in able:
                mine = touched & left - reached
                sooner = set().union(*(self.sooner[part.part_type, number] for number in mine))
                if not sooner & (left - reached) - numbers:
                    reached |= numbers & left
        return reached

    def part_free(self, nest, run):
        if nest.run == run:
            nest.running = ""
            self.parts[nest.occupant].waiting_since_ms = self.now_ms

    def result(self, nest, run, result_ms, part, program):
        if nest.run != run:
            return
        nest.busy_ms += result_ms
        nest.run_free = True
        part.awaited -= 1
        wanted = self.decides(program) & self.plan[part.part_type]
        if self.rng.random() < self.trouble.bad_results:
            self.outcome.faults += 1
            part.open |= wanted
            part.tries[program.program] = part.tries.get(program.program, 0) + 1
            if part.tries[program.program] >= TRIES_MAX:
                part.done.add(program.program)
        else:
            part.done.add(program.program)
            part.open -= wanted
        self.judge(part)
        self.start(nest.station)
        for other in self.nests.values():
            if other.occupant == part.pallet:
                self.start(other.station)

    def decides(self, program):
        """What a program decides well enough, worked out here on its own."""
        return {
            c.number
            for c in program.covers
            if c.expanded_u / c.k * 2 <= self.required[program.part_type, c.number]
        }

    def judge(self, part):
        """Sort the part once nothing is awaited and nothing more can be decided."""
        left = [
            p
            for p in self.cell.programs
            if p.part_type == part.part_type
            and p.program not in part.done
            and self.decides(p) & self.left_open(part)
        ]
        if part.awaited or part.sorting or left:
            return
        part.sorting = "hold" if part.open else self.rng.choice(("conforming", "nonconforming"))
        part.waiting_since_ms = self.now_ms

    # --- what the router sees -------------------------------------------------------------------------------------------

    def usable(self):
        return tuple(name for name, nest in sorted(self.nests.items()) if not nest.unusable)

    def next_program(self, part, station):
        if self.plans == "kept":
            return self.router.next_program(self.view(part), station, self.usable())
        return self.router.next_program(self.view(part), station)

    def view(self, part):
        nest = self.nests.get(part.place)
        running = nest is not None and nest.running
        movable_ms = max(self.now_ms, nest.part_free_expected_ms) if running else self.now_ms
        return PalletView(
            pallet=part.pallet,
            part_type=part.part_type,
            place=part.place,
            at_mm=self.at_mm.get(part.place, self.here_mm),
            movable_ms=movable_ms,
            home=part.home or (self.free_rack() if part.place in self.infeeds else ""),
            open=tuple(sorted(self.left_open(part))),
            sorting=part.sorting,
            waiting_since_ms=part.waiting_since_ms,
            done=tuple(sorted(part.done)),
            planned=part.planned,
            entered_ms=part.arrives_ms,
        )

    def station_view(self, nest):
        free_ms = self.now_ms if nest.run_free else max(self.now_ms, nest.run_free_expected_ms)
        leaves_ms = max(self.now_ms, nest.part_free_expected_ms) if nest.running else self.now_ms
        return StationView(
            station=nest.station,
            unusable=nest.unusable,
            occupant=nest.occupant,
            occupant_leaves_ms=leaves_ms,
            run_free_ms=free_ms,
            coming=self.hand if self.coming == nest.station else "",
            fetch=nest.fetch,
        )

    def situation(self):
        sortings = {p.place: p.sorting for p in self.cell.places}
        return Situation(
            now_ms=self.now_ms,
            hand=self.hand,
            jaws=self.cell.handler.jaws,
            at_mm=self.here_mm,
            pallets=tuple(self.view(part) for _, part in sorted(self.parts.items())),
            stations=tuple(self.station_view(nest) for _, nest in sorted(self.nests.items())),
            outfeeds=tuple(
                OutfeedView(
                    place=place,
                    at_mm=self.at_mm[place],
                    sorting=sortings[place],
                    free="taken" if taken else "free",
                )
                for place, taken in sorted(self.outfeeds.items())
            ),
            plan=self.outcome.answers[-1].plan if self.outcome.answers else (),
            way=self.outcome.answers[-1].way if self.outcome.answers else (),
        )

    # --- the handler ----------------------------------------------------------------------------------------------------

    def run(self):
        """Until every part has left the cell, or nothing can happen any more."""
        self.advance(0)
        while self.parts or self.to_come:
            answer = self.ask()
            if isinstance(answer, Carry):
                self.carry_out(answer)
            elif not self.wait(answer.until_ms):
                break
        self.outcome.left = sorted(self.parts)
        busy_ms = max(nest.busy_ms for nest in self.nests.values())
        self.outcome.busiest_percent = 100 * busy_ms / max(1, self.outcome.makespan_ms)
        return self.outcome

    def ask(self):
        self.outcome.situations.append(self.situation())
        answer = self.router.choose(self.outcome.situations[-1])
        self.outcome.answers.append(answer)
        assert len(self.outcome.answers) < DECISIONS_MAX, "no end of decisions"
        if isinstance(answer, Stay):
            assert not self.hand or not self.parts[self.hand].home, "it has a home place"
            assert answer.until_ms is None or answer.until_ms > self.now_ms
        else:
            self.check(answer)
        return answer

    def check(self, answer):
        """No answer may lead into an occupied place, into an unusable station or away from a pallet in hand."""
        part = self.parts[answer.pallet]
        assert answer.origin == ("" if self.hand else part.place)
        assert not self.hand or answer.pallet == self.hand, "the hand is full"
        for leaving in (part, self.parts.get(answer.displaced)):
            self.check_leaving(leaving)
        nest = self.nests.get(answer.target)
        if nest is None:
            occupant = self.outfeeds.get(answer.target, self.racks.get(answer.target))
            assert not occupant, "the target is occupied"
            assert answer.displaced == ""
            assert answer.target in self.outfeeds or answer.target == part.home
            return
        assert not nest.unusable, "the target cannot be used"
        assert answer.displaced == nest.occupant, "into an occupied nest by swap only"
        assert not nest.occupant or self.cell.handler.jaws == 2, "one jaw cannot swap"
        assert answer.program
        assert nest.occupant != answer.pallet

    def check_leaving(self, part):
        """Nobody is taken from where more has to be run on it."""
        nest = self.nests.get(part.place) if part else None
        if nest is None or self.plans == "asked without stations":
            return
        assert not nest.unusable or nest.fetch == "allowed", "the nest must not be entered"
        assert nest.unusable or not self.next_program(part, nest.station), "it has more to run"

    def travel(self, place):
        distance_mm = abs(self.at_mm[place] - self.here_mm)
        self.advance(self.now_ms + distance_mm * 1000 // self.cell.handler.speed_mm_s)
        self.here_mm = self.at_mm[place]

    def carry_out(self, answer):
        part = self.parts[answer.pallet]
        self.bound_for = {answer.origin, answer.target}
        self.travel(answer.origin)
        if self.may_leave(part):
            self.advance(self.now_ms + self.cell.handler.pick_ms)
            self.leave(part)
            self.hand, self.coming = part.pallet, answer.target
            self.deliver()
        else:
            self.outcome.faults += 1
        self.bound_for = set()
        self.start_all()

    def may_leave(self, part):
        """Wait until a pallet may be taken; whether it may."""
        nest = self.nests.get(part.place)
        while nest is not None:
            if nest.unusable and nest.fetch == "refused":
                return False
            if not nest.running:
                return True
            assert self.wait(), "waiting for a pallet that never leaves"
        return True

    def deliver(self):
        """Put down what is in hand, and what is swapped for it, until the hand is empty."""
        while self.hand:
            answer = self.ask()
            if isinstance(answer, Stay):
                self.bound_for = set()
                self.start_all()
                assert self.wait(answer.until_ms), "nothing takes what is in hand, for ever"
                continue
            self.bound_for = {answer.target}
            self.travel(answer.target)
            if self.ready(answer):
                self.put_down(answer)
            else:
                self.outcome.faults += 1
                self.coming = ""

    def ready(self, answer):
        """Whether the target can take the pallet, when its occupant has left it."""
        nest = self.nests.get(answer.target)
        if nest is None:
            return True
        occupant = self.parts.get(nest.occupant)
        return not nest.unusable and (occupant is None or self.may_leave(occupant))

    def put_down(self, answer):
        part = self.parts[self.hand]
        handler = self.cell.handler
        self.advance(self.now_ms + (handler.swap_ms if answer.displaced else handler.put_ms))
        displaced = self.parts.get(answer.displaced)
        if displaced is not None:
            self.leave(displaced)
            self.outcome.swaps += 1
        self.outcome.carries += 1
        self.hand = answer.displaced
        self.coming = ""
        part.planned = (
            (answer.program, *answer.then) if answer.program and self.plans != "forgotten" else ()
        )
        self.bound_for = set()  # the handler is clear of the nest, so its run may begin
        self.stand(part, answer.target)

    def leave(self, part):
        nest = self.nests.get(part.place)
        if nest is not None:
            assert not nest.running, "taken out of a running station"
            self.outcome.visits_without_run += part.ran == 0
            nest.occupant = ""
            nest.part_free_expected_ms = self.now_ms
        elif part.place in self.infeeds:
            self.infeeds[part.place] = ""
            part.home = self.free_rack()
        else:
            self.racks[part.place] = ""
        waited_ms = self.now_ms - part.waiting_since_ms
        self.outcome.longest_wait_ms = max(self.outcome.longest_wait_ms, waited_ms)
        part.place, part.came_from = "", part.place

    def stand(self, part, place):
        """A pallet is put down."""
        part.place = place
        part.ran = 0
        if place in self.nests:
            nest = self.nests[place]
            assert not nest.occupant, "two pallets in one nest"
            nest.occupant = part.pallet
            self.outcome.visits += 1
            self.outcome.exchanges += nest.puts > 0
            nest.puts += 1
            self.start(place)
            if not nest.run_free:
                self.after(max(0, nest.run_free_expected_ms - self.now_ms), self.start, place)
        elif place in self.outfeeds:
            assert not self.outfeeds[place], "two pallets in one outfeed place"
            assert part.sorting, "only a sorted pallet leaves"
            self.outfeeds[place] = part.pallet
            self.after(self.trouble.outfeed_cleared_ms, self.clear, place)
            del self.parts[part.pallet]
            self.outcome.sorted.append(part.pallet)
            self.outcome.makespan_ms = self.now_ms
        elif place in self.infeeds:
            assert not self.infeeds[place], "two pallets in one infeed place"
            assert part.came_from == "", "nobody comes back to an infeed place"
            self.infeeds[place] = part.pallet
        else:
            assert not self.racks[place], "two pallets in one rack place"
            self.racks[place] = part.pallet
            self.outcome.taken_home_in_vain += part.came_from == place

    def free_rack(self):
        """The first rack place that is kept for nobody; "" if there is none."""
        kept = {part.home for part in self.parts.values()}
        return next((place for place in sorted(self.racks) if place not in kept), "")

    def clear(self, place):
        """A person takes a pallet out of the outfeed."""
        self.outfeeds[place] = ""
