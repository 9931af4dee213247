"""One shift of a drawn cell: first with faults, then without, watched all the time.

Rules of this file:
- A case says everything: with the same code it gives the same shift in every process. The fingerprint is the SHA-256 of the journal as
  it would be stored.
- In the troubled part faults strike and people answer as they like. Then everything is mended, people answer with care, and whatever
  can be finished has to be, within a time that follows from the work that is there.
- The shift ends with the first failure: what comes after would only be its consequences.
"""

import hashlib
import traceback
from collections import Counter, deque
from dataclasses import dataclass, field
from random import Random
from typing import TYPE_CHECKING

from simulators.bench.at_machines import HANDLER, AtMachines, crashed
from simulators.bench.attendant import Attendant
from simulators.bench.checkers import Checkers, Failure
from simulators.bench.faults import EVERYTHING, HOUR_MS, KINDS, Chosen, Strikes
from simulators.bench.hands import NOBODY, Hands
from simulators.bench.on_the_wire import Echo, OnTheWire
from simulators.bench.random_cells import drawn_hours, random_cell, random_shift
from simulators.bench.stages import answer_of, way_of
from simulators.bench.world import World, orders_among, orders_of
from simulators.models.chance import chance
from supervisor.core.decide import Core, Decision
from supervisor.core.events import Event
from supervisor.shell.fold import Fold
from supervisor.store.codec import encode_body

if TYPE_CHECKING:
    from collections.abc import Callable

    from supervisor.core.state import CellState

