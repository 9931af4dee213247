"""The canonical form of a state of the core: equal for all states that behave alike, so that the state space closes.

Rules of this file, with the argument for each; ``tests/property/proof`` runs core states against other states of the same form:
- *Numbers* of orders and runs are renamed by their appearance. The core compares them for equality only, and with the next number,
  which stays above all others: a renaming that keeps them apart changes nothing. Names of holds are renamed by age: the core sorts
  them, and by age they are sorted before and after.
- *Times* are dropped. A timer fires no earlier than it is due, and the explorer lets it fire at any moment: all due times are "now".
  What is left of a run's start is whether its expected end is still to come (``YOUNG_MS``) or past (``OLD_MS``). Routing weighs
  further how long pallets have waited; that is what the exploration leaves out (see docs/explanation/proof.md).
- *Clocks of sources* are compared with the last accepted one only: that is 1, older ones are 0, newer ones 2.
- *Boot names* are compared for equality only. *Counters* only by their differences, so that each station's may be shifted.
- *Texts* for people, figures, corrections at machine tools, costs and counts of visits are never read by a rule.
- Order within the dictionaries of the state matters for holds only (the first of a subject speaks for it); all others are sorted.
- The declaration does not change.
- A field that this file does not know is left as it is: at worst a state is explored twice.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple, Protocol, TypeVar

from simulators.bench.proof.cells import RESULT_MS
from supervisor.cell.value import replace
from supervisor.core.commands import AbortRun, AcknowledgeResult, Goal, StartRun
from supervisor.core.events import (
    Event,
    HandlerObserved,
    OrderAnswered,
    ResultArrived,
    StationObserved,
    TagRead,
)
from supervisor.core.state import (
    CellState,
    HandlerState,
    Hold,
    Outstanding,
    PalletState,
    PlaceState,
    ReaderState,
    Run,
    StationState,
    Timer,
    Unassigned,
)
from supervisor.verdict.result import StationResult

NOW_MS = 1_000_000_000
YOUNG_MS = NOW_MS
OLD_MS = NOW_MS - 2 * RESULT_MS
FIRST_NUMBER = 1_001
NEXT_NUMBER = 1_501
COUNT = 10
"""Where the counter of every station stands, or stood when the run began."""

T = TypeVar("T")


class Rename(Protocol):
    """Renames one part of a state."""

    def __call__(self, part: T, how: "Callable[[T, Renaming], T]") -> T:
        """The canonical form of a part."""
        ...


class Renaming(NamedTuple):
    """How numbers, boots and counters were renamed: ``boots`` and ``shifts`` by source."""

    numbers: Mapping[int, int]
    boots: Mapping[str, Mapping[str, str]]
    shifts: Mapping[str, int]


def run_name(number: int) -> str:
    """The name of a run as text; "" for none."""
    return f"R{number}" if number else ""


def run_number(name: str) -> int:
    """The number in a run's name, or in the name of its result; 0 for none."""
    return int(name[1:]) if name else 0


# --- the core's state -----------------------------------------------------------------------------------------------------------


class Forms:
    """Canonical forms of states, with one object for each part of them that is equal.

    Most of a state is what it was before; a part that is canonical already and keeps its names is found by its identity.
    """

    def __init__(self) -> None:
        """Know nothing yet."""
        self._numbers: dict[int, int] = {}
        self._parts: dict[Any, Any] = {}
        self._named: dict[int, tuple[int, ...]] = {}

    def canonical(self, state: CellState) -> tuple[CellState, Renaming, tuple[int, ...]]:
        """The canonical form of a state, how names were changed to get there, and a key that equal forms share."""
        renaming = _renaming(state)
        identity = not any(renaming.shifts.values()) and all(
            old == new for boots in renaming.boots.values() for old, new in boots.items()
        )
        key: list[int] = []
        part = self._keep(renaming, "same" if identity else "moved", key)
        form = _renamed_state(state, renaming, part)
        key.append(self._number_of((form.want, tuple(form.timers), form.unassigned)))
        return form, renaming, tuple(key)

    def _keep(self, names: Renaming, boots: str, key: list[int]) -> "Rename":
        """Renames one part of a state, or finds that nothing has to be done, and adds its number to the key."""
        numbers = names.numbers

        def rename(part: T, how: Callable[[T, Renaming], T]) -> T:
            named = self._named.get(id(part))
            if named is None or boots == "moved" or any(numbers[n] != n for n in named):
                made = how(part, names)
                part = self._parts.setdefault(made, made)
                if id(part) not in self._numbers:
                    self._named[id(part)] = tuple(n for n in _numbers_in(part) if n > 0)
                    self._numbers[id(part)] = len(self._numbers)
            key.append(self._numbers[id(part)])
            return part

        return rename

    def _number_of(self, part: object) -> int:
        kept = self._parts.setdefault(part, part)
        return self._numbers.setdefault(id(kept), len(self._numbers))


