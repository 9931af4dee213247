"""Jobs that are carried between machines, by a general solver: CP-SAT of OR-Tools. Shares no code with the engine.

Rules of this file:
- ``two_vehicles`` is the problem as it was published: two vehicles begin at the load/unload place, each carries one job at a time and goes empty
  to the next; before and behind machines there is room for any number; the end is that of the last operation.
- ``one_handler`` is ours, as in handler_states.py, which it is a second opinion on: a nest blocks, and the last pallet has to be back.
- An answer is what was found and what no schedule ends before; where they are equal, the optimum is proved.
"""

from ortools.sat.python import cp_model

SECONDS_MAX = 60
VEHICLES = 2

Ways = tuple[tuple[int, ...], ...]
JobSet = tuple[tuple[tuple[int, int], ...], ...]


def two_vehicles(
    jobs: JobSet, ways: Ways, *, seconds: float = SECONDS_MAX, workers: int = 8
) -> tuple[int, int]:
    """The least end of the last operation found, and the bound."""
    model = cp_model.CpModel()
    latest = _latest(jobs, ways)
    end = model.new_int_var(0, latest, "end")
    trips: list[tuple[cp_model.IntVar, int, int]] = []
    runs: dict[int, list[cp_model.IntervalVar]] = {}
    for job in jobs:
        here, free = 0, 0
        for machine, units in job:
            leaves, begins = (model.new_int_var(0, latest, "") for _ in range(2))
            model.add(leaves >= free)
            model.add(begins >= leaves + ways[here][machine])
            run = model.new_fixed_size_interval_var(begins, units, "")
            runs.setdefault(machine, []).append(run)
            trips.append((leaves, here, machine))
            here, free = machine, begins + units
        model.add(free <= end)
    for one_after_the_other in runs.values():
        model.add_no_overlap(one_after_the_other)
    arcs: list[cp_model.ArcT] = []
    first: list[cp_model.BoolVarT] = []
    for at, (leaves, here, there) in enumerate(trips, start=1):
        first.append(model.new_bool_var(""))
        arcs += [(0, at, first[-1]), (at, 0, model.new_bool_var(""))]
        model.add(leaves >= ways[0][here]).only_enforce_if(first[-1])
        for after, (then, elsewhere, _) in enumerate(trips, start=1):
            if after != at:
                goes_on = model.new_bool_var("")
                arcs.append((at, after, goes_on))
                takes = ways[here][there] + ways[there][elsewhere]
                model.add(then >= leaves + takes).only_enforce_if(goes_on)
    model.add_multiple_circuit(arcs)
    model.add(sum(first) <= VEHICLES)
    return _solved(model, end, seconds, workers)


def one_handler(
    jobs: JobSet, ways: Ways, jaws: int, *, seconds: float = SECONDS_MAX, workers: int = 8
) -> tuple[int, int]:
    """The least time found after which everybody is back at the load/unload place, and the bound."""
    course = _Course(ways, jaws, _latest(jobs, ways))
    for job in jobs:
        course.add(job)
    return _solved(course.model, course.closed(), seconds, workers)


