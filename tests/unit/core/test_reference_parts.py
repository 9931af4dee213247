"""A reference part checks touch-1 between other work; what a failed check leads to, judged by the simulators' truth.

In the small cell only touch-1 decides "2"; scan-1 and touch-1 both decide "1". Values of the master ring vouch for the same number.
"""

from functools import partial

import pytest

from simulators.bench.trial import troubles
from supervisor.cell.value import replace
from supervisor.core.commands import MarkSuspect, StartRun
from supervisor.core.decide import Core
from supervisor.core.events import HoldReleased, ResultArrived
from supervisor.shell.replay import fingerprint, replay
from supervisor.verdict.suspicion import suspect_values
from tests.unit.core.reference_cell import MASTER, START_MS, bring_master, rule, world_of
from tests.unit.core.test_the_infeed import fed

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DRIFT_MM = 0.006
"""Eight times the standard uncertainty that touch-1 states for "2"."""


def a_world(**wishes):
    """A world whose broken invariants fail the test that made them."""
    world = world_of(**wishes)

    def watch(event, decision):
        broken = world.core.broken(decision.state)
        assert not broken, (event, broken)

    world.watch = watch
    return world


def commands(world, kind):
    return [c for e in world.journal.entries for c in e.commands if isinstance(c, kind)]


def checks(world):
    return [record for record in world.records if record.part_type == "master"]


def parts(world):
    return [record for record in world.records if record.part_type != "master"]


def codes(world):
    return sorted(hold.code for hold in world.state.holds.values())


def answer(world, code, reply, why=""):
    (hold,) = [hold for hold in world.state.holds.values() if hold.code == code]
    world.tell(HoldReleased(hold=hold.hold, answer=reply, by="a person", place="", why=why))


def suspicion(world):
    (mark,) = commands(world, MarkSuspect)
    return mark.suspicion


def has_failed(world):
    return "reference-failed" in codes(world)


def drifted(world, *, after_ms, station="touch-1"):
    """The world until a check has failed, the station having drifted on "2" at a time after the first check."""
    world.run(START_MS + after_ms)
    assert checks(world), "a first check was made"
    world.models.stations[station].drift_to("2", DRIFT_MM)
    world.run(START_MS + 24 * HOUR_MS, done=has_failed)
    assert has_failed(world)
    return world


def measured_by_touch(world):
    """(run, serial, part type, index) of what touch-1 has measured, as the machine itself tells, in order."""
    facts = [f for f in world.floor.witnessed if f["fact"] == "measured" and f["who"] == "touch-1"]
    who = world.physics.pallet
    return [(f["run_id"], who[f["pallet"]].serial, who[f["pallet"]].part_type) for f in facts]


# --- when checks are due ----------------------------------------------------------------------------------------------------------


def test_each_value_names_the_last_good_check_that_vouches_for_it():
    """Judged by the order in which touch-1 itself tells that it has measured; nothing vouches for "3", nor for other stations."""
    world = a_world(parts=9)
    world.run(START_MS + 6 * HOUR_MS)
    order = [run for run, _, _ in measured_by_touch(world)]
    good = [
        record.findings[0].decided_by.run_id
        for record in checks(world)
        if record.verdict == "conforming"
    ]
    assert len(good) >= 3
    named = {}
    for record in parts(world):
        for finding in record.findings:
            by = finding.decided_by
            if by.station == "touch-1" and finding.number in ("1", "2"):
                before = [run for run in order[: order.index(by.run_id)] if run in good]
                assert (by.last_check.run_id, by.last_check.program) == (
                    before[-1],
                    "master@touch-1",
                )
                assert by.last_check.at_ms < by.measured_ms
                named[by.last_check.run_id] = record.serial
            else:
                assert by.last_check is None
    assert len(named) >= 2, "not always the same"


