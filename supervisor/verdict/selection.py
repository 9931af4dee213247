"""Which characteristics of a part are still open, and which programs may be asked for them.

Rules of this file:
- A mandatory characteristic is open until a capable program has given a good value, as long as one is left that may be asked.
- If the deciding value lies in the uncertainty zone, the characteristic is open as long as a more capable program may be asked.
- An informative characteristic is never open: it is taken whenever a program measures it beside others.
- Repeats are bounded: a program is not needed again after a good value, nor asked again after two runs without one.
- Nothing is open any more once a plan that says so has a characteristic that is proven nonconforming (``stopping``).

So a part is finished after at most two runs of each program, whatever the stations give.
"""

from collections.abc import Mapping, Sequence

from supervisor.cell.model import Characteristic, Reach, left_waiting
from supervisor.cell.value import replace, value
from supervisor.verdict.asking import RUNS_WITHOUT_GOOD_VALUE_MAX, runs_of, wanted_for_mean
from supervisor.verdict.averaging import missing_from
from supervisor.verdict.judging import applied, is_decided, verdict_of
from supervisor.verdict.plan_table import PlanTable
from supervisor.verdict.result import StationResult
from supervisor.verdict.stopping import ended_by
from supervisor.verdict.weighing import Weighed, precedence, weigh


@value
class OpenCharacteristic:
    """A characteristic that is still open: ``programs`` may be asked for it, the most capable first; ``why`` is for people.

    There may be none for now, until another characteristic has been measured.
    """

    number: str
    programs: tuple[str, ...]
    why: str


def still_open(
    table: PlanTable, results: Sequence[StationResult], tried: Sequence[tuple[str, int]]
) -> tuple[OpenCharacteristic, ...]:
    """What is still open, in the order of the plan; empty means that nothing more can be decided: the part is finished.

    ``results`` are this part's; ``tried`` counts, by program, its runs that ended without a result.
    """
    weighed = weigh(table, results)
    runs = runs_of(results, tried)
    if ended_by(table, weighed, runs) is not None:
        return ()
    found = (
        _opening(table, characteristic, weighed, runs)
        for characteristic in table.part_type.plan
        if characteristic.need == "mandatory"
    )
    return _within_reach(table, tuple(each for each in found if each is not None))


def _within_reach(
    table: PlanTable, opened: tuple[OpenCharacteristic, ...]
) -> tuple[OpenCharacteristic, ...]:
    """Without what nothing can measure any more in the order that the plan prescribes, because the programs left wait for each other.

    Measuring that would spoil all the same: a program that measures it is not asked for before what comes before it.
    """
    if not any(characteristic.after for characteristic in table.part_type.plan):
        return opened
    numbers = {each.number for each in opened}
    decides: dict[str, set[str]] = {}
    for each in opened:
        for program in each.programs:
            decides.setdefault(program, set()).add(each.number)
    after = {c.number: frozenset(c.after) for c in table.part_type.plan if c.number in numbers}
    programs = {
        name: Reach(decides=frozenset(wanted), measures=frozenset(table.abilities[name]))
        for name, wanted in decides.items()
    }
    _, out_of_reach = left_waiting(programs, after)
    spoils = {
        name
        for name, reach in programs.items()
        for number in (reach.decides | reach.measures) & out_of_reach
        if after[number] & (numbers - reach.decides)
    }
    return tuple(
        replace(each, programs=tuple(name for name in each.programs if name not in spoils))
        for each in opened
        if each.number not in out_of_reach
    )


def exhausted(table: PlanTable, opened: Sequence[OpenCharacteristic]) -> tuple[str, ...]:
    """The programs, in their order, that no open characteristic asks for: running them would decide nothing."""
    wanted = {program for each in opened for program in each.programs}
    return tuple(each.program for each in table.programs if each.program not in wanted)


def _opening(
    table: PlanTable,
    characteristic: Characteristic,
    weighed: Mapping[str, Sequence[Weighed]],
    runs: Mapping[str, int],
) -> OpenCharacteristic | None:
    """The characteristic with the programs that may be asked; None if it is decided or nobody is left.

    A program that has given a good value is never named again: its value decides, or a more capable one does.
    """
    values = weighed.get(characteristic.number)
    deciding = min(values, key=precedence) if values else None
    able = table.capable[characteristic.number]
    why = "no capable program has given a good value yet"
    if deciding is not None and deciding.may_decide:
        wanted = _wanted_for_mean(table, characteristic, values or (), runs)
        if wanted is not None:
            return wanted
        by = applied(table, deciding, weighed)
        if is_decided(deciding, by):
            return None
        # Ranked as declared: a value that is less sure because its part was warm is not asked of the same program again.
        declared = table.abilities[deciding.result.program][characteristic.number]
        able = [each for each in able if each.standard_u < declared.standard_u]
        why = verdict_of(deciding, by).why
    left = [
        each for each in able if runs.get(each.program.program, 0) < RUNS_WITHOUT_GOOD_VALUE_MAX
    ]
    names = tuple(each.program.program for each in left)
    return (
        OpenCharacteristic(number=characteristic.number, programs=names, why=why) if names else None
    )


def _wanted_for_mean(
    table: PlanTable,
    characteristic: Characteristic,
    values: Sequence[Weighed],
    runs: Mapping[str, int],
) -> OpenCharacteristic | None:
    """What a mean of two stations still wants, as long as it can be had."""
    left = wanted_for_mean(table, characteristic, values, runs)
    if not left:
        return None
    why = f"its mean wants a value of {' and '.join(missing_from(characteristic, values))}"
    return OpenCharacteristic(number=characteristic.number, programs=left, why=why)
