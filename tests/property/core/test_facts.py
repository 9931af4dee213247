"""Facts in any order and of any content: deciding never raises, never breaks an invariant, and takes nothing twice.

The states come from a running world with some trouble in it; the facts are about things that are there, and about things that are not.
"""

import hashlib
import os
import subprocess
import sys
from functools import cache
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.bench.person import answer_all
from simulators.bench.trial import finish, small_world
from simulators.bench.world import World
from supervisor.cell.value import replace
from supervisor.core.commands import SetTimer
from supervisor.core.events import (
    CellOrdered,
    Door,
    Event,
    HandlerObserved,
    HoldReleased,
    Link,
    Mode,
    OrderAnswered,
    Outcome,
    Phase,
    PlacesObserved,
    Presence,
    ResultArrived,
    StationObserved,
    SupervisorStarted,
    TagRead,
    TagStatus,
    TimerFired,
    Work,
)
from supervisor.core.holds import HOLDS
from supervisor.core.state import CellState
from supervisor.verdict.result import MeasuredValue

pytestmark = pytest.mark.property

MINUTE_MS = 60_000


@cache
def a_day_with_trouble() -> World:
    """Six parts, and a fault, a jam, a restart, a failed grip and a misread tag on the way."""
    world = small_world(pallets=6, seed=3)
    touch = world.models.stations["touch-1"]
    troubles = (
        world.models.handler.fail_next,
        lambda: touch.befall("fault"),
        lambda: world.reboot("scan-1"),
        touch.door.jam,
        touch.door.free,
        lambda: world.cut("handler"),
        lambda: world.mend("handler"),
    )
    for trouble in troubles:
        world.run(world.now_ms + 2 * MINUTE_MS)
        trouble()
        world.look()
        world.run(world.now_ms + 1 * MINUTE_MS)
        answer_all(world)
    finish(world, parts=6)
    return world


@cache
def states() -> tuple[tuple[CellState, int], ...]:
    """Every state of that day with its time."""
    world = a_day_with_trouble()
    state, found = world.core.initial(), []
    for entry in world.journal.entries:
        state = world.core.decide(state, entry.event, entry.at_ms).state
        found.append((state, entry.at_ms))
    return tuple(found)


# --- any fact ---------------------------------------------------------------------------------------------------------------------

names = st.sampled_from(["ct-1", "scan-1", "touch-1", "nowhere"])
small = st.integers(0, 60)
texts = st.sampled_from(["", "R6", "R12", "6", "49800", "BY HAND", "x"])
tags = st.sampled_from(
    sorted(
        {
            entry.event.payload
            for entry in a_day_with_trouble().journal.entries
            if isinstance(entry.event, TagRead)
        }
        | {"", "00", "zz"}
    )
)


def one_of(literal: object) -> st.SearchStrategy[str]:
    return st.sampled_from(get_args(literal))


values = st.lists(
    st.builds(
        MeasuredValue,
        number=st.sampled_from(["1", "2", "3", "99"]),
        value=st.none() | st.floats(allow_nan=False, allow_infinity=False),
        unit=st.sampled_from(["mm", "um", "inch", ""]),
        quality=st.sampled_from(["good", "uncertain", "bad"]),
    ),
    max_size=4,
).map(tuple)
boots = st.sampled_from(["1", "2", ""])
station_facts = st.builds(
    StationObserved,
    station=names,
    source_ms=small,
    boot=boots,
    link=one_of(Link),
    mode=one_of(Mode),
    door=one_of(Door),
    nest=one_of(Presence),
    work=one_of(Work),
    run_id=texts,
    serial=texts,
    program=st.sampled_from(["", "cam-ring-touch-1", "10", "other"]),
    counter=st.integers(-1, 5),
    gate=st.sampled_from(["", "", "", "calibration overdue"]),
)
handler_facts = st.builds(
    HandlerObserved,
    source_ms=small,
    boot=boots,
    link=one_of(Link),
    mode=one_of(Mode),
    order=small,
    phase=one_of(Phase),
    inside=st.sampled_from(["", "", "ct-1", "touch-1", "unknown", "nowhere"]),
    at=st.sampled_from(["", "rack-01", "touch-1", "nowhere"]),
    jaws=st.lists(one_of(Presence), max_size=3).map(tuple),
    why=st.just(""),
)
places = st.sampled_from(["rack-01", "rack-02", "rack-03", "out-ok-1", "out-nok-1", "nowhere"])
place_facts = st.builds(
    PlacesObserved,
    reader=st.sampled_from(["rack", "rack", "nowhere"]),
    source_ms=small,
    boot=boots,
    link=one_of(Link),
    presence=st.lists(st.tuples(places, one_of(Presence)), max_size=6).map(tuple),
)
other_facts = st.one_of(
    st.builds(
        TagRead,
        order=small,
        reader=st.just("rack"),
        place=places,
        status=one_of(TagStatus),
        payload=tags,
        why=st.just(""),
    ),
    st.builds(OrderAnswered, order=small, outcome=one_of(Outcome), why=st.just("")),
    st.builds(
        ResultArrived,
        station=names,
        source_ms=small,
        boot=boots,
        result_id=texts,
        run_id=texts,
        serial=texts,
        counter=st.integers(-1, 5),
        scope=st.sampled_from(["final", "partial"]),
        values=values,
    ),
    st.builds(CellOrdered, want=st.sampled_from(["run", "pause"]), by=st.just("")),
    st.builds(
        SupervisorStarted,
        declaration=st.just("small"),
        version=st.just(""),
        fence=small,
    ),
)
ANSWERS = sorted({answer for kind in HOLDS.values() for answer in kind.answers})
about_the_state = st.tuples(
    st.sampled_from(["timer", "hold", "order", "tag"]),
    small,
    st.sampled_from(ANSWERS),
    one_of(Outcome),
    one_of(TagStatus),
    tags,
)
any_fact = st.one_of(station_facts, handler_facts, place_facts, other_facts, about_the_state)


