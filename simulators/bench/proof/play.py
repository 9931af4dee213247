"""One transition of the exploration while it runs: what the core is told, what it orders, what becomes of that on the way.

Rules of this file:
- A transition is one thing that happens in the world, and all that follows from it at once. Whoever is not in trouble is prompt:
  images, answers and results reach the core at once, goals their machine. Only what the budget of trouble pays for is late, lost,
  doubled or refused; how late is open.
- Wherever something may go one way or another, ``choose`` follows a script, and the explorer plays every script.
- Names of numbers, boots and counters change with the core's canonical form; everything outside the core changes along.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from simulators.bench.proof import form, images
from simulators.bench.proof.decisions import Decisions, Outcome
from simulators.bench.proof.machines import Names, Said, World
from simulators.bench.proof.truth import (
    Blame,
    Budget,
    Kept,
    Kind,
    Lag,
    Link,
    Order,
    State,
    Station,
    Touch,
)
from supervisor.core.commands import (
    Goal,
    MoveHandler,
    PrepareProgram,
    ReadTag,
    SetDoor,
    StartRun,
    subject,
)
from supervisor.core.events import Event, OrderAnswered, SupervisorStarted
from supervisor.core.state import CellState

FACTS_MAX = 300
STARTED = SupervisorStarted(declaration="", version="proof", fence=0)


@dataclass(frozen=True, slots=True)
class Scene:
    """What all transitions of one exploration share."""

    names: Names
    decisions: Decisions


class Play:
    """A transition that runs. ``choices`` tells which way was taken at each fork and how many ways there were."""

    def __init__(self, scene: Scene, state: State, script: tuple[int, ...]) -> None:
        """Take up a state; ``script`` is followed at the first forks, then the first way is taken."""
        self.scene = scene
        self.names = scene.names
        self.core = state.core
        self.world = World(scene.names, state)
        self.reader: Link = state.reader
        self.channels = list(state.channels)
        self.lags = list(state.lags)
        self.touched: list[Touch] = list(state.touched)
        self.kept = list(state.kept)
        self.left: Budget = state.left
        self.answers: list[Kept] = []
        self.breath: list[Kept] = []
        self.choices: list[tuple[int, int]] = []
        self.told: list[str] = []
        self._script = script
        self._strangers = 0

    @property
    def believed(self) -> CellState:
        """The core's state."""
        return self.scene.decisions.states[self.core]

    def choose(self, *ways: str) -> str:
        """Take one of several ways."""
        if len(ways) == 1:
            return ways[0]
        at = len(self.choices)
        taken = self._script[at] if at < len(self._script) else 0
        self.choices.append((taken, len(ways)))
        return ways[taken]

    def spend(self, kind: Kind, what: str) -> None:
        """Trouble comes."""
        self.left = self.left.without(kind)
        self.told.append(what)

    def up(self, machine: int) -> bool:
        """Whether a machine is connected."""
        if machine == self.names.reader:
            return self.reader == "up"
        if machine == self.names.handler:
            return self.world.handler.link == "up"
        return self.world.stations[machine].link == "up"

    # --- the core is told -----------------------------------------------------------------------------------------------------------

    def tell(self, event: Event) -> None:
        """The core decides on a fact; its goals go out, unless the supervisor dies before."""
        outcome = self.scene.decisions.after(self.core, event)
        self.told.append(images.in_words(event))
        self.world.violations += outcome.trouble
        self._rename(outcome)
        ways = ["alive"]
        if outcome.goals and self.left.allows("restart"):
            ways.append("dies")
        if self.choose(*ways) == "dies":
            self.spend("restart", "the supervisor dies before its goals go out")
            self.start_supervisor()
            return
        for goal in outcome.goals:
            self._send(goal)

    def start_supervisor(self) -> None:
        """A new supervisor process: nothing is on its way any more, and nobody is connected."""
        for machine in range(self.names.reader + 1):
            self.disconnect(machine)
        self.kept.clear()
        self.answers.clear()
        self.tell(STARTED)

    def disconnect(self, machine: int) -> None:
        """What was on its way to or from a machine is lost. A result that the core was not told is read again."""
        self.channels[machine] = ()
        self.lags[machine] = None
        self.kept = [each for each in self.kept if each.machine != machine]
        self.answers = [each for each in self.answers if each.machine != machine]
        self.breath = [each for each in self.breath if each.machine != machine]
        if machine == self.names.reader:
            self.reader = "down"
        elif machine == self.names.handler:
            self.world.move(link="down")
        else:
            self.world.change(machine, link="down")
            self._read_result_again(machine)

    def cut(self, machine: int) -> None:
        """A connection is lost, and the core is told so."""
        known = self.up(machine)
        self.disconnect(machine)
        if known:
            self.tell(images.gone(self.names, machine))

    def connect(self, machine: int) -> None:
        """A connection is back."""
        if machine == self.names.reader:
            self.reader = "up"
        elif machine == self.names.handler:
            self.world.move(link="up")
        else:
            self.world.change(machine, link="up")

    def restart(self, machine: int) -> None:
        """The control of a station or of the handler starts anew: it forgets what it did, and is connected anew."""
        if machine == self.names.handler:
            self.world.restart_handler()
        else:
            self.world.restart_station(machine)
        self.cut(machine)

    def _read_result_again(self, at: int) -> None:
        result = self.world.stations[at].result
        if result is not None:
            self.world.change(at, result=result._replace(told="no"))

    def settle(self) -> None:
        """Let everything be told that is new and prompt."""
        for _ in range(FACTS_MAX):
            if self.world.violations or not self._tell_next():
                return
        self.world.violations.append("facts and goals of one moment do not come to an end")

    def _tell_next(self) -> bool:
        if self.breath:
            self._show(*self.breath.pop())
            return True
        if self.answers:
            self._bring(self.answers.pop(0))
            return True
        for at, station in enumerate(self.world.stations):
            result = station.result
            if station.link == "up" and result is not None and result.told == "no":
                self._tell_result(at)
                return True
        return any(
            self._show(machine, self.image(machine)) for machine in range(self.names.reader + 1)
        )

    def _tell_result(self, at: int) -> None:
        """A result, and in the same breath the image that it came with."""
        result = self.world.stations[at].result
        assert result is not None
        self.breath.append(Kept(at, self.image(at)))
        self.world.change(at, result=result._replace(told="yes"))
        self._bring(Kept(at, images.result(self.names, self.world, at)))

    def _bring(self, brought: Kept) -> None:
        """An answer, a result or a tag on its way to the core."""
        fact = brought.fact
        ways = ["now"]
        if self.left.allows("late"):
            ways += ["late", "twice"]
        if self.left.allows("loss"):
            ways.append("lost")
        way = self.choose(*ways)
        if way == "lost":
            self.spend("loss", f"lost: {images.in_words(fact)}")
            return
        if way != "now":
            self.spend("late", f"{way}: {images.in_words(fact)}")
            self.kept.append(brought)
        if way != "late":
            self.tell(fact)

    def _show(self, machine: int, image: Event) -> bool:
        """Let the core see an image of a machine, if it is connected, not lagging, and looks otherwise than the core knows."""
        lag = self.lags[machine]
        if not self.up(machine) or (lag is not None and lag.kind == "lagging"):
            return False
        if images.is_known(self.believed, image):
            self.touched[machine] = "no"
            return False
        ways = ["now"]
        if lag is None and self.left.allows("late"):
            ways += ["lagging", "copy"]
        way = self.choose(*ways)
        if way == "lagging":
            self.spend("late", f"from here on late: {images.in_words(image)}")
            self.lags[machine] = Lag(kind="lagging", image=image)
            return True
        if way == "copy":
            self.spend("late", f"later again: {images.in_words(image)}")
            self.lags[machine] = Lag(kind="copy", image=images.older(image))
        self.see(machine, image)
        return True

    def image(self, machine: int) -> Event:
        """How a machine looks now."""
        return images.of(self.names, self.world, machine)

    def see(self, machine: int, image: Event) -> None:
        """The core gets an image; a present one shows everything that people did."""
        if images.is_same(image, self.image(machine)):
            self.touched[machine] = "no"
        self.tell(image)

    # --- goals go out -----------------------------------------------------------------------------------------------------------------

    def _send(self, goal: Goal) -> None:
        machine = self._machine(goal)
        self.told.append(f"  -> {images.goal_in_words(goal)}")
        if not self.up(machine):
            self.world.violations.append(
                f"{type(goal).__name__} goes out to a machine that is not connected"
            )
            return
        order = Order(goal=goal, blame=self._blame(goal))
        self._check_mode(machine, order)
        if self.channels[machine]:
            self._queue(machine, order)
            return
        way = self.choose(*self._ways())
        if way == "now":
            self.carry_out(machine, order)
        elif way == "refused":
            self.spend("fault", f"refused: {type(goal).__name__}")
            self._answer(machine, goal.order, "refused")
        elif way == "lost":
            self.spend("loss", f"lost: {type(goal).__name__}")
        else:
            self.spend("late", f"late: {type(goal).__name__}")
            self._queue(machine, order)

    def _ways(self) -> Iterator[str]:
        yield "now"
        if self.left.allows("loss"):
            yield "lost"
        if self.left.allows("late"):
            yield "late"
        if self.left.allows("fault"):
            yield "refused"

    def _machine(self, goal: Goal) -> int:
        if isinstance(goal, ReadTag):
            return self.names.reader
        if isinstance(goal, MoveHandler):
            return self.names.handler
        return self.names.station[goal.station]

    def watcher(self, spot: str) -> int:
        """The machine that shows whether a spot is occupied."""
        if spot in self.names.jaws:
            return self.names.handler
        return self.names.station.get(spot, self.names.reader)

    def _blame(self, goal: Goal) -> Blame:
        about = [self._machine(goal)]
        if isinstance(goal, MoveHandler):
            about.append(self.watcher(goal.place))
        elif isinstance(goal, SetDoor | StartRun) and self.world.handler.inside == goal.station:
            about.append(self.names.handler)
        touched = [self.touched[machine] for machine in about]
        if "people" in touched:
            return "people"
        return "mode" if "mode" in touched else "core"

    def touch(self, spot: str, what: Literal["mode", "people"] = "people") -> None:
        """Something changes at a spot: what is ordered there already, or before the core can see it, is not held against the core."""
        machine = self.watcher(spot)
        self.touched[machine] = _worse(self.touched[machine], what)
        self.channels[machine] = tuple(
            order._replace(blame=_worse(order.blame, what)) for order in self.channels[machine]
        )
        self.channels[self.names.handler] = tuple(
            order._replace(blame=_worse(order.blame, what))
            if _is_about(order.goal, spot)
            else order
            for order in self.channels[self.names.handler]
        )
        handler = self.world.handler
        if handler.step and (spot == handler.place or spot in self.names.jaws):
            self.world.move(blame=_worse(handler.blame, what))

    def _check_mode(self, machine: int, order: Order) -> None:
        """A machine that a person drives, or that has a fault, is not to be set in motion."""
        goal = order.goal
        if isinstance(goal, MoveHandler):
            modes = [self.world.handler.mode]
            if goal.action != "approach" and goal.place in self.names.station:
                modes.append(self.world.stations[self.names.station[goal.place]].mode)
        elif isinstance(goal, SetDoor | PrepareProgram | StartRun):
            modes = [self.world.stations[machine].mode]
        else:
            return
        if any(mode != "automatic" for mode in modes) and order.blame == "core":
            self.world.violations.append(f"{type(goal).__name__} to a machine in mode {modes}")

    def _queue(self, machine: int, order: Order) -> None:
        """On its way; a newer goal takes the place of an older one about the same."""
        about = subject(order.goal)
        waiting = [each for each in self.channels[machine] if subject(each.goal) != about]
        self.channels[machine] = (*waiting, order)

    def carry_out(self, machine: int, order: Order) -> None:
        """A machine gets an order."""
        goal = order.goal
        if isinstance(goal, ReadTag):
            self.answers.append(Kept(machine, images.tag(self.names, self.world, goal)))
            return
        if machine == self.names.handler:
            self._answer(machine, goal.order, self.world.order_handler(order))
            return
        said = self.world.order_station(machine, order)
        if said != "done" or not self.world.echoes(machine):
            self._answer(machine, goal.order, said)

    def _answer(self, machine: int, order: int, said: Said) -> None:
        if said:
            answer = OrderAnswered(order=order, outcome=said, why="")
            self.answers.append(Kept(machine, answer))

    def step_station(self, at: int) -> None:
        """Let a station go on; one that shows no names answers that a program is loaded."""
        asked = self.world.stations[at].asked
        if self.world.step_station(at) == "done":
            self.world.change(at, asked=0)
            if not self.world.echoes(at) and self.up(at):
                self._answer(at, asked, "done")

    # --- names ----------------------------------------------------------------------------------------------------------------------

    def _rename(self, outcome: Outcome) -> None:
        """Take over how names changed. A number that the core has forgotten gets one that the core has never used."""
        self.core = outcome.core
        names = outcome.names
        if names is None:
            return
        if outcome.dropped:
            numbers = dict(names.numbers)
            for number in dict.fromkeys(n for n in self._numbers() if n in outcome.dropped):
                self._strangers += 1
                numbers[number] = 900 - self._strangers
            names = names._replace(numbers=numbers)
        self._apply(names)

    def _numbers(self) -> Iterator[int]:
        """Every number outside the core, in a fixed order."""
        for station in self.world.stations:
            yield station.run
            yield station.asked
            if station.result is not None:
                yield station.result.run
        yield self.world.handler.order
        for order in (order for channel in self.channels for order in channel):
            yield from form.numbers_of_goal(order.goal)
        for each in (*self.kept, *self.answers, *self.breath):
            yield from form.numbers_of_event(each.fact)
        for lag in self.lags:
            if lag is not None:
                yield from form.numbers_of_event(lag.image)
        yield self.world.handler.last
        yield from (station.last for station in self.world.stations)

    def _apply(self, names: form.Renaming) -> None:
        numbers = names.numbers
        for at, station in enumerate(self.world.stations):
            name = self.names.stations[at]
            self.world.stations[at] = _renamed_station(
                station, numbers, names.boots[name], names.shifts[name]
            )
        handler = self.world.handler
        self.world.move(
            order=numbers.get(handler.order, handler.order),
            last=numbers.get(handler.last, handler.last),
            boot=form.renamed_boot(handler.boot, names.boots["handler"]),
        )
        self.channels = [
            tuple(order._replace(goal=form.renamed_goal(order.goal, numbers)) for order in channel)
            for channel in self.channels
        ]
        self.kept = [_renamed_kept(each, names) for each in self.kept]
        self.answers = [_renamed_kept(each, names) for each in self.answers]
        self.breath = [_renamed_kept(each, names) for each in self.breath]
        self.lags = [
            lag and lag._replace(image=form.renamed_event(lag.image, names)) for lag in self.lags
        ]

    # --- the state after it -----------------------------------------------------------------------------------------------------------

    def state(self) -> State:
        """The state after the transition, with everything dropped that can make no difference."""
        self._forget_what_is_over()
        self._name_strangers()
        return State(
            core=self.core,
            stations=tuple(self.world.stations),
            handler=self.world.handler,
            reader=self.reader,
            floor=tuple(self.world.floor),
            channels=tuple(self.channels),
            lags=tuple(self.lags),
            touched=tuple(self.touched),
            kept=tuple(sorted(self.kept, key=repr)),
            left=self.left,
        )

    def _forget_what_is_over(self) -> None:
        """A run that nobody can start again, and a result kept aside that cannot come again."""
        believed = self.believed
        for at, station in enumerate(self.world.stations):
            run = believed.stations[self.names.stations[at]].run
            ordered = {n for order in self.channels[at] for n in form.numbers_of_goal(order.goal)}
            if station.last not in ordered and (run is None or run.run_no != station.last):
                self.world.change(at, last=0)
        aside = {form.run_number(each.result_id) for each in believed.unassigned}
        if aside:
            over = frozenset(aside - set(self._numbers()))
            if over:
                self._rename(self.scene.decisions.pruned(self.core, over))

    def _name_strangers(self) -> None:
        """Numbers that the core does not know are counted from 1 in a fixed order."""
        strangers = dict.fromkeys(n for n in self._numbers() if 0 < n < form.FIRST_NUMBER)
        numbers = {number: 1 + at for at, number in enumerate(strangers)}
        if any(old != new for old, new in numbers.items()):
            boots = {name: {b: b for b in "0123"} | {"": ""} for name in self._sources()}
            self._apply(form.Renaming(numbers=numbers, boots=boots, shifts=dict.fromkeys(boots, 0)))

    def _sources(self) -> tuple[str, ...]:
        return (*self.names.stations, "handler")


def _worse(one: str, other: Literal["mode", "people"]) -> Literal["mode", "people"]:
    return "people" if "people" in (one, other) else "mode"


def _renamed_kept(kept: Kept, names: form.Renaming) -> Kept:
    return kept._replace(fact=form.renamed_event(kept.fact, names))


def _is_about(goal: Goal, spot: str) -> bool:
    return isinstance(goal, MoveHandler) and goal.place == spot


def _renamed_station(
    station: Station, numbers: Mapping[int, int], boots: Mapping[str, str], shift: int
) -> Station:
    result = station.result
    if result is not None:
        result = result._replace(
            run=numbers.get(result.run, result.run), counter=form.shifted(result.counter, shift)
        )
    return station._replace(
        run=numbers.get(station.run, station.run),
        last=numbers.get(station.last, station.last),
        asked=numbers.get(station.asked, station.asked),
        boot=form.renamed_boot(station.boot, boots),
        counter=form.shifted(station.counter, shift),
        result=result,
    )