@pytest.mark.parametrize("jaws", [1, 2])
def test_the_cell_checks_between_other_work_and_the_reference_part_stays(jaws):
    world = a_world(parts=9, jaws=jaws)

    world.run(START_MS + 6 * HOUR_MS)

    assert len(parts(world)) == 9
    assert {record.verdict for record in parts(world)} == {"conforming"}
    order = [part_type == "master" for _, _, part_type in measured_by_touch(world)]
    assert order.count(True) >= 3, "a first check, and one after every three runs"
    (left,) = world.state.pallets.values()
    assert (left.pallet, left.stage, left.place.startswith("rack")) == (MASTER, "planned", True)
    assert troubles(world, parts=[]) == []


def test_a_check_that_closes_its_station_at_once_leaves_nobody_in_the_jaw():
    """Parts come in at an infeed place; without a rack place for each, one is in the jaw when its station closes, and stays there."""
    check = rule(every_runs=1, grace_ms=0)
    world = a_world(parts=3, check=check, declared=partial(fed, racks=2), seed=8)

    world.run(START_MS + 3 * HOUR_MS)

    assert len(parts(world)) == 3
    assert [pallet.pallet for pallet in world.state.pallets.values()] == [MASTER]


@pytest.mark.parametrize(
    ("check", "befalls", "why"),
    [
        (rule(every_runs=0, every_ms=2 * HOUR_MS), None, "the last one was 2 h ago"),
        (rule(every_runs=0, after=("restart",)), "reboot", "the station restarted"),
        (rule(every_runs=0, after=("fault",)), "fault", "the station had a fault"),
    ],
    ids=["time", "restart", "fault"],
)
def test_a_check_is_due_by(check, befalls, why):
    world = a_world(parts=0, check=check)
    seen = set()
    world.watch = lambda _, decision: seen.update(
        each.due for known in decision.state.trust.values() for each in known.checks
    )
    world.run(START_MS + HOUR_MS)
    assert ([r.verdict for r in checks(world)].count("conforming"), why in seen) == (1, False)

    if befalls == "reboot":
        world.reboot("touch-1")
    if befalls == "fault":
        world.models.stations["touch-1"].befall("fault")
        world.look()
        answer(world, "station-fault", "clear")
    world.run(START_MS + 3 * HOUR_MS)

    assert why in seen
    assert [record.verdict for record in checks(world)].count("conforming") == 2
    assert codes(world) == []


def test_a_check_is_due_when_the_part_temperature_has_changed():
    """Each result of touch-1 says how warm its part is: as warm as the hall, which gets warmer by three degrees."""
    world = a_world(parts=3, check=rule(every_runs=0, kelvin=2), every_ms=HOUR_MS)
    hall = [20.0]

    def wire(fact):
        warm = isinstance(fact, ResultArrived) and fact.station == "touch-1"
        return ((0, replace(fact, part_c=hall[0]) if warm else fact),)

    world.wire = wire
    world.run(START_MS + int(1.5 * HOUR_MS))
    before = len(checks(world))
    (check,) = world.state.trust["touch-1"].checks
    assert (check.due, check.part_c) == ("", 20.0)

    hall[0] = 23.0
    world.run(START_MS + 4 * HOUR_MS)

    assert len(checks(world)) > before
    (check,) = world.state.trust["touch-1"].checks
    assert (check.due, check.part_c) == ("", 23.0)


def disagreeing(**wishes):
    """scan-1 has drifted on "1" after the first checks, until the agreement monitor alarms; and why checks were due from then on."""
    stations = ("scan-1", "touch-1")
    world = a_world(
        parts=30, every_ms=10 * MINUTE_MS, check=rule(every_runs=0), stations=stations, **wishes
    )
    world.run(START_MS + HOUR_MS)
    assert [record.verdict for record in checks(world)] == ["conforming"] * 2
    world.models.stations["scan-1"].drift_to("1", 0.02)
    reasons = {}
    broken = world.watch

    def watch(event, decision):
        broken(event, decision)
        for station, known in decision.state.trust.items():
            for check in known.checks:
                if check.due:
                    reasons[station] = check.due

    world.watch = watch
    world.run(START_MS + 5 * HOUR_MS)
    alarms = [each for each in world.state.agreement.values() if each.standing == "disagrees"]
    assert {(each.pair.number, each.pair.one, each.pair.other) for each in alarms} == {
        ("1", "scan-1", "touch-1")
    }
    return world, reasons


