"""Each condition of each row of the interlock table: with it the goal goes out, without it the goal waits.

The moments come from a running world: a goal has just gone out, then its link is lost. When the link is back the goal is asked for
anew (S4) if, and only if, every condition of its row holds. A case spoils one condition by facts and leaves all others as they were.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import get_args

import pytest

from simulators.bench.trial import finish, small_world
from supervisor.cell.value import replace
from supervisor.core import interlocks
from supervisor.core.commands import Goal, MoveHandler, ReadTag
from supervisor.core.decide import Core
from supervisor.core.draft import Draft
from supervisor.core.events import (
    Event,
    HandlerObserved,
    HoldReleased,
    PlacesObserved,
    StationObserved,
    TimerFired,
)
from supervisor.core.interlocks import INTERLOCKS, Condition
from supervisor.core.state import CellState

LATER_MS = 3_600_000


@dataclass(frozen=True, kw_only=True)
class Moment:
    """A goal that has just gone out, the state with it, and the last image of every machine."""

    core: Core
    state: CellState
    goal: Goal
    at_ms: int
    images: dict[str, Event]

    @property
    def station(self) -> str:
        return getattr(self.goal, "station", "") or self.goal.place

    @property
    def machine(self) -> str:
        """Whose link carries the goal."""
        if isinstance(self.goal, MoveHandler):
            return "handler"
        return "rack" if isinstance(self.goal, ReadTag) else self.goal.station


@dataclass(frozen=True, kw_only=True)
class Case:
    """How one condition is spoiled. ``facets`` by machine: what it shows otherwise ("station" = the one of the goal).

    ``before``: facts that come first, made from the moment.
    """

    moment: str
    condition: str
    facets: Mapping[str, Mapping[str, object]] = field(default_factory=dict)
    before: str = ""

    def __str__(self) -> str:
        return f"{self.moment}: {self.condition} {dict(self.facets)}{self.before}"


def key_of(core: Core, state: CellState, goal: Goal) -> str:
    row = interlocks.row_of(Draft(core.tables, state, 0), goal)
    return f"{row}: {goal.action}" if isinstance(goal, MoveHandler) else row


def image_key(event: Event) -> str:
    match event:
        case StationObserved():
            return event.station
        case HandlerObserved():
            return "handler"
        case PlacesObserved():
            return event.reader
        case _:
            return ""


def a_run_is_late_and_a_station_faulty(world) -> None:
    """Make a person abort a run and clear a fault."""
    world.models.stations["touch-1"].duration_factor = 50.0
    world.run(world.now_ms + 900_000)
    (late,) = [h for h in world.state.holds.values() if h.code == "run-late"]
    world.tell(HoldReleased(hold=late.hold, answer="abort", by="a person", place=""))
    world.models.stations["touch-1"].duration_factor = 1.0
    world.models.stations["scan-1"].befall("fault")
    world.look()
    (faulty,) = [h for h in world.state.holds.values() if h.code == "station-fault"]
    world.tell(HoldReleased(hold=faulty.hold, answer="clear", by="a person", place=""))


@pytest.fixture(scope="module")
def moments() -> dict[str, Moment]:
    world = small_world(pallets=6)
    images = {image_key(entry.event): entry.event for entry in world.journal.entries}
    found: dict[str, Moment] = {}

    def watch(event, decision):
        images[image_key(event)] = event
        for goal in decision.commands:
            if isinstance(goal, get_args(Goal)):
                key = key_of(world.core, decision.state, goal)
                found.setdefault(
                    key,
                    Moment(
                        core=world.core,
                        state=decision.state,
                        goal=goal,
                        at_ms=world.now_ms,
                        images=dict(images),
                    ),
                )

    world.watch = watch
    a_run_is_late_and_a_station_faulty(world)
    finish(world, parts=6)
    return found


# --- asking anew ------------------------------------------------------------------------------------------------------------------


def spoiled(moment: Moment, machine: str, facets: Mapping[str, object]) -> tuple[str, Event]:
    """A machine's last image with some facets otherwise. "place" is the presence at the goal's place, "here" the goal's station."""
    if machine == "place":
        image = moment.images["rack"]
        presence = {**dict(image.presence), moment.goal.place: facets["presence"]}
        return "rack", replace(image, presence=tuple(presence.items()))
    name = moment.station if machine == "station" else machine
    changes = {key: moment.station if what == "here" else what for key, what in facets.items()}
    return name, replace(moment.images[name], **changes)