def as_fact(state: CellState, drawn: Event | tuple, at_ms: int) -> Event:
    """A drawn fact about now; one that is about something that waits in the state is completed from there."""
    if isinstance(drawn, StationObserved | HandlerObserved | PlacesObserved):
        return replace(drawn, source_ms=at_ms - 5 + drawn.source_ms)
    if not isinstance(drawn, tuple):
        return drawn
    kind, index, answer, outcome, status, payload = drawn
    waiting = {
        "timer": sorted(state.timers),
        "hold": sorted(state.holds),
        "order": sorted(state.outstanding),
        "tag": [name for name in sorted(state.outstanding) if name.startswith("tag")],
    }[kind]
    if not waiting:
        return TimerFired(timer="nothing")
    name = waiting[index % len(waiting)]
    match kind:
        case "timer":
            return TimerFired(timer=name)
        case "hold":
            return HoldReleased(hold=name, answer=answer, by="", place="")
        case "order":
            return OrderAnswered(order=state.outstanding[name].goal.order, outcome=outcome, why="")
        case _:
            goal = state.outstanding[name].goal
            return TagRead(
                order=goal.order,
                reader=goal.reader,
                place=goal.place,
                status=status,
                payload=payload,
                why="",
            )


def offers(state: CellState, fact: Event) -> Event:
    """A person's answer is one that the hold offers, if it is none."""
    if isinstance(fact, HoldReleased) and fact.hold in state.holds:
        answers = state.holds[fact.hold].answers
        return fact if fact.answer in answers else replace(fact, answer=answers[0])
    return fact


@given(
    st.integers(0, 10_000),
    st.lists(st.tuples(any_fact, st.sampled_from([0, 1, 1_000, 3_600_000])), max_size=25),
)
def test_any_facts_in_any_order_are_decided_without_a_broken_invariant(start, drawn):
    core = a_day_with_trouble().core
    state, at_ms = states()[start % len(states())]
    for what, wait_ms in drawn:
        at_ms += wait_ms
        fact = offers(state, as_fact(state, what, at_ms))
        decision = core.decide(state, fact, at_ms)
        assert core.broken(decision.state) == (), fact
        again = core.decide(decision.state, fact, at_ms)
        if isinstance(fact, SupervisorStarted):
            assert all(isinstance(command, SetTimer) for command in again.commands)
        else:
            assert again.commands == (), fact
        assert again.state == decision.state, fact
        state = decision.state


@given(st.integers(0, 10_000), st.integers(1, 1_000_000))
def test_a_source_time_older_than_the_last_accepted_changes_nothing(start, age_ms):
    world = a_day_with_trouble()
    index = start % len(states())
    state, at_ms = states()[index]
    for entry in world.journal.entries[: index + 1]:
        event = entry.event
        if isinstance(event, StationObserved):
            seen = state.stations[event.station]
        elif isinstance(event, HandlerObserved):
            seen = state.handler
        elif isinstance(event, PlacesObserved):
            seen = state.readers[event.reader]
        else:
            continue
        if seen.link == "up" and event.link == "up" and event.boot == seen.boot:
            old = replace(event, source_ms=seen.source_ms - age_ms)
            decision = world.core.decide(state, old, at_ms)
            assert decision.state == state
            assert decision.commands == ()


@settings(max_examples=10)
@given(st.integers(0, 10_000))
def test_every_fact_of_a_day_may_come_twice(offset):
    """From anywhere on, each fact is taken twice: the second changes nothing, and the day goes on as it went."""
    world = a_day_with_trouble()
    first = offset % len(states())
    state = states()[first][0]
    for entry in world.journal.entries[first + 1 :]:
        once = world.core.decide(state, entry.event, entry.at_ms)
        assert once.commands == entry.commands
        twice = world.core.decide(once.state, entry.event, entry.at_ms)
        assert twice.state == once.state, entry.event
        state = once.state


# --- the same everywhere ----------------------------------------------------------------------------------------------------------

FINGERPRINT = """
import hashlib
from simulators.bench.trial import finish, small_world
world = small_world(pallets=6, seed=3)
world.reboot("touch-1")
finish(world, parts=6)
text = repr((world.state, world.journal.entries, world.records))
print(hashlib.sha256(text.encode()).hexdigest())
"""


def fingerprint(hash_seed: str) -> str:
    outcome = subprocess.run(
        [sys.executable, "-c", FINGERPRINT],
        env={**os.environ, "PYTHONHASHSEED": hash_seed},
        capture_output=True,
        text=True,
        check=True,
    )
    return outcome.stdout


def test_the_same_world_ends_the_same_in_every_process():
    assert len({fingerprint(seed) for seed in ("0", "1", "4711")}) == 1


def test_a_journal_folds_to_the_same_state_and_the_same_commands():
    world = a_day_with_trouble()
    assert states()[-1][0] == world.state
    told = [entry.commands for entry in world.journal.entries]
    state, again = world.core.initial(), []
    for entry in world.journal.entries:
        decision = world.core.decide(state, entry.event, entry.at_ms)
        state = decision.state
        again.append(decision.commands)
    assert again == told
    assert hashlib.sha256(repr(state).encode()).hexdigest()