@pytest.mark.hazard(25)
def test_stations_that_disagree_are_both_checked_and_the_ring_tells_which_is_off():
    world, reasons = disagreeing()

    assert reasons.keys() == {"scan-1", "touch-1"}
    assert all(why.startswith("scan-1 and touch-1 disagree on") for why in reasons.values())
    assert codes(world) == ["reference-failed"]
    assert world.state.trust["scan-1"].suspensions
    assert not world.state.trust["touch-1"].suspensions
    (touch,) = world.state.trust["touch-1"].checks
    first = min(e.since_ms for e in world.state.agreement.values() if e.standing == "disagrees")
    assert touch.good_ms > first
    assert suspicion(world).station == "scan-1"
    assert {vouched.number for vouched in suspicion(world).about} == {"1"}


def test_a_disagreement_on_what_no_value_vouches_for_makes_no_check_due():
    world, reasons = disagreeing(vouch="2")

    assert reasons == {}
    assert codes(world) == []


@pytest.mark.hazard(25)
def test_a_station_waits_for_a_late_check_and_goes_on_after_it():
    """The reference part is missing; parts are decided as far as others can, and at once when it has come and the check is good."""
    world = a_world(parts=4, check=rule(grace_ms=0), master="missing")
    world.run(START_MS + 2 * HOUR_MS)
    assert codes(world) == ["check-overdue"]
    (hold,) = world.state.holds.values()
    assert hold.seen.endswith("the reference part is not in the cell")
    assert {pallet.open for pallet in world.state.pallets.values()} == {("2",)}
    assert not [goal for goal in commands(world, StartRun) if goal.station == "touch-1"]
    assert "touch-1 could, but: a check with a reference part suspends it" in world.state.stay

    answer(world, "check-overdue", "measure on")
    assert codes(world) == ["check-overdue"], "not without a reason"

    bring_master(world)
    world.run(world.now_ms + 12 * HOUR_MS)
    assert codes(world) == []
    assert [pallet.pallet for pallet in world.state.pallets.values()] == [MASTER]
    assert {record.verdict for record in parts(world)} == {"conforming"}


@pytest.mark.hazard(25)
def test_nothing_is_checked_with_a_reference_part_whose_certificate_has_ended():
    world = a_world(parts=1, check=rule(grace_ms=HOUR_MS), about={"due": "2025-11-23"})

    world.run(START_MS + 3 * HOUR_MS)

    assert checks(world) == []
    (hold,) = world.state.holds.values()
    assert (hold.code, "certificate K-9" in hold.seen) == ("check-overdue", True)


def test_another_part_than_the_calibrated_one_is_not_taken_for_it():
    world = a_world(parts=1, about={"serial": "8"})

    world.run(START_MS + HOUR_MS)

    assert codes(world) == ["check-overdue", "reference-unknown"] or codes(world) == [
        "reference-unknown"
    ]
    assert checks(world) == []


# --- a failed check ---------------------------------------------------------------------------------------------------------------


@pytest.mark.hazard(25)
@pytest.mark.parametrize("jaws", [1, 2])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_failed_check_marks_exactly_the_parts_measured_since_the_last_good_one(jaws, seed):
    world = drifted(a_world(parts=12, jaws=jaws, seed=seed), after_ms=16 * MINUTE_MS)
    told = measured_by_touch(world)
    good = {record.entered_ms for record in checks(world) if record.verdict == "conforming"}
    good_runs = {
        f.decided_by.run_id for r in checks(world) if r.entered_ms in good for f in r.findings
    }
    last_good = max(at for at, (run, _, _) in enumerate(told) if run in good_runs)
    since = [serial for _, serial, part_type in told[last_good + 1 :] if part_type != "master"]
    before = {serial for _, serial, part_type in told[:last_good] if part_type != "master"}
    assert since, "something was measured since"
    mark = suspicion(world)

    world.run(world.now_ms + 6 * HOUR_MS)

    suspect = {record.serial for record in parts(world) if suspect_values(record, [mark])}
    doubted = {
        pallet.serial
        for pallet in world.state.pallets.values()
        for result in pallet.results
        if result.doubts and result.measured_ms <= mark.to_ms
    }
    assert suspect | doubted == set(since)
    assert not (suspect | doubted) & before
    assert {v.number for r in parts(world) for v in suspect_values(r, [mark])} <= {"2"}