def facts_of(moment: Moment, case: Case) -> list[Event]:
    """What is seen: the cause of a hold if there is one, the spoiled images, the link lost, and back unless that is the case."""
    changed = dict(spoiled(moment, machine, facets) for machine, facets in case.facets.items())
    back = changed.pop(moment.machine, moment.images[moment.machine])
    facts = list(changed.values())
    if case.before == "a hold of the station":
        station = moment.images[moment.station]
        facts = [replace(station, mode="fault"), station]
    elif case.before == "a reader out of sight":
        image = moment.images["rack"]
        facts = [replace(image, link="down"), image]
    elif case.before == "a hold of the handler":
        facts = [TimerFired(timer="handler")]
    facts.append(replace(back, link="down"))
    return facts + ([back] if back.link == "up" else [])


def asked_anew(moment: Moment, case: Case) -> tuple[bool, tuple[str, ...]]:
    """Whether the goal went out again after its link was lost, and which conditions fail in the end."""
    state, out = moment.state, []
    for fact in facts_of(moment, case):
        decision = moment.core.decide(state, fact, moment.at_ms + LATER_MS)
        state = decision.state
        out += decision.commands
    draft = Draft(moment.core.tables, state, moment.at_ms)
    return moment.goal in out, tuple(c.name for c in interlocks.unmet(draft, moment.goal))


# --- the cases --------------------------------------------------------------------------------------------------------------------


def when(moment: str, condition: str, machine: str, **facets: Sequence[object]) -> list[Case]:
    """A case for each value of one facet."""
    ((facet, values),) = facets.items()
    return [
        Case(moment=moment, condition=condition, facets={machine: {facet: value}})
        for value in values
    ]


def station_cases(moment: str) -> list[Case]:
    return [
        *when(moment, "station link up", "station", link=["down"]),
        *when(moment, "station automatic", "station", mode=["manual", "unknown"]),
        Case(moment=moment, condition="station not held", before="a hold of the station"),
    ]


def clear_cases(moment: str) -> list[Case]:
    return [
        *when(moment, "handler clear", "handler", inside=["here", "unknown"]),
        *when(moment, "handler clear", "handler", link=["down"]),
    ]


def handler_cases(moment: str) -> list[Case]:
    return [
        *when(moment, "handler link up", "handler", link=["down"]),
        *when(moment, "handler automatic", "handler", mode=["manual", "fault", "unknown"]),
        Case(moment=moment, condition="handler not held", before="a hold of the handler"),
    ]


def stop_cases(moment: str, *jaws: tuple[str, str]) -> list[Case]:
    return [*handler_cases(moment), *when(moment, "jaws as expected", "handler", jaws=jaws)]


def enter_cases(moment: str, nests: Sequence[str], *jaws: tuple[str, str]) -> list[Case]:
    return [
        *stop_cases(moment, *jaws),
        *station_cases(moment),
        *when(moment, "door open", "station", door=["closed", "moving", "unknown"]),
        *when(moment, "work not running", "station", work=["unknown"]),
        *when(moment, "nest as expected", "station", nest=nests),
    ]


def place_cases(moment: str, presence: Sequence[str], *jaws: tuple[str, str]) -> list[Case]:
    return [
        *stop_cases(moment, *jaws),
        *when(moment, "place as expected", "place", presence=presence),
    ]


INTO, AT = "handler into a station", "handler at a place"
EMPTY, FULL, DIM = "empty", "occupied", "unknown"
PICK = ((FULL, EMPTY), (DIM, EMPTY))
PUT = ((EMPTY, EMPTY), (DIM, EMPTY))
SWAP = ((FULL, FULL), (FULL, DIM), (EMPTY, EMPTY), (DIM, EMPTY))

