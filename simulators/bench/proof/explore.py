"""All states that can be reached, breadth first, and whether from each of them the cell gets empty again.

Rules of this file:
- A state is explored once; every move, and every way that a move may go, is played.
- The first thing that is wrong ends the exploration, with the shortest way that leads there.
- Liveness by backward reachability: the ordinary course (edges that cost nothing of the budget) must lead from every state to a
  state in which the cell is empty and nobody is asked for anything.
"""

from array import array
from collections.abc import Iterator, Sequence
from time import perf_counter
from typing import NamedTuple

from simulators.bench.proof import judge
from simulators.bench.proof.cells import ProofCell
from simulators.bench.proof.decisions import Decisions
from simulators.bench.proof.machines import Names
from simulators.bench.proof.moves import possible
from simulators.bench.proof.people import Move
from simulators.bench.proof.play import Play, Scene
from simulators.bench.proof.truth import NOBODY, Budget, Handler, State, Station

STATES_MAX = 50_000_000


class Step(NamedTuple):
    """One transition on a way: what happened, which way it took at its forks, and what was told."""

    text: str
    script: tuple[int, ...]
    told: tuple[str, ...]


class Finding(NamedTuple):
    """What is wrong, and the way there."""

    what: tuple[str, ...]
    way: tuple[Step, ...]


class Report(NamedTuple):
    """What an exploration came to. ``finding`` is None if nothing was wrong; ``closed``: whether every state was explored."""

    cell: str
    pallets: int
    budget: Budget
    states: int
    transitions: int
    core_states: int
    decisions: int
    seconds: float
    closed: bool
    finding: Finding | None