def _renaming(state: CellState) -> Renaming:
    return Renaming(
        numbers={number: FIRST_NUMBER + at for at, number in enumerate(_numbers(state))},
        boots={
            "handler": {state.handler.boot: "1"},
            **{name: _boots(station) for name, station in state.stations.items()},
        },
        shifts={name: _shift(station) for name, station in state.stations.items()},
    )


def aged(state: CellState) -> CellState:
    """The same state so much later that every run is expected to be over."""
    stations = {name: _aged_station(station) for name, station in state.stations.items()}
    return replace(state, stations=stations)


def without_unassigned(state: CellState, numbers: frozenset[int]) -> CellState:
    """The same state without results kept aside of runs whose result can never come again."""
    left = tuple(r for r in state.unassigned if run_number(r.result_id) not in numbers)
    return replace(state, unassigned=left)


def _aged_station(station: StationState) -> StationState:
    run = station.run
    if run is None or not run.started_ms:
        return station
    return replace(station, run=replace(run, started_ms=OLD_MS))


def _numbers(state: CellState) -> dict[int, None]:
    """Every number of a run or order that the state names, once, in a fixed order."""
    found = dict.fromkeys(number for number in _all_numbers(state) if number > 0)
    assert len(found) < NEXT_NUMBER - FIRST_NUMBER
    return found


def _all_numbers(state: CellState) -> Iterator[int]:
    for about in sorted(state.outstanding):
        yield from numbers_of_goal(state.outstanding[about].goal)
    for station in state.stations.values():
        yield from _numbers_in(station)
    yield state.handler.order
    for name in sorted(state.pallets):
        yield from _numbers_in(state.pallets[name])
    for aside in state.unassigned:
        yield run_number(aside.result_id)
        yield run_number(aside.run_id)


def _numbers_in(part: object) -> Iterator[int]:
    """The numbers that a part of a state names."""
    match part:
        case Outstanding():
            yield from numbers_of_goal(part.goal)
        case StationState():
            if part.run is not None:
                yield part.run.run_no
            yield run_number(part.run_id)
            yield run_number(next(iter(part.ended), ""))
        case HandlerState():
            yield part.order
        case PalletState():
            for result in part.results:
                yield run_number(result.run_id)
                yield run_number(result.result_id)
        case _:
            pass


def _boots(station: StationState) -> dict[str, str]:
    names = {station.boot: "1", "": ""}
    if station.run is not None:
        names.setdefault(station.run.boot_before, "0")
    return names


def _shift(station: StationState) -> int:
    run = station.run
    if run is not None and run.counter_before >= 0:
        return COUNT - run.counter_before
    return COUNT - station.counter if station.counter >= 0 else 0


def _renamed_state(state: CellState, names: Renaming, part: "Rename") -> CellState:
    return CellState(
        declaration="",
        want=state.want,
        fence=0,
        stay="",
        agreement={},  # told to people; nothing is decided from it
        tool_offsets={},
        trust={},  # what the proof explores declares neither calibrations nor reference parts
        next_order=NEXT_NUMBER,
        stations={name: part(each, _station) for name, each in sorted(state.stations.items())},
        readers={name: part(each, _reader) for name, each in sorted(state.readers.items())},
        places={name: part(each, _place) for name, each in sorted(state.places.items())},
        handler=part(state.handler, _handler),
        pallets={name: part(each, _pallet) for name, each in sorted(state.pallets.items())},
        holds={
            name: part(replace(hold, hold=name), _hold)
            for name, hold in zip(_hold_names(state), state.holds.values(), strict=True)
        },
        outstanding={
            about: part(each, _outstanding) for about, each in sorted(state.outstanding.items())
        },
        timers=dict.fromkeys(sorted(state.timers), _NOW),
        unassigned=tuple(_unassigned(each, names) for each in state.unassigned),
    )


_NOW = Timer(due_ms=NOW_MS, why="")


def _hold_names(state: CellState) -> list[str]:
    return [f"hold-{FIRST_NUMBER + at}" for at in range(len(state.holds))]


def _hold(hold: Hold, _names: Renaming) -> Hold:
    return replace(hold, seen="", since_ms=NOW_MS)


def _reader(reader: ReaderState, _names: Renaming) -> ReaderState:
    return replace(reader, source_ms=1, boot="1")


def _place(place: PlaceState, _names: Renaming) -> PlaceState:
    return place


def _station(station: StationState, names: Renaming) -> StationState:
    boots, shift = names.boots[station.station], names.shifts[station.station]
    run = station.run
    figures = station.figures
    return replace(
        station,
        source_ms=1,
        boot=boots[station.boot],
        run_id=_run_text(station.run_id, names),
        counter=shifted(station.counter, shift),
        ended=tuple(_ended(name, names) for name in station.ended),
        run=None if run is None else _run(run, names, boots, shift),
        figures=replace(figures, busy_ms=0, runs=0, exchanges=0, swaps=0),
    )


def shifted(counter: int, shift: int) -> int:
    """A counter after a shift; -1, for none, stays."""
    return counter + shift if counter >= 0 else counter