START_MS = 1_764_000_000_000
SNAPSHOT_EVERY = 50
STRANGE_GTIN = "00614141999996"
WAITS_FOR_ORDER_SHARE = 0.7
AFTER_ORDER_MS_MAX = 6_000
QUIET_MS = 20 * 60_000
"""When nothing happens by itself for so long, there has to be a reason."""
FINISH_HOURS = 3.0
"""For people, doors and moves, besides the time that the runs take one after another."""
RUNS_AGAIN = 2
CHECKS_MAX = 10
"""So many checks with a reference part may fall into the time for finishing."""
REPLAYED_EVERY = 4
"""One seed in so many is replayed from its first entry; after every death of a supervisor the journal has to give its last state anyhow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A shift to be run. ``pallets`` and ``hours`` 0: as drawn from the seed."""

    seed: int
    pallets: int = 0
    hours: float = 0.0
    faults: Chosen = field(default_factory=lambda: EVERYTHING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a shift went. ``hits`` counts faults by kind and stage, ``struck`` names every strike. Times are the machines'.

    ``amid`` counts answers of routing, and faults by kind while a way to the end was kept.
    """

    case: Case
    failures: tuple[Failure, ...]
    fingerprint: str
    hits: Counter[tuple[str, str]]
    amid: Counter[tuple[str, str]]
    struck: tuple[tuple[str, int], ...]
    answers: Counter[tuple[str, str]]
    hours: float
    troubled_hours: float
    finish_hours: float
    facts: int
    pallets: int
    records: int
    stations: int


class Shift:
    """One case in the making."""

    def __init__(self, case: Case) -> None:
        """Draw the cell, the pallets, the faults and the people."""
        self.case = case
        self.hours = case.hours or drawn_hours(case.seed)
        cell = random_cell(case.seed)
        physics = random_shift(
            cell, case.seed, pallets=case.pallets, hours=drawn_hours(case.seed), start_ms=START_MS
        )
        self.strikes = Strikes(case.seed, case.faults)
        self.world = World(cell, physics, seed=case.seed, start_ms=START_MS)
        self.world.snapshot_every = SNAPSHOT_EVERY
        self.strikes.routing = lambda: way_of(self.world)
        self.hands = Hands(self.world)
        self.wire = OnTheWire(self.world, self.strikes, _echoes(case.seed, self.world))
        self.at = AtMachines(self.world, self.hands, self.wire)
        self.attendant = Attendant(self.hands, case.seed)
        self.checkers = Checkers(self.world, self.hands)
        self.checkers.calm = self._calm
        self.wire.gives = self.checkers.gives
        self.checkers.says_why = self._says_why
        self.world.watch = self._watch
        self._diaries = [
            self.hands.diary,
            self.wire.diary,
            self.at.diary,
            self.attendant.diary,
        ]
        self._armed: deque[tuple[str, Random]] = deque()
        self._target_ms = 0
        self._is_over: Callable[[], bool] = lambda: False
        self._spoil_tags()
        self._plan_faults()

    def run(self) -> Outcome:
        """The whole shift."""
        troubled_ms = START_MS + round(self.hours * HOUR_MS)
        finished_ms = troubled_ms
        try:
            self._until(troubled_ms)
            if not self.checkers.failures:
                self._mend_everything()
                self._is_over = self._is_done
                self._until(self._latest_ms())
                finished_ms = self.world.now_ms
            if not self.checkers.failures:
                self.checkers.end()
                if self.case.seed % REPLAYED_EVERY == 0:
                    self._replay()
        except Exception as raised:  # noqa: BLE001 - the root of a shift: whatever is raised is a finding
            self._raised(raised)
        return self._outcome(finished_ms - troubled_ms)

    def _watch(self, event: Event, decision: Decision) -> None:
        """What the core itself promises of its state is looked at by the core, everything else by the checkers."""
        self.checkers.say("invariant", *self.world.core.broken(decision.state))
        self.checkers.watch(event, decision)
        for choice in decision.choices:
            self.strikes.amid["answer", answer_of(choice)] += 1
        if self._armed and orders_among(decision.commands):
            self._aim(decision)

    def _says_why(self) -> bool:
        core, state = self.world.core, self.world.state
        return any(core.waiting_for(state, about) for about in state.outstanding)

    # --- time -------------------------------------------------------------------------------------------------------------------

    def _until(self, until_ms: int) -> None:
        """Let time pass, with everything that people and faults do in it."""
        while not self._stops():
            self._target_ms = min(self._next_ms(), until_ms)
            self.world.run(self._target_ms, done=self._look)
            if self.world.now_ms >= until_ms:
                return
            for diary in self._diaries:
                diary.do(self.world.now_ms)

    def _next_ms(self) -> int:
        return min(
            (at for at in (diary.next_ms() for diary in self._diaries) if at is not None),
            default=START_MS * 2,
        )

    def _look(self, world: World) -> bool:
        """A moment has been settled: look at it, and stop for what is to be done before the next entry that was known of."""
        self.checkers.moment()
        if self.at.dying and world.is_dead():
            self.strikes.hit(*crashed(self.at, chance("revival", self.case.seed, world.now_ms)))
        self.attendant.look()
        self._look_for_quiet(world)
        return self._stops() or self._next_ms() < self._target_ms

    def _look_for_quiet(self, world: World) -> None:
        next_ms = world.next_ms()
        ahead_ms = min(self._target_ms, next_ms if next_ms is not None else self._target_ms)
        if ahead_ms - world.now_ms > QUIET_MS and self._calm():
            self.checkers.waiting()

    def _stops(self) -> bool:
        return bool(self.checkers.failures) or self._is_over()

    def _calm(self) -> bool:
        """Whether all that happened has reached the core, and nothing moves."""
        world = self.world
        return not (
            world.is_dead()
            or world.holds_back()
            or world.on_the_way()
            or self.wire.unread
            or any(map(world.is_down, (*world.models.stations, HANDLER, "rack")))
            or world.models.handler.image().phase in ("accepted", "busy")
        )

    # --- faults -----------------------------------------------------------------------------------------------------------------

    def _spoil_tags(self) -> None:
        """Some pallets come with tags that are not right."""
        pallets = sorted(pallet.pallet for pallet in self.world.physics.pallets)
        for number, pallet in enumerate(pallets):
            if (draw := self.strikes.strike("tag-malformed")) is not None:
                self.hands.write_tag(pallet, NOBODY, draw.randbytes(draw.randint(1, 60)))
                self.strikes.hit("tag-malformed", "tag read")
            elif self.strikes.strike("tag-strange") is not None:
                self.hands.strange_tag(pallet, STRANGE_GTIN)
                self.strikes.hit("tag-strange", "tag read")
            elif number and (draw := self.strikes.strike("identity-doubled")) is not None:
                self.hands.copy_tag(pallet, draw.choice(pallets[:number]))
                self.strikes.hit("identity-doubled", "tag read")

    def _plan_faults(self) -> None:
        until_ms = START_MS + round(self.hours * HOUR_MS)
        for kind in KINDS:
            for at_ms in self.strikes.times_ms(kind, START_MS, until_ms):
                self.at.diary.write(at_ms, lambda kind=kind: self._strike(kind))

    def _strike(self, kind: str) -> None:
        """A strike befalls at once, or waits for the next order: a cell is at rest most of the time, and then little can be hit."""
        draw = self.strikes.number(kind)
        if draw is None:
            return
        if draw.random() < WAITS_FOR_ORDER_SHARE:
            self._armed.append((kind, draw))
        else:
            self._befall(kind, draw, "")

    def _aim(self, decision: Decision) -> None:
        """The strike that has waited longest befalls a machine that has got an order, a moment after that."""
        kind, draw = self._armed.popleft()
        machines = [self.world.machine_of(order) for order in orders_of(decision.commands)]
        at_ms = self.world.now_ms + draw.randrange(AFTER_ORDER_MS_MAX)
        aim = draw.choice(machines)
        self.at.diary.write(at_ms, lambda: self._befall(kind, draw, aim))

    def _befall(self, kind: str, draw: Random, aim: str) -> None:
        if self.strikes.are_over:
            return
        stage = self.at.befall(kind, draw, aim)
        if stage:
            self.strikes.hit(kind, stage)

    # --- the end ----------------------------------------------------------------------------------------------------------------

    def _mend_everything(self) -> None:
        """Faults are over: machines work, links stand, the supervisor runs, and people take care."""
        self.strikes.stop()
        self.at.diary.do_all()
        self.wire.diary.do_all()
        world = self.world
        if world.is_dead():
            world.revive()
        world.take_entries()
        for machine in (*sorted(world.models.stations), HANDLER, "rack"):
            if world.is_down(machine):
                world.mend(machine)
        for model in world.models.stations.values():
            model.door.free()
        world.look()
        self.attendant.hurry()
        self.attendant.look()

    def _is_done(self) -> bool:
        return not self.hands.carried and next(self.checkers.remains(), None) is None

    def _latest_ms(self) -> int:
        """When everything has to be finished: as if all runs came one after another, each as often as it may, and the slack."""
        work_ms: Counter[str] = Counter()
        for program in self.world.cell.programs:
            work_ms[program.part_type] += RUNS_AGAIN * (program.result_ms + 180_000)
        pallets = [p for p in self.world.physics.pallets if p.pallet not in self.hands.gone]
        checks = {p.part_type: CHECKS_MAX for p in self.world.cell.part_types if p.reference}
        total_ms = sum(work_ms[p.part_type] * checks.get(p.part_type, 1) for p in pallets)
        return self.world.now_ms + total_ms + round(FINISH_HOURS * HOUR_MS)

    def _replay(self) -> None:
        """The journal gives the state again."""
        fold: Fold[CellState] = Fold(lambda declared: Core(self.world.cores[declared].tables.cell))
        for entry in self.world.journal.entries:
            decision = fold.take(entry.event, entry.at_ms)
            if decision.commands != entry.commands:
                self._failed("replay differs", f"entry {entry.seq}")
                return
        if fold.state != self.world.state:
            self._failed("replay differs", "the state in the end")

    def _raised(self, raised: Exception) -> None:
        where = traceback.extract_tb(raised.__traceback__)[-1]
        self._failed(
            f"raised {type(raised).__name__}",
            f"{raised} ({where.filename.rpartition('/')[2]}:{where.lineno}, {where.name})",
        )

    def _failed(self, rule: str, text: str) -> None:
        entries = len(self.world.journal.entries)
        self.checkers.failures.append(
            Failure(rule=rule, text=text, at_ms=self.world.now_ms, entry=entries)
        )

    def _outcome(self, finish_ms: int) -> Outcome:
        world = self.world
        return Outcome(
            case=self.case,
            failures=tuple(self.checkers.failures),
            fingerprint=fingerprint(world),
            hits=self.strikes.hits,
            amid=self.strikes.amid,
            struck=tuple(self.strikes.struck),
            answers=self.attendant.answered,
            hours=(world.now_ms - START_MS) / HOUR_MS,
            troubled_hours=self.hours,
            finish_hours=finish_ms / HOUR_MS,
            facts=len(world.journal.entries),
            pallets=len(world.physics.pallets),
            records=len(world.records),
            stations=len(world.cell.stations),
        )


def run_case(case: Case) -> Outcome:
    """Run one shift."""
    return Shift(case).run()


def fingerprint(world: World) -> str:
    """The SHA-256 of a world's journal, entry by entry as it would be stored, and of its last moment."""
    digest = hashlib.sha256()
    for entry in world.journal.entries:
        digest.update(f"{entry.seq} {entry.at_ms} {encode_body(entry)}\n".encode())
    digest.update(f"{world.now_ms} {world.state}".encode())
    return digest.hexdigest()


def _echoes(seed: int, world: World) -> dict[str, Echo]:
    """What each station tells of its runs: most of them everything."""
    draw = chance("echoes", seed)
    kinds: tuple[Echo, ...] = ("names", "names", "names", "serial", "counter")
    return {station: draw.choice(kinds) for station in sorted(world.models.stations)}