class Explorer:
    """One exploration."""

    def __init__(self, cell: ProofCell, budget: Budget) -> None:
        """Begin with all pallets in the rack and everything connected."""
        names = Names(cell)
        self.scene = Scene(names=names, decisions=Decisions(cell))
        self.cell = cell
        self.budget = budget
        self.states: list[State] = []
        self.transitions = 0
        self._numbers: dict[State, int] = {}
        self._parents = array("l")
        self._ways: list[tuple[str, tuple[int, ...]]] = []
        self._free_from = array("l")
        self._free_to = array("l")

    def explore(self, *, states_max: int = STATES_MAX) -> Report:
        """Explore until nothing new is found, something is wrong, or there are too many states."""
        begun_s = perf_counter()
        self._take(self.start(), -1, ("the start", ()))
        finding, at = None, 0
        while at < len(self.states) and finding is None and len(self.states) <= states_max:
            finding = self._explore_one(at)
            at += 1
        closed = at == len(self.states)
        if finding is None and closed:
            finding = self._look_for_dead_ends()
        return Report(
            cell=self.cell.name,
            pallets=len(self.cell.parts),
            budget=self.budget,
            states=len(self.states),
            transitions=self.transitions,
            core_states=len(self.scene.decisions.states),
            decisions=self.scene.decisions.made,
            seconds=perf_counter() - begun_s,
            closed=closed,
            finding=finding,
        )

    def walk(self, way: Sequence[tuple[str, tuple[int, ...]]]) -> Play | None:
        """The transition that ends a way, given as moves with the way that each took at its forks.

        None where the last move is not possible; an earlier one that is not possible raises LookupError.
        """
        state, last = self.start(), None
        for at, (text, script) in enumerate(way, start=1):
            moves = {move.text: move for move in possible(Play(self.scene, state, ()))}
            if text not in moves:
                if at == len(way):
                    return None
                raise LookupError(f"{at}. {text!r} is not possible, but {sorted(moves)}")
            last = Play(self.scene, state, script)
            moves[text].act(last)
            last.settle()
            state = last.state()
        return last

    def start(self) -> State:
        """All pallets in the rack; the supervisor has started and everything is connected."""
        names = self.scene.names
        machines = names.reader + 1
        floor = [NOBODY] * len(names.spots)
        for part, rack in enumerate(names.racks):
            floor[names.spot[rack]] = part
        state = State(
            core=0,
            stations=tuple(
                Station(boot="2", door="closed" if kind.door == "has" else "none")
                for kind in self.cell.kinds
            ),
            handler=Handler(boot="2"),
            reader="up",
            floor=tuple(floor),
            channels=((),) * machines,
            lags=(None,) * machines,
            touched=("no",) * machines,
            kept=(),
            left=Budget(),
        )
        play = Play(self.scene, state, ())
        play.start_supervisor()
        for machine in range(machines):
            play.connect(machine)
        play.settle()
        assert not play.world.violations, play.world.violations
        return play.state()._replace(left=self.budget)

    def _take(self, state: State, parent: int, way: tuple[str, tuple[int, ...]]) -> int:
        number = self._numbers.get(state)
        if number is None:
            number = self._numbers[state] = len(self.states)
            self.states.append(state)
            self._parents.append(parent)
            self._ways.append(way)
        return number

    # --- forward --------------------------------------------------------------------------------------------------------------------

    def _explore_one(self, at: int) -> Finding | None:
        state = self.states[at]
        free = 0
        for move in possible(Play(self.scene, state, ())):
            for script, play in plays(self.scene, state, move):
                self.transitions += 1
                if play.world.violations:
                    return self._finding(at, move.text, play)
                after = play.state()
                number = self._take(after, at, (move.text, script))
                if number != at and after.left == state.left:
                    free += 1
                    self._free_from.append(at)
                    self._free_to.append(number)
        return self._look_at_rest(at, free)

    def _look_at_rest(self, at: int, free: int) -> Finding | None:
        wrong = self.wrong_at_rest(self.states[at], free)
        return Finding(wrong, self._way_to(at)) if wrong else None

    def wrong_at_rest(self, state: State, free: int) -> tuple[str, ...]:
        """What is wrong with a state with nothing on its way and nobody asked; ``free`` counts the moves that the world can make."""
        believed = self.scene.decisions.states[state.core]
        if believed.holds or any(state.channels) or any(state.lags) or state.kept:
            return ()
        if state.handler.step or self._is_out_of_order(state) or set(believed.timers) - {"routing"}:
            return ()
        floor = dict(zip(self.scene.names.spots, state.floor, strict=True))
        wrong = tuple(judge.pallets_elsewhere(self.cell, believed, floor))
        if not free and believed.pallets:
            return (*wrong, "the cell rests, pallets are in it, and nobody is asked")
        return wrong

    def _is_out_of_order(self, state: State) -> bool:
        """Whether something is not connected or not in automatic, which people see."""
        machines = (*state.stations, state.handler)
        return state.reader == "down" or any(
            machine.link == "down" or machine.mode != "automatic" for machine in machines
        )

    # --- backward -------------------------------------------------------------------------------------------------------------------

    def _look_for_dead_ends(self) -> Finding | None:
        """A state from which the ordinary course does not lead to an empty cell."""
        alive = self._leads_to(
            [number for number, state in enumerate(self.states) if self._is_empty(state)]
        )
        dead = next((number for number in range(len(self.states)) if not alive[number]), None)
        if dead is None:
            return None
        text = "from here the cell never gets empty, whatever people answer"
        return Finding((text,), self._way_to(dead))

    def _is_empty(self, state: State) -> bool:
        believed = self.scene.decisions.states[state.core]
        return not believed.pallets and not believed.holds and set(state.floor) == {NOBODY}

    def _leads_to(self, goals: list[int]) -> bytearray:
        """By state: whether an edge that costs nothing, or several, lead to one of the goals."""
        count = len(self.states)
        first = array("l", [0]) * (count + 1)
        for target in self._free_to:
            first[target + 1] += 1
        for number in range(count):
            first[number + 1] += first[number]
        filled = array("l", first)
        sources = array("l", [0]) * len(self._free_to)
        for source, target in zip(self._free_from, self._free_to, strict=True):
            sources[filled[target]] = source
            filled[target] += 1
        reached = bytearray(count)
        ahead = list(goals)
        for goal in goals:
            reached[goal] = 1
        while ahead:
            target = ahead.pop()
            for source in sources[first[target] : first[target + 1]]:
                if not reached[source]:
                    reached[source] = 1
                    ahead.append(source)
        return reached

    # --- ways -----------------------------------------------------------------------------------------------------------------------

    def _finding(self, at: int, text: str, play: Play) -> Finding:
        script = tuple(choice for choice, _ in play.choices)
        last = Step(text=text, script=script, told=tuple(play.told))
        return Finding(tuple(play.world.violations), (*self._way_to(at), last))

    def _way_to(self, number: int) -> tuple[Step, ...]:
        """The way from the start, played once more for what was told."""
        numbers: list[int] = []
        while number > 0:
            numbers.append(number)
            number = self._parents[number]
        steps: list[Step] = []
        for number in reversed(numbers):
            text, script = self._ways[number]
            state = self.states[self._parents[number]]
            move = next(m for m in possible(Play(self.scene, state, ())) if m.text == text)
            play = Play(self.scene, state, script)
            move.act(play)
            play.settle()
            steps.append(Step(text=text, script=script, told=tuple(play.told)))
        return tuple(steps)


def plays(scene: Scene, state: State, move: Move) -> Iterator[tuple[tuple[int, ...], Play]]:
    """Every way that a move may go."""
    scripts: list[tuple[int, ...]] = [()]
    while scripts:
        script = scripts.pop()
        play = Play(scene, state, script)
        move.act(play)
        play.settle()
        yield script, play
        taken = [choice for choice, _ in play.choices]
        for fork in range(len(script), len(taken)):
            others = range(1, play.choices[fork][1])
            scripts += [(*taken[:fork], other) for other in others]