def _run(run: Run, names: Renaming, boots: Mapping[str, str], shift: int) -> Run:
    number = names.numbers[run.run_no]
    started_ms = run.started_ms
    if started_ms:
        started_ms = OLD_MS if NOW_MS - started_ms >= RESULT_MS else YOUNG_MS
    return replace(
        run,
        run_id=run_name(number),
        run_no=number,
        boot_before=boots[run.boot_before],
        counter_before=shifted(run.counter_before, shift),
        source_before_ms=0,  # no station of the proof says when its results were made
        started_ms=started_ms,
    )


def _run_text(name: str, names: Renaming) -> str:
    number = run_number(name)
    return run_name(names.numbers.get(number, number))


def _ended(name: str, names: Renaming) -> str:
    if name.startswith("R"):
        return _run_text(name, names)
    return str(names.numbers[int(name)])


def _handler(handler: HandlerState, names: Renaming) -> HandlerState:
    carry = handler.carry
    if carry is not None:
        carry = replace(carry, cost_ms=0, why="", alternatives=())
    return replace(
        handler,
        source_ms=1,
        boot="1",
        order=names.numbers.get(handler.order, handler.order),
        why="",
        carry=carry,
    )


def _pallet(pallet: PalletState, names: Renaming) -> PalletState:
    return replace(
        pallet,
        entered_ms=NOW_MS,
        since_ms=NOW_MS,
        visits=0,
        results=tuple(_result(result, names) for result in pallet.results),
    )


def _result(result: StationResult, names: Renaming) -> StationResult:
    number = run_number(result.result_id)
    return replace(
        result,
        result_id=f"r{names.numbers.get(number, number)}",
        run_id=_run_text(result.run_id, names),
        measured_ms=NOW_MS,
    )


def _unassigned(aside: Unassigned, names: Renaming) -> Unassigned:
    number = run_number(aside.result_id)
    return replace(
        aside,
        at_ms=NOW_MS,
        why="",
        result_id=f"r{names.numbers.get(number, number)}",
        run_id=_run_text(aside.run_id, names),
    )


def _outstanding(outstanding: Outstanding, names: Renaming) -> Outstanding:
    """How often a goal went out is read in one place, and there only whether it did."""
    return replace(
        outstanding,
        goal=renamed_goal(outstanding.goal, names.numbers),
        times=min(outstanding.times, 1),
    )


# --- goals and facts --------------------------------------------------------------------------------------------------------------


def numbers_of_goal(goal: Goal) -> Iterator[int]:
    """The numbers that a goal names: its order, and the run it is about."""
    yield goal.order
    if isinstance(goal, StartRun | AbortRun | AcknowledgeResult):
        yield run_number(goal.run_id)


def renamed_goal(goal: Goal, numbers: Mapping[int, int]) -> Goal:
    """A goal with other numbers; one that is not renamed stays."""
    order = numbers.get(goal.order, goal.order)
    if isinstance(goal, StartRun):
        number = numbers.get(goal.run_no, goal.run_no)
        return replace(goal, order=order, run_id=run_name(number), run_no=number)
    if isinstance(goal, AbortRun | AcknowledgeResult):
        number = run_number(goal.run_id)
        return replace(goal, order=order, run_id=run_name(numbers.get(number, number)))
    return replace(goal, order=order)


def numbers_of_event(event: Event) -> Iterator[int]:
    """The numbers that a fact names."""
    match event:
        case OrderAnswered() | TagRead() | HandlerObserved():
            yield event.order
        case ResultArrived():
            yield run_number(event.result_id)
        case StationObserved():
            yield run_number(event.run_id)
        case _:
            pass


def renamed_boot(boot: str, names: Mapping[str, str]) -> str:
    """The name of a boot from now on: "2" stays for one that the core has not seen, "3" is one that it has forgotten."""
    return names.get(boot, "2" if boot == "2" else "3")


def renamed_event(event: Event, names: Renaming) -> Event:
    """A fact with other names; one that is not renamed stays."""
    numbers = names.numbers
    match event:
        case OrderAnswered() | TagRead():
            return replace(event, order=numbers.get(event.order, event.order))
        case HandlerObserved():
            boot = renamed_boot(event.boot, names.boots["handler"])
            return replace(event, order=numbers.get(event.order, event.order), boot=boot)
        case StationObserved():
            number = run_number(event.run_id)
            return replace(
                event,
                run_id=run_name(numbers.get(number, number)),
                boot=renamed_boot(event.boot, names.boots[event.station]),
                counter=shifted(event.counter, names.shifts[event.station]),
            )
        case ResultArrived():
            return _renamed_result(event, names)
        case _:
            return event


def _renamed_result(event: ResultArrived, names: Renaming) -> ResultArrived:
    number = run_number(event.result_id)
    number = names.numbers.get(number, number)
    return replace(
        event,
        result_id=f"r{number}",
        run_id=run_name(number) if event.run_id else "",
        boot=renamed_boot(event.boot, names.boots[event.station]),
        counter=shifted(event.counter, names.shifts[event.station]),
    )
