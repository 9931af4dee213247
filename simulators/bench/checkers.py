"""What must never be seen in a campaign, judged by whoever knows the truth: the floor, the machines, and what each fact said.

Rules of this file:
- No rule of the core is asked here. What the supervisor could know is worked out anew from the facts that reached it (``Knowledge``);
  what is true stands on the floor and in what machines witnessed. The state is read only for what it claims.
- Blame: a machine's violation is the supervisor's fault unless somebody laid hands on what the order was about and no image had shown it
  when the order went out.
- A finding names the rule that is broken, so that a shrunk case can be told to fail for the same reason.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from simulators.bench.checks import findings
from simulators.bench.hands import Hands
from simulators.bench.on_the_wire import Image, machine_of
from simulators.bench.random_cells import deciding, measuring
from simulators.bench.trust_checker import TrustChecker, is_trust
from simulators.bench.world import World
from simulators.models.floor import Violation
from supervisor.cell.model import PartType
from supervisor.core.commands import (
    AcknowledgeResult,
    CancelTimer,
    Goal,
    MarkSuspect,
    MoveHandler,
    ReadTag,
    SetDoor,
    SetTimer,
    StartRun,
    StoreRecord,
)
from supervisor.core.decide import Decision
from supervisor.core.events import (
    Event,
    HandlerObserved,
    HoldReleased,
    PlacesObserved,
    ResultArrived,
    StationObserved,
)
from supervisor.core.state import CellState, PalletState
from supervisor.verdict.record import Evidence, Finding, Record

RUNS_MAX = 2
"""So often a program runs on a part at one stay: it is asked once more when the first run gave nothing good."""


MEASURES = (("automatic",), ("closed", "none"), ("occupied",), ("idle", "prepared"), ("",))
"""What a station shows where a run may start: mode, door, nest, work, gate."""


ASKS_ONLY = (
    "calibration-overdue",
    "check-overdue",
    "reference-failed",
    "reference-good",
    "reference-trend",
)
"""Questions about a station's trust, which leave the station to its work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """Something that must never be. ``entry`` is the number of the journal entry after which it was seen."""

    rule: str
    text: str
    at_ms: int
    entry: int


class Knowledge:
    """What the supervisor was told last of each machine, and when the machine said it."""

    def __init__(self) -> None:
        self.images: dict[str, Image] = {}
        self.seen_ms: dict[str, int] = {}

    def learn(self, event: Event) -> None:
        """Take an image, unless a newer one of the same start and connection was there before."""
        if isinstance(event, StationObserved | HandlerObserved | PlacesObserved):
            self._take(machine_of(event), event)

    def station(self, station: str) -> StationObserved | None:
        """A station's last image, if it can be reached."""
        image = self.images.get(station)
        return image if isinstance(image, StationObserved) and image.link == "up" else None

    def arm(self) -> HandlerObserved | None:
        """The handler's last image, if it can be reached."""
        image = self.images.get("handler")
        return image if isinstance(image, HandlerObserved) and image.link == "up" else None

    def presence(self, place: str) -> str:
        """What the reader said of a place."""
        image = self.images.get("rack")
        shown = image.presence if isinstance(image, PlacesObserved) else ()
        return dict(shown).get(place, "unknown")

    def reaches(self, machine: str) -> bool:
        """Whether a machine can be reached."""
        image = self.images.get(machine)
        return image is not None and image.link == "up"

    def forget(self) -> None:
        """A new supervisor process knows nothing of the outside."""
        self.images.clear()

    def _take(self, machine: str, event: Image) -> None:
        before = self.images.get(machine)
        if (
            before is not None
            and before.link == event.link == "up"
            and before.boot == event.boot
            and event.source_ms < before.source_ms
        ):
            return
        self.images[machine] = event
        if event.link == "up":
            self.seen_ms[machine] = event.source_ms