class _Course:
    """The handler's carries, one after the other; those by home are there if a pallet goes by home."""

    def __init__(self, ways: Ways, jaws: int, latest: int) -> None:
        self.model, self._ways, self._jaws, self._latest = cp_model.CpModel(), ways, jaws, latest
        self._end = self._time()
        self._carries: list[
            tuple[cp_model.IntVar, cp_model.IntVar, int, int, cp_model.BoolVarT | None]
        ] = []
        self._stays: dict[int, list[cp_model.IntervalVar]] = {}

    def _time(self) -> cp_model.IntVar:
        return self.model.new_int_var(0, self._latest, "")

    def _carry(
        self, here: int, there: int, done: cp_model.BoolVarT | None = None
    ) -> tuple[cp_model.IntVar, cp_model.IntVar]:
        """When it begins and ends; with two jaws the handler may stand before a machine until it can swap."""
        begin, end = self._time(), self._time()
        takes = self._ways[here][there]
        stands = self._jaws > 1 and there
        self.model.add(end >= begin + takes if stands else end == begin + takes)
        self._carries.append((begin, end, here, there, done))
        return begin, end

    def add(self, job: tuple[tuple[int, int], ...]) -> None:
        """The carries of a job and its stays in nests."""
        model, here, leaves = self.model, 0, None
        for machine, units in job:
            arrives = self._time()
            if leaves is None:
                model.add(arrives == self._carry(0, machine)[1])
            else:
                self._onward(here, machine, leaves, arrives)
            here, leaves = machine, self._time()
            model.add(leaves >= arrives + units)
            # With one jaw a nest is empty before the next pallet comes; with two they may be swapped at the same moment.
            until = leaves if self._jaws > 1 else leaves + 1
            stay = model.new_interval_var(arrives, self._time(), until, "")
            self._stays.setdefault(machine, []).append(stay)
        begin, end = self._carry(here, 0)
        model.add(begin == leaves)
        model.add(self._end >= end)

    def _onward(
        self, here: int, machine: int, leaves: cp_model.IntVar, arrives: cp_model.IntVar
    ) -> None:
        """From a nest to the next machine, at once or by home."""
        model, by_home = self.model, self.model.new_bool_var("")
        begin, end = self._carry(here, machine, by_home.negated())
        model.add(begin == leaves).only_enforce_if(by_home.negated())
        model.add(arrives == end).only_enforce_if(by_home.negated())
        begin, home = self._carry(here, 0, by_home)
        again, end = self._carry(0, machine, by_home)
        model.add(begin == leaves).only_enforce_if(by_home)
        model.add(again >= home).only_enforce_if(by_home)
        model.add(arrives == end).only_enforce_if(by_home)

    def closed(self) -> cp_model.IntVar:
        """The end, with the carries in one sequence and the stays of each nest apart."""
        model, ways, on_the_way = self.model, self._ways, []
        arcs: list[cp_model.ArcT] = []
        for stays in self._stays.values():
            model.add_no_overlap(stays)
        for at, (begin, end, here, there, done) in enumerate(self._carries, start=1):
            first = model.new_bool_var("")
            arcs += [(0, at, first), (at, 0, model.new_bool_var(""))]
            model.add(begin >= ways[0][here]).only_enforce_if(first)
            on_the_way += [ways[0][here] * first, ways[here][there] * (1 if done is None else done)]
            if done is not None:
                arcs.append((at, at, done.negated()))
            for after, (then, _, elsewhere, _, _) in enumerate(self._carries, start=1):
                if after != at:
                    goes_on = model.new_bool_var("")
                    arcs.append((at, after, goes_on))
                    model.add(then >= end + ways[there][elsewhere]).only_enforce_if(goes_on)
                    on_the_way.append(ways[there][elsewhere] * goes_on)
        model.add_circuit(arcs)
        model.add(self._end >= sum(on_the_way))
        return self._end


def _latest(jobs: JobSet, ways: Ways) -> int:
    """By then any schedule without idle time is over: all times, and for each operation and exit four of the longest ways."""
    longest = max(map(max, ways))
    return sum(units for job in jobs for _, units in job) + 4 * longest * (
        sum(map(len, jobs)) + len(jobs)
    )


def _solved(
    model: cp_model.CpModel, end: cp_model.IntVar, seconds: float, workers: int
) -> tuple[int, int]:
    model.minimize(end)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = workers
    solver.parameters.random_seed = 0
    solver.parameters.max_time_in_seconds = seconds
    status = solver.solve(model)
    assert status in {cp_model.OPTIMAL, cp_model.FEASIBLE}, solver.status_name(status)
    return round(solver.objective_value), round(solver.best_objective_bound)
