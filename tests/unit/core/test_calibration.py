"""A calibration that ends while the cell runs: its station is left out from then on, on the cell's own clock, until somebody answers.

The world begins at 2025-11-24T16:00Z. In the small cell only touch-1 decides "2"; scan-1 and touch-1 both decide "1".
"""

import pytest

from simulators.bench.trial import START_MS, finish, serials, troubles
from supervisor.cell.value import replace
from supervisor.core.commands import StartRun
from supervisor.core.decide import Core
from supervisor.core.events import HoldReleased, SupervisorStarted
from supervisor.shell.replay import fingerprint, replay

HOUR_MS = 3_600_000
MIDNIGHT_MS = START_MS + 8 * HOUR_MS
"""The end of 2025-11-24, UTC."""


def due(day, overdue="stops"):
    """The small cell, touch-1 calibrated until a day."""

    def declared(cell):
        stations = tuple(
            replace(
                each,
                calibration="K-118",
                calibration_due=day,
                calibration_overdue=overdue,
                calibration_warn_days=30,
            )
            if each.station == "touch-1"
            else each
            for each in cell.stations
        )
        return replace(cell, digest=f"small, due {day}", stations=stations)

    return declared


def starts_at(world, station):
    return [
        entry.at_ms
        for entry in world.journal.entries
        for command in entry.commands
        if isinstance(command, StartRun) and command.station == station
    ]


def codes(world):
    return [hold.code for hold in world.state.holds.values()]


def coming_late(physics):
    """The pallets come half an hour before and half an hour after midnight."""
    times = (MIDNIGHT_MS - HOUR_MS // 2, MIDNIGHT_MS + HOUR_MS // 2)
    return replace(physics, operator=replace(physics.operator, arrivals_ms=times))


@pytest.mark.hazard(25)
def test_a_station_measures_until_the_end_of_its_last_day_and_nothing_after_it(a_world):
    world = a_world(pallets=2, declared=due("2025-11-24"), built=coming_late)

    world.run(MIDNIGHT_MS + 12 * HOUR_MS)

    assert len(world.records) == 1
    assert starts_at(world, "touch-1")
    assert max(starts_at(world, "touch-1")) < MIDNIGHT_MS
    assert codes(world) == ["calibration-overdue"]
    (waiting,) = world.state.pallets.values()
    assert waiting.open == ("2",), "what others can decide is decided"
    assert (
        "touch-1 could, but: its calibration K-118 ended on 2025-11-24" in world.state.stay
        or waiting.place == "scan-1"
    )
    assert troubles(world, parts=[]) == []


@pytest.mark.hazard(25)
def test_the_hold_comes_with_the_end_of_the_day_and_stops_nothing_else(a_world):
    world = a_world(pallets=3, declared=due("2025-11-24"))
    finish(world, parts=3)

    world.run(MIDNIGHT_MS - 1)
    assert codes(world) == []
    world.run(MIDNIGHT_MS)

    (hold,) = world.state.holds.values()
    assert (hold.code, hold.subject, hold.since_ms) == (
        "calibration-overdue",
        "touch-1",
        MIDNIGHT_MS,
    )
    assert hold.seen == "its calibration K-118 ended on 2025-11-24"


def test_what_stands_in_the_nest_is_fetched_and_goes_elsewhere(a_world):
    """Four parts keep both stations busy across midnight: what only touch-1 decides waits, its nest is emptied all the same."""
    world = a_world(
        pallets=4,
        declared=due("2025-11-24"),
        built=lambda physics: replace(
            physics,
            operator=replace(physics.operator, arrivals_ms=(MIDNIGHT_MS - 5 * 60_000,) * 4),
        ),
    )

    world.run(MIDNIGHT_MS + 3 * HOUR_MS)

    assert max(starts_at(world, "touch-1")) < MIDNIGHT_MS
    assert all("1" not in p.open and "3" not in p.open for p in world.state.pallets.values())


def test_a_person_lets_it_measure_on_for_a_day_and_is_asked_again(a_world):
    world = a_world(pallets=3, declared=due("2025-11-23"))
    world.run(world.now_ms + HOUR_MS)
    (hold,) = world.state.holds.values()
    begun_ms = world.now_ms

    world.tell(
        HoldReleased(
            hold=hold.hold,
            answer="measure on",
            by="M. Weaver",
            place="",
            why="reference ring was good",
        )
    )
    finish(world, parts=3)
    assert sorted(record.serial for record in world.records) == serials(world)
    assert codes(world) == []
    evidence = [f.decided_by for r in world.records for f in r.findings if f.number == "2"]
    assert {(each.calibration, each.calibration_due) for each in evidence} == {
        ("K-118", "2025-11-23")
    }, "the record tells under what it was measured"

    world.run(begun_ms + 24 * HOUR_MS)
    assert codes(world) == ["calibration-overdue"]


def test_a_new_certificate_ends_the_matter_at_the_next_start(a_world):
    world = a_world(pallets=3, declared=due("2025-11-23"))
    world.run(world.now_ms + HOUR_MS)
    renewed = Core(due("2026-11-23")(world.cell))
    started = SupervisorStarted(declaration=renewed.tables.cell.digest, version="test", fence=2)

    state = renewed.decide(world.state, started, world.now_ms).state

    assert state.holds == {}
    assert (
        state.timers["calibration of touch-1"].due_ms == START_MS + 364 * 24 * HOUR_MS + 8 * HOUR_MS
    )


def test_a_restart_waits_for_the_same_end(a_world):
    world = a_world(pallets=0, declared=due("2025-11-24"))
    world.die()
    world.now_ms += HOUR_MS
    world.revive()

    assert world.state.timers["calibration of touch-1"].due_ms == MIDNIGHT_MS
    world.run(MIDNIGHT_MS)
    assert codes(world) == ["calibration-overdue"]


def test_where_the_declaration_says_note_the_station_goes_on(a_world):
    world = a_world(pallets=3, declared=due("2025-11-23", "noted"))

    finish(world, parts=3)

    assert (len(world.records), codes(world)) == (3, [])


@pytest.mark.hazard(25)
def test_a_replay_decides_by_the_time_in_the_journal(a_world):
    world = a_world(pallets=2, declared=due("2025-11-24"), built=coming_late)
    world.run(MIDNIGHT_MS + HOUR_MS)

    replayed = replay(lambda _: Core(world.cell), list(world.journal.read(1)))

    assert replayed.differences == 0
    assert replayed.end_fingerprint == fingerprint(world.state)