CASES = [
    *station_cases("door open"),
    *when("door open", "work not running", "station", work=["unknown"]),
    *station_cases("door closed")[:-1],  # a held station may still close its door
    *clear_cases("door closed"),
    *station_cases("program prepared"),
    *when("program prepared", "station quiet", "station", work=["unknown", "aborted"]),
    *station_cases("run started"),
    *clear_cases("run started"),
    *when("run started", "door closed", "station", door=["open", "moving", "unknown"]),
    *when("run started", "nest holds the pallet of the run", "station", nest=[DIM]),
    *when("run started", "station quiet", "station", work=["unknown"]),
    *when("run started", "station fit to measure", "station", gate=["calibration overdue"]),
    *when("run started", "start not doubtful", "station", counter=[-1, 7]),
    *when(
        "run started", "prepared program belongs to the part type", "station", program=["another"]
    ),
    *when("run aborted", "station link up", "station", link=["down"]),
    *when("result acknowledged", "station link up", "station", link=["down"]),
    *when("fault cleared", "station link up", "station", link=["down"]),
    *handler_cases("handler before a place: approach"),
    *enter_cases(f"{INTO}: pick", [EMPTY, DIM], *PICK),
    *enter_cases(f"{INTO}: put", [FULL, DIM], *PUT),
    *enter_cases(f"{INTO}: swap", [EMPTY, DIM], *SWAP),
    *place_cases(f"{AT}: pick", [EMPTY, DIM], *PICK),
    Case(moment=f"{AT}: pick", condition="tag proven", before="a reader out of sight"),
    *place_cases(f"{AT}: put", [FULL, DIM], *PUT),
    *when("tag read", "pallet seen there", "place", presence=[DIM]),
]

REDUNDANT = {
    (INTO, "station not taken"): "one order at a time, and each entry belongs to the order",
    (AT, "outfeed matches the verdict"): "routing offers no other outfeed place",
    ("tag read", "reader link up"): "without its reader no place reads occupied",
}
"""Conditions that no facts can spoil alone, because something else already prevents it. They stay, as a second line."""


def row_named(moment: str) -> str:
    return moment.partition(":")[0]


each_case = pytest.mark.parametrize("case", CASES, ids=str)


def test_the_cases_and_the_redundant_ones_are_the_whole_table():
    covered = {(row_named(case.moment), case.condition) for case in CASES} | REDUNDANT.keys()
    table = {
        (row, condition.name) for row, conditions in INTERLOCKS.items() for condition in conditions
    }
    assert covered == table


@pytest.mark.parametrize("moment", sorted({case.moment for case in CASES}))
def test_a_goal_goes_out_when_every_condition_holds(moments, moment):
    went_out, failing = asked_anew(moments[moment], Case(moment=moment, condition=""))
    assert failing == ()
    assert went_out


@each_case
@pytest.mark.hazard(1, 2, 4, 13, 25)
def test_a_goal_waits_while_exactly_one_condition_fails(moments, case):
    went_out, failing = asked_anew(moments[case.moment], case)
    assert failing == (case.condition,)
    assert not went_out


@each_case
def test_a_condition_that_always_passed_would_be_noticed(moments, monkeypatch, case):
    row = row_named(case.moment)
    mutant = tuple(
        Condition(name=c.name, text=c.text, holds=lambda _draft, _goal: True)
        if c.name == case.condition
        else c
        for c in INTERLOCKS[row]
    )
    monkeypatch.setitem(INTERLOCKS, row, mutant)
    went_out, _ = asked_anew(moments[case.moment], case)
    assert went_out


# --- the second line --------------------------------------------------------------------------------------------------------------


def failing(moment: Moment, state: CellState, goal: Goal) -> tuple[str, ...]:
    draft = Draft(moment.core.tables, state, moment.at_ms)
    return tuple(condition.name for condition in interlocks.unmet(draft, goal))


def test_the_arm_enters_no_station_while_it_may_be_inside_another(moments):
    moment = moments[f"{INTO}: pick"]
    other = next(name for name in sorted(moment.state.stations) if name != moment.station)
    entered = replace(moment.state.stations[other], bay="entered")
    state = replace(moment.state, stations={**moment.state.stations, other: entered})
    assert failing(moment, state, moment.goal) == ("station not taken",)


@pytest.mark.parametrize("sorting", ["", "nonconforming", "hold"])
@pytest.mark.hazard(42)
def test_a_part_goes_only_to_an_outfeed_of_its_verdict(moments, sorting):
    moment = moments[f"{AT}: put"]
    pallet = replace(moment.state.pallets[moment.goal.put], sorting=sorting)
    state = replace(moment.state, pallets={**moment.state.pallets, moment.goal.put: pallet})
    right = {"nonconforming": "out-nok-1", "hold": "out-hold-1", "": moment.goal.place}[sorting]
    assert failing(moment, state, replace(moment.goal, place=right)) == ()
    wrong = replace(moment.goal, place="out-ok-1")
    assert failing(moment, state, wrong) == ("outfeed matches the verdict",)


def test_a_tag_is_not_asked_for_without_its_reader(moments):
    moment = moments["tag read"]
    gone = replace(moment.state.readers["rack"], link="down")
    state = replace(moment.state, readers={"rack": gone})
    assert failing(moment, state, moment.goal) == ("reader link up",)