@pytest.mark.hazard(25)
def test_from_then_on_the_station_is_not_offered_for_what_it_missed_and_goes_on_with_the_rest():
    world = drifted(a_world(parts=12), after_ms=16 * MINUTE_MS)
    failed_ms = world.now_ms

    world.run(world.now_ms + 6 * HOUR_MS)

    later = [entry for entry in world.journal.entries if entry.at_ms > failed_ms]
    goals = [goal for entry in later for goal in entry.commands]
    assert [goal for goal in goals if isinstance(goal, StartRun)], "the others went on"
    assert not [
        finding
        for record in parts(world)
        for finding in record.findings
        if finding.number == "2"
        and finding.decided_by is not None
        and finding.decided_by.measured_ms > failed_ms
    ]
    waiting = [p for p in world.state.pallets.values() if p.pallet != MASTER]
    assert waiting
    assert {pallet.open for pallet in waiting} == {("2",)}


def test_a_part_in_the_cell_whose_verdict_is_doubted_is_measured_again():
    """Nobody takes parts out of the outfeeds, so that decided parts still stand in the cell when the check fails."""
    world = a_world(parts=9, take_after_ms=30 * 24 * HOUR_MS)
    world.run(START_MS + 16 * MINUTE_MS)
    world.models.stations["touch-1"].drift_to("2", DRIFT_MM)
    world.run(START_MS + 24 * HOUR_MS, done=has_failed)
    assert has_failed(world)

    again = [p for p in world.state.pallets.values() if p.revision == 1 and not p.verdict]
    assert again, "decided, and open again"
    assert {pallet.open for pallet in again} == {("2",)}
    assert all(pallet.home for pallet in again)
    kept = {r.serial: r for r in parts(world)}
    assert all(kept[pallet.serial].revision == 1 for pallet in again), "its record stays as it is"


@pytest.mark.hazard(25)
def test_after_a_good_check_a_person_lets_the_station_go_on_and_all_is_measured():
    world = drifted(a_world(parts=9), after_ms=16 * MINUTE_MS)
    answer(world, "reference-failed", "release")
    assert has_failed(world), "not without a reason"
    world.models.stations["touch-1"].drift_to("2", 0.0)

    answer(world, "reference-failed", "check again")
    assert has_failed(world), "the question stands until the check is made"
    world.run(world.now_ms + HOUR_MS)
    assert codes(world) == ["reference-good"]
    assert world.state.trust["touch-1"].suspensions, "a person has to say so"
    answer(world, "reference-good", "release")
    world.run(world.now_ms + 12 * HOUR_MS)

    assert not world.state.trust["touch-1"].suspensions
    assert [pallet.pallet for pallet in world.state.pallets.values()] == [MASTER]
    assert len({record.serial for record in parts(world)}) == 9
    assert troubles(world, parts=[]) == []


def test_a_stated_reason_lets_it_go_on_without_a_good_check():
    world = drifted(a_world(parts=9), after_ms=16 * MINUTE_MS)

    answer(world, "reference-failed", "release", "the ring was dirty")

    assert codes(world) == []
    assert not world.state.trust["touch-1"].suspensions


@pytest.mark.hazard(25)
def test_the_same_is_decided_again_from_the_journal():
    world = drifted(a_world(parts=9), after_ms=16 * MINUTE_MS)

    replayed = replay(lambda _: Core(world.cell), list(world.journal.read(1)))

    assert replayed.differences == 0
    assert replayed.end_fingerprint == fingerprint(world.state)


def test_a_restart_keeps_what_is_suspended():
    world = drifted(a_world(parts=9), after_ms=16 * MINUTE_MS)
    before = world.state.trust["touch-1"].suspensions
    world.die()
    world.revive()

    world.run(world.now_ms + HOUR_MS)

    assert world.state.trust["touch-1"].suspensions == before
    assert has_failed(world)
