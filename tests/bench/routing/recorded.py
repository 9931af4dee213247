"""Runs a case with the step simulator of tests/unit/routing and writes down what happened, for the checker.

Rules of this file: the log holds times and names only; nothing of how the engine thinks.
"""

import gc
import time
from dataclasses import dataclass, field

from supervisor.cell.value import replace
from supervisor.routing.router import Router
from tests.bench.routing.cells import Case
from tests.unit.routing.step_simulator import Simulation, Trouble


@dataclass(frozen=True)
class Stop:
    """The handler at a place: when it began there, when it was done, whom it took and whom it left ("" = nobody)."""

    place: str
    begin_ms: int
    end_ms: int
    taken: str
    left: str


@dataclass(frozen=True)
class Run:
    """The start of a program on a pallet."""

    station: str
    program: str
    pallet: str
    start_ms: int


@dataclass
class Log:
    """What happened in one run, and what each decision took of the processor."""

    case: Case
    stops: list[Stop] = field(default_factory=list)
    runs: list[Run] = field(default_factory=list)
    makespan_ms: int = 0
    cpu_s: list[float] = field(default_factory=list)


class _Timed:
    """A router whose decisions are timed in CPU time of this process."""

    def __init__(self, router, log):
        self._router, self._log = router, log

    def choose(self, situation):
        begin_s = time.process_time()
        answer = self._router.choose(situation)
        self._log.cpu_s.append(time.process_time() - begin_s)
        return answer

    def next_program(self, *asked):
        return self._router.next_program(*asked)


class Recorded(Simulation):
    """The step simulator with a log. Every part conforms, so that no chance decides where a pallet goes."""

    def __init__(self, case: Case, policy=Router, *, late: float = 0.0, seed: int = 0):
        self.log = Log(case)
        plans = "kept" if policy is Router else "forgotten"
        trouble = Trouble(late=late, outfeed_cleared_ms=0)
        router = _Timed(policy(case.cell), self.log)
        super().__init__(case.cell, router, case.part_types, trouble, seed=seed, plans=plans)

    def ask(self):
        """As the cell does, keep nothing of a question: in thousands of them Python's search for garbage would be what is timed."""
        answer = super().ask()
        self.outcome.situations.clear()
        answers = self.outcome.answers
        answers[-1] = replace(answer, alternatives=())
        answers[-2:-1] = [replace(before, plan=(), way=()) for before in answers[-2:-1]]
        return answer

    def judge(self, part):
        super().judge(part)
        if part.sorting == "nonconforming":
            part.sorting = "conforming"

    def travel(self, place):
        ways_ms = self.log.case.ways_ms
        if not ways_ms:
            super().travel(place)
            return
        to_mm = self.at_mm[place]
        self.advance(self.now_ms + ways_ms[self.here_mm][to_mm])
        self.here_mm = to_mm

    def leave(self, part):
        if not self.hand:  # taken alone; a swap is written down where its other half is put down
            pick_ms = self.cell.handler.pick_ms
            self.log.stops.append(
                Stop(part.place, self.now_ms - pick_ms, self.now_ms, part.pallet, "")
            )
        super().leave(part)

    def put_down(self, answer):
        begin_ms, placed = self.now_ms, self.hand
        super().put_down(answer)
        self.log.stops.append(Stop(answer.target, begin_ms, self.now_ms, answer.displaced, placed))

    def begin(self, nest, part, program):
        super().begin(nest, part, program)
        self.log.runs.append(Run(nest.station, program.program, part.pallet, self.now_ms))


def run(case: Case, policy=Router, *, late: float = 0.0, seed: int = 0) -> Log:
    """One whole run; raises if a pallet is left over.

    What was loaded before is kept from Python's search for garbage, as the supervisor does when it has started (``supervisor/app.py``).
    """
    gc.collect()
    gc.freeze()
    try:
        simulation = Recorded(case, policy, late=late, seed=seed)
        outcome = simulation.run()
    finally:
        gc.unfreeze()
    assert not outcome.left, f"{case.name}: {outcome.left} did not get out"
    simulation.log.makespan_ms = outcome.makespan_ms
    return simulation.log