class Checkers:
    """Watches one world. ``failures`` is empty as long as all is well."""

    def __init__(self, world: World, hands: Hands) -> None:
        self.failures: list[Failure] = []
        self.calm: Callable[[], bool] = lambda: True
        """Whether everything that happened so far has reached the core."""
        self.says_why: Callable[[], bool] = lambda: False
        """Whether the core tells people what an order that has not gone out waits for."""
        self._world = world
        self._hands = hands
        self._before = world.state
        self._knowledge = Knowledge()
        self._trust = TrustChecker(world.cell)
        self._racks = {place.place for place in world.physics.places if place.kind == "rack"}
        self._goals: dict[int, Goal] = {}
        self._sent: dict[int, dict[str, int]] = {}
        self._begun_ms: dict[str, int] = {}
        self._last_to: dict[tuple[str, type[Goal]], int] = {}
        self._given: dict[tuple[str, str], ResultArrived] = {}
        self._delivered: set[tuple[str, str]] = set()
        self._given_up: set[str] = set()
        self._runs: dict[str, dict[str, Any]] = {}
        self._began_as: dict[str, str] = {}
        self._stored: Counter[tuple[str, int, int]] = Counter()
        self._tries: dict[tuple[str, int, str], set[str]] = {}
        self._read = 0
        self._blamed = 0
        for entry in world.journal.entries:
            self._knowledge.learn(entry.event)

    # --- what is told -----------------------------------------------------------------------------------------------------------

    def gives(self, result: ResultArrived) -> None:
        """A station gives a true result, with all its names, before anything befalls it on its way."""
        self._given[result.station, result.result_id] = result

    def watch(self, event: Event, decision: Decision) -> None:
        """A fact was decided and is durable; its commands have not gone out yet."""
        if type(event).__name__ == "SupervisorStarted":
            self._knowledge.forget()
        self._knowledge.learn(event)
        self._witness()
        if isinstance(event, ResultArrived) and event.scope == "final":
            self._trust.result(event, self._before)
            self._result(event, decision.state)
        if isinstance(event, HoldReleased):
            self._trust.released(event, self._before, self._at_ms())
            self._given_up |= {s.run.run_id for s in self._before.stations.values() if s.run}
        for command in decision.commands:
            match command:
                case StoreRecord():
                    self._record(command.record)
                case SetTimer() | CancelTimer():
                    pass
                case MarkSuspect():
                    self._marks(command)
                case _:
                    self._goal(command, decision.state)
        self._before = decision.state

    def moment(self) -> None:
        """The facts of a moment have been taken."""
        self._witness()
        self._violations()
        if self._world.starts.total() > len(self._world.starts):
            twice = (run for run, count in self._world.starts.items() if count > 1)
            self.say("run started twice", *twice)
        if self.calm():
            self.say("pallet lost", *self._lost())

    def waiting(self) -> None:
        """Nothing will happen by itself for long: there has to be a reason."""
        state = self._world.state
        inside = [
            p
            for p in state.pallets.values()
            if p.stage != "sorted" and not (self._is_reference(p.pallet) and p.place in self._racks)
        ]
        reasons = (
            state.holds
            or state.stay
            or state.timers
            or state.want == "pause"
            or any(s.run is not None for s in state.stations.values())
            or self.says_why()
        )
        if inside and not reasons:
            self.say("waits without a reason", ", ".join(p.pallet for p in inside))

    def end(self) -> None:
        """The faults are over and the time for finishing is up, or nothing is left to do."""
        for rule, text in self.remains():
            self.say(rule, text)

    def remains(self) -> Iterator[tuple[str, str]]:
        """What is not finished, with the rule that it breaks in the end. Reference parts stay, at rest in the rack and with no check due."""
        world, state = self._world, self._world.state
        for place in self._places():
            pallet = world.floor.pallet_at(place)
            if pallet and not (place in self._racks and self._is_reference(pallet)):
                yield "not finished", f"{place}: {pallet}"
        yield from (("not brought", pallet) for pallet in world.models.operator.expected())
        yield from (("left behind", p) for p in state.pallets if not self._is_reference(p))
        yield from (("left behind", about) for about in state.outstanding)
        yield from (("left behind", timer) for timer in state.timers if not is_trust(timer))
        yield from (("left behind", f"{h.code} {h.subject}") for h in state.holds.values())
        yield from (("not checked", program) for program in self._trust.checks_due(state))

    def _is_reference(self, pallet: str) -> bool:
        known = self._world.physics.pallet.get(pallet)
        return known is not None and self._trust.is_reference(known.part_type)

    def say(self, rule: str, *texts: str) -> None:
        """Note what must never be."""
        for text in texts:
            self.failures.append(
                Failure(
                    rule=rule,
                    text=text,
                    at_ms=self._world.now_ms,
                    entry=len(self._world.journal.entries),
                )
            )

    def _places(self) -> Iterator[str]:
        yield from self._world.physics.at_mm
        yield from self._world.physics.jaws

    # --- what machines witnessed ------------------------------------------------------------------------------------------------

    def _witness(self) -> None:
        """Take note of what was measured on which part, and of what left by which outfeed."""
        witnessed = self._world.floor.witnessed
        for fact in witnessed[self._read :]:
            if fact["fact"] == "measured":
                who = self._hands.identity(str(fact["pallet"]))
                named = {"serial": who.serial, "pallet": who.pallet, "part_type": who.part_type}
                self._runs[str(fact["run_id"])] = {**fact, **named}
            elif fact["fact"] == "moved":
                self._moved(str(fact["pallet"]), str(fact["target"]))
        self._read = len(witnessed)

    def _moved(self, pallet: str, target: str) -> None:
        """What leaves by an outfeed has a verdict, and leaves by an outfeed for that verdict."""
        outfeeds = {p.place: p.sorting for p in self._world.cell.places if p.kind == "outfeed"}
        if target not in outfeeds:
            return
        who = self._hands.identity(pallet)
        records = [r for r in self._world.records if r.serial == who.serial]
        verdict = records[-1].verdict if records else "none"
        kind = verdict if verdict in ("conforming", "nonconforming") else "hold"
        if not records or outfeeds[target] != kind:
            self.say("wrong outfeed", f"{pallet} with verdict {verdict} left by {outfeeds[target]}")

    def _violations(self) -> None:
        violations = self._world.floor.violations
        for violation in violations[self._blamed :]:
            if not self._excused(violation):
                self.say("interlock violation", f"{violation.who}: {violation.text}")
        self._blamed = len(violations)

    def _excused(self, violation: Violation) -> bool:
        """Whether a person at the station asked for it, hands did it unseen, or a tag lied."""
        if "BY HAND" in violation.text:
            return True
        if re.search(r" names '.*', the nest holds|measures a .*, the nest holds", violation.text):
            return self._lied_to(violation)
        order = self._order_behind(violation)
        if order is None:
            return False
        goal, seen_ms = self._goals[order], self._sent[order]
        places = _places_of(goal, self._world.physics.jaws)
        touched = [self._hands.touched_ms.get(place, -1) for place in places]
        return max(touched) >= min(seen_ms.get(m, -1) for m in self._machines(places))

    def _lied_to(self, violation: Violation) -> bool:
        goal = self._goals.get(self._last_to.get((violation.who, StartRun), -1))
        there = self._world.floor.pallet_at(violation.who)
        if not isinstance(goal, StartRun) or not there:
            return False
        named = {(who.serial, who.part_type) for who in self._hands.ever(there)}
        return (goal.serial, goal.part_type) in named

    def _order_behind(self, violation: Violation) -> int | None:
        found = re.match(r"order (\d+) ", violation.text)
        if found:
            return int(found[1])
        kind = SetDoor if "close" in violation.text else StartRun
        return self._last_to.get((violation.who, kind))

    def _machines(self, places: tuple[str, ...]) -> list[str]:
        stations = [place for place in places if place in self._world.models.stations]
        return [*stations, "handler"] + ([] if stations else ["rack"])

    # --- results ----------------------------------------------------------------------------------------------------------------

    def _result(self, event: ResultArrived, state: CellState) -> None:
        """A result that came is taken for the part that was measured, or kept aside with a reason; never both, never twice."""
        name = (event.station, event.result_id)
        owners = [
            pallet
            for pallet in state.pallets.values()
            for result in pallet.results
            if (result.station, result.result_id) == name
        ]
        aside = [u for u in state.unassigned if (u.station, u.result_id) == name]
        if len(owners) > 1:
            self.say("result taken twice", f"{name} by {[p.pallet for p in owners]}")
        if not owners and not any(each.why for each in aside) and name not in self._delivered:
            self.say("result vanished", f"{name} of run {event.run_id}")
        for owner in owners:
            self._taken(owner, name)
        self._delivered.add(name)

    def _taken(self, owner: PalletState, name: tuple[str, str]) -> None:
        given = self._given.get(name)
        if given is None:
            self.say("foreign result taken", f"{name} for {owner.pallet}")
            return
        taken = next(r for r in owner.results if (r.station, r.result_id) == name)
        run = self._runs.get(given.run_id)
        # A wrong tag may have been put right while the run was under way.
        began_as = self._began_as.get(given.run_id)
        if run is None or owner.pallet not in (run["pallet"], began_as):
            whose = run["pallet"] if run else "nobody"
            self.say("result under the wrong part", f"{name} of {whose} for {owner.pallet}")
        if taken.values != given.values or taken.run_id != given.run_id:
            self.say("result changed", f"{name} for {owner.pallet}")
        self._trust.checked(taken.program, given, self._at_ms())

    def _marks(self, mark: MarkSuspect) -> None:
        run = mark.suspicion.run_id
        given = next((g for g in self._given.values() if g.run_id == run), None)
        self.say("wrong suspicion", *self._trust.marks(mark, given, self._at_ms()))

    def _at_ms(self) -> int:
        """The cell's time of the last entry."""
        return self._world.journal.entries[-1].at_ms

    # --- records ----------------------------------------------------------------------------------------------------------------

    def _record(self, record: Record) -> None:
        """A record is stored once, says of each value what the station gave, and judges by the best of them."""
        key = (record.serial, record.entered_ms, record.revision)
        self._stored[key] += 1
        if self._stored[key] > 1:
            self.say("record stored twice", f"{key}")
        runs = [self._as_given(run) for run in self._runs.values()]
        self.say("verdict against the truth", *findings(self._world.cell, [record], runs, ()))
        if not self._trust.is_reference(record.part_type):
            self.say("verdict against the truth", *self._about_choice(record))
            self.say("measured after the proof", *self._measured_on(record))

    def _measured_on(self, record: Record) -> Iterator[str]:
        """Where the plan ends with the first proven nonconformity, no run of the record was ordered to start after it.

        Only in cells without reference parts: elsewhere a value may have been in doubt for a while.
        """
        cell = self._world.cell
        plan = next(p for p in cell.part_types if p.part_type == record.part_type)
        if plan.measure == "everything" or any(each.reference for each in cell.part_types):
            return
        proofs = [
            finding.decided_by.measured_ms
            for finding in record.findings
            if finding.need == "mandatory" and finding.verdict == "nonconforming"
            if finding.decided_by is not None
        ]
        for finding in record.findings:
            for evidence in (finding.decided_by, *finding.monitored_by):
                begun_ms = self._begun_ms.get(evidence.run_id, 0) if evidence else 0
                if evidence and proofs and begun_ms > min(proofs):
                    yield f"{record.serial} {finding.number}: {evidence.run_id} was begun {begun_ms - min(proofs)} ms after it"

    def _as_given(self, run: Mapping[str, Any]) -> dict[str, Any]:
        """What a run gave when its result left the station."""
        given = next((g for g in self._given.values() if g.run_id == run["run_id"]), None)
        if given is None:
            return {**run, "values": []}
        values = [
            {"number": v.number, "value": v.value, "unit": v.unit, "quality": v.quality}
            for v in {v.number: v for v in reversed(given.values)}.values()
        ]
        return {**run, "values": values}

    def _about_choice(self, record: Record) -> Iterator[str]:
        """The value with the smallest uncertainty decides, the newest of equals; one that is not good decides nothing."""
        for finding in record.findings:
            every = [e for e in (finding.decided_by, *finding.monitored_by) if e is not None]
            good = [e for e in every if self._may_decide(record, finding, e)]
            best = min(good, key=lambda e: (e.expanded_u / e.k, -e.measured_ms), default=None)
            chosen = finding.decided_by
            if (best is None) != (chosen is None):
                yield f"{record.serial} {finding.number}: decided by {chosen}, best is {best}"
            elif best is not None and chosen is not None and not _as_good(chosen, best):
                yield f"{record.serial} {finding.number}: {chosen.run_id} decides, not {best.run_id}"

    def _may_decide(self, record: Record, finding: Finding, evidence: Evidence) -> bool:
        planned = next(
            c
            for p in self._world.cell.part_types
            if p.part_type == record.part_type
            for c in p.plan
            if c.number == finding.number
        )
        given = next((g for g in self._given.values() if g.run_id == evidence.run_id), None)
        times = [v.number for v in given.values].count(finding.number) if given else 0
        impossible = (
            planned.natural_limit == "zero"
            and evidence.value is not None
            and Decimal(repr(evidence.value)) < -evidence.expanded_u
        )
        return (
            evidence.quality == "good"
            and evidence.value is not None
            and evidence.unit == planned.unit
            and evidence.expanded_u * 2 / evidence.k <= planned.required_u
            and times == 1
            and not impossible
            and not self._trust.doubts(record.part_type, finding.number, evidence)
        )

    # --- orders -----------------------------------------------------------------------------------------------------------------

    def _goal(self, goal: Goal, state: CellState) -> None:
        """An order may go out only if what was told last allows it; a number belongs to one order for ever."""
        if self._goals.setdefault(goal.order, goal) != goal:
            self.say("order number used twice", f"{goal.order}")
        self.say(
            "order against what was told", *(f"{goal}: {why}" for why in self._why_not(goal, state))
        )
        self._sent[goal.order] = dict(self._knowledge.seen_ms)
        if isinstance(goal, StartRun):
            self._begun_ms.setdefault(goal.run_id, self._at_ms())
            there = self._world.floor.pallet_at(goal.station)
            self._began_as.setdefault(
                goal.run_id, self._hands.identity(there).pallet if there else ""
            )
        if not isinstance(goal, MoveHandler | ReadTag):
            self._last_to[goal.station, type(goal)] = goal.order

    def _why_not(self, goal: Goal, state: CellState) -> Iterator[str]:
        if not self._knowledge.reaches(self._world.machine_of(goal)):
            yield "its machine cannot be reached"
            return
        match goal:
            case MoveHandler():
                yield from self._why_not_move(goal, state)
            case SetDoor():
                yield from self._why_not_door(goal)
            case StartRun():
                yield from self._why_not_start(goal, state)
            case AcknowledgeResult():
                yield from self._why_not_acknowledge(goal)
            case _:
                return

    def _why_not_move(self, goal: MoveHandler, state: CellState) -> Iterator[str]:
        arm = self._knowledge.arm()
        if arm is None or arm.mode != "automatic":
            yield f"the handler is in {arm.mode if arm else 'no mode'}"
        if any(h.about == "handler" for h in state.holds.values()):
            yield "the handler is held"
        if arm is None or goal.action == "approach":
            return
        yield from _unlike("jaw", goal.pick_jaw, arm.jaws, wanted="empty")
        yield from _unlike("jaw", goal.put_jaw, arm.jaws, wanted="occupied")
        yield from self._why_not_held(goal, state)
        wanted = "empty" if goal.action == "put" else "occupied"
        if goal.place in state.stations:
            yield from self._why_not_enter(goal.place, wanted)
        elif self._knowledge.presence(goal.place) != wanted:
            yield f"{goal.place} reads {self._knowledge.presence(goal.place)}"

    def _why_not_held(self, goal: MoveHandler, state: CellState) -> Iterator[str]:
        """What waits for a person stays where it is; but in hand it would keep the handler from all others, so it may go into the rack."""
        racks = {place.place for place in self._world.cell.places if place.kind == "rack"}
        goes = {goal.picked, goal.put} if goal.place not in racks else {goal.picked}
        held = {hold.subject for hold in state.holds.values() if hold.code not in ASKS_ONLY}
        yield from (f"{each} is held" for each in sorted(held & {goal.place, *goes} - {""}))

    def _why_not_enter(self, place: str, wanted: str) -> Iterator[str]:
        station = self._knowledge.station(place)
        if station is None:
            yield "the station cannot be reached"
            return
        if station.mode != "automatic":
            yield f"the station is in {station.mode}"
        if station.door not in ("open", "none"):
            yield f"the door reads {station.door}"
        if station.work in ("running", "unknown"):
            yield f"work is {station.work}"
        if station.nest != wanted:
            yield f"the nest reads {station.nest}"

    def _why_not_door(self, goal: SetDoor) -> Iterator[str]:
        station = self._knowledge.station(goal.station)
        if goal.door == "closed":
            yield from self._arm_in_the_way(goal.station)
        elif station is None or station.work in ("running", "unknown"):
            yield f"work is {station.work if station else 'unknown'}"

    def _arm_in_the_way(self, station: str) -> Iterator[str]:
        arm = self._knowledge.arm()
        if arm is None or arm.inside in (station, "unknown"):
            yield f"the arm may be inside {station}"
            return
        goal = self._goals.get(arm.order) if arm.phase in ("accepted", "busy") else None
        if not isinstance(goal, MoveHandler) or goal.action == "approach":
            return
        if goal.place == station:
            yield f"the arm is on its way into {station}"

    def _why_not_start(self, goal: StartRun, state: CellState) -> Iterator[str]:
        yield from self._arm_in_the_way(goal.station)
        station = self._knowledge.station(goal.station)
        if station is not None:
            facets = (station.mode, station.door, station.nest, station.work, station.gate)
            for facet, values in zip(facets, MEASURES, strict=True):
                if facet not in values:
                    yield f"the station reads {facet}, not {' or '.join(values)}"
        if any(h.subject == goal.station and h.code not in ASKS_ONLY for h in state.holds.values()):
            yield "the station is held"
        pallet = state.pallets[goal.pallet]
        program = next(p for p in self._world.cell.programs if p.program == goal.program)
        if program.part_type != pallet.part_type or program.station != goal.station:
            yield f"{goal.program} is not for {pallet.part_type} at {goal.station}"
        yield from self._trust.why_not_start(goal.station, self._at_ms())
        if not self._trust.is_reference(pallet.part_type):
            yield from self._soaks(goal, pallet)
            yield from self._too_early(goal, pallet)
            yield from self._too_often(goal, pallet.entered_ms)

    def _soaks(self, goal: StartRun, pallet: PalletState) -> Iterator[str]:
        """A part that has to adapt to the temperature of the cell is not measured before."""
        plan = next(p for p in self._world.cell.part_types if p.part_type == goal.part_type)
        if plan.soak is not None and self._at_ms() < pallet.entered_ms + plan.soak.ms:
            yield f"the part on {goal.pallet} came in {self._at_ms() - pallet.entered_ms} ms ago"

    def _too_early(self, goal: StartRun, pallet: PalletState) -> Iterator[str]:
        """What the plan wants measured before anything that this program measures has been run for, unless nobody could decide it or this program does.

        A run of an earlier stay counts: its result may have come since. So does a program that was given up as often as it may: a station
        that cannot prepare it keeps no part waiting for ever.
        """
        plan = next(p for p in self._world.cell.part_types if p.part_type == goal.part_type)
        mine = [p for p in self._world.cell.programs if p.part_type == goal.part_type]
        decides = {program.program: deciding(plan, program) for program in mine}
        measures = {program.program: measuring(plan, program) for program in mine}
        run = {name for on, _, name in self._tries if on == goal.pallet}
        run |= {name for name, times in pallet.tried if times >= RUNS_MAX}
        run_for = {number for name in run & decides.keys() for number in decides[name]}
        out_of_reach = self._out_of_reach(pallet, plan, decides, measures)
        could = set[str]().union(*decides.values()) - out_of_reach
        for planned in plan.plan:
            missing = (set(planned.after) & could) - run_for - decides[goal.program]
            if (
                planned.number in measures[goal.program]
                and planned.number not in run_for
                and missing
            ):
                yield f"{goal.program} measures {planned.number} before {', '.join(sorted(missing))}"

    def _out_of_reach(
        self,
        pallet: PalletState,
        plan: PartType,
        decides: Mapping[str, frozenset[str]],
        measures: Mapping[str, frozenset[str]],
    ) -> set[str]:
        """What nobody will measure any more, as no sequence of the programs that may still be run leads there in the order of the plan."""
        runs = Counter[str](dict(pallet.tried))
        for (on, _, name), begun in self._tries.items():
            if on == pallet.pallet:
                runs[name] = max(runs[name], sum(1 for run in begun if self._world.starts[run]))
        every = set[str]().union(*decides.values())
        after = {each.number: every & {*each.after} for each in plan.plan}
        reached = {
            value.number
            for result in pallet.results
            for value in result.values
            if value.quality == "good" and value.number in decides.get(result.program, ())
        }
        left = [name for name in decides if decides[name] and runs[name] < RUNS_MAX]
        while able := [
            name
            for name in left
            if all(after[each] <= reached | decides[name] for each in measures[name] - reached)
        ]:
            reached = reached.union(*(decides[name] for name in able))
            left = [name for name in left if name not in able]
        return every - reached

    def _too_often(self, goal: StartRun, entered_ms: int) -> Iterator[str]:
        earlier = self._tries.setdefault((goal.pallet, entered_ms, goal.program), set())
        begun = sum(1 for run in earlier - {goal.run_id} if self._world.starts[run])
        if begun >= RUNS_MAX:
            yield f"run {begun + 1} of {goal.program} on {goal.pallet}"
        earlier.add(goal.run_id)

    def _why_not_acknowledge(self, goal: AcknowledgeResult) -> Iterator[str]:
        """No result of ours is acknowledged that has not come, unless a person gave the run up."""
        image = self._world.models.stations[goal.station].image()
        result = image.result
        if image.work != "finished" or result is None or result.run_id != goal.run_id:
            return
        if goal.run_id not in self._world.starts:
            return
        came = {
            given.run_id
            for name, given in self._given.items()
            if name in self._delivered and name[0] == goal.station
        }
        if result.run_id not in came and result.run_id not in self._given_up:
            yield "its result has not come"

    # --- pallets ----------------------------------------------------------------------------------------------------------------

    def _lost(self) -> Iterator[str]:
        """Every pallet on the floor is where the state says, or a hold or a tag that is being read asks about it."""
        state = self._world.state
        held = {h.subject for h in state.holds.values()}
        for place in self._places():
            there = self._world.floor.pallet_at(place)
            believed = self._believed(state, place)
            if {place, believed, "handler"} & held or self._is_between(state, place):
                continue
            if there and believed.startswith("unread@"):
                continue
            if there and not believed:
                yield f"{there} stands at {place}, which is believed empty"
            elif believed and not there:
                yield f"{believed} is believed at {place}, which is empty"
            elif there and believed not in {who.pallet for who in self._hands.ever(there)}:
                yield f"{there} stands at {place}, believed to be {believed}"

    def _believed(self, state: CellState, place: str) -> str:
        if place in state.stations:
            return state.stations[place].pallet
        if place in state.places:
            return state.places[place].pallet
        return state.handler.jaws[self._world.physics.jaws.index(place)]

    def _is_between(self, state: CellState, place: str) -> bool:
        """An order is out that changes the place, a sensor may still show what a move did, or the tag is being read: bounded waits."""
        waiting = state.outstanding.get("handler")
        if waiting is not None and place in (
            *self._world.physics.jaws,
            getattr(waiting.goal, "place", ""),
        ):
            return True
        shown = state.stations.get(place) or state.places.get(place)
        expects = shown is not None and shown.expecting != ""
        return expects or f"tag at {place}" in state.outstanding


def _unlike(what: str, number: int, seen: tuple[str, ...], *, wanted: str) -> Iterator[str]:
    """A numbered sensor that does not read as wanted; number 0 = none is asked."""
    if number and seen[number - 1] != wanted:
        yield f"{what} {number} reads {seen[number - 1]}"


def _places_of(goal: Goal, jaws: tuple[str, ...]) -> tuple[str, ...]:
    if isinstance(goal, MoveHandler):
        return (goal.place, "handler", *jaws)
    return (goal.place if isinstance(goal, ReadTag) else goal.station, "handler")


def _as_good(chosen: Evidence, best: Evidence) -> bool:
    return (
        chosen.expanded_u / chosen.k == best.expanded_u / best.k
        and chosen.measured_ms == best.measured_ms
    )
