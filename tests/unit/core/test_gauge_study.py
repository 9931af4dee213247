"""A gauge study: chosen pallets are loaded again and again, nothing of it is in any part's record, and it always comes to an end.

In the small cell scan-1 and touch-1 both measure cam rings; scan-1 lets a part go before its evaluation is over.
"""

from collections import Counter
from functools import partial

import pytest

from simulators.bench.person import answer_all
from simulators.bench.trial import finish, serials, troubles
from supervisor.cell.value import replace
from supervisor.core.events import (
    CellOrdered,
    GaugeStudyOrdered,
    GaugeStudyStopped,
    SupervisorStarted,
)
from supervisor.core.gauge import refusal
from supervisor.core.studies import QUIET_MS_MAX
from supervisor.process.gauge_study import KEPT, loadings_of
from tests.unit.core.test_the_infeed import fed

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
PROGRAM = "cam-ring@scan-1"


def paused(a_world, **wishes):
    """A world whose pallets stand in the rack, identified, while the cell is paused."""
    world = a_world(**wishes)
    world.tell(CellOrdered(want="pause", by="a person"))
    world.run(world.now_ms + HOUR_MS)
    return world


def of_type(world, part_type):
    return tuple(
        sorted(name for name, each in world.state.pallets.items() if each.part_type == part_type)
    )


def an_order(world, **changes):
    plain = GaugeStudyOrdered(
        pallets=of_type(world, "cam-ring"),
        station="scan-1",
        program=PROGRAM,
        loadings=3,
        repeats=2,
        references=(),
        by="M. Weaver",
    )
    return replace(plain, **changes)


def begin(world, **changes):
    world.tell(an_order(world, **changes))
    world.tell(CellOrdered(want="run", by="a person"))
    return world.state.studies[-1]


def study_of(world):
    return world.state.studies[-1]


def to_the_end(world):
    world.run(world.now_ms + DAY_MS, done=lambda w: study_of(w).end != "")
    return study_of(world)


def until_readings(world, count):
    world.run(world.now_ms + DAY_MS, done=lambda w: len(study_of(w).readings) >= count)
    assert len(study_of(world).readings) == count, "the study got on"


@pytest.mark.parametrize("jaws", [1, 2])
@pytest.mark.parametrize("pallets", [1, 4])
def test_every_pallet_is_loaded_as_often_as_ordered_and_measured_in_each_loading(
    a_world, jaws, pallets
):
    world = paused(a_world, pallets=pallets, jaws=jaws)
    begin(world)

    study = to_the_end(world)

    assert study.end == "complete", study.why
    for pallet in study.pallets:
        assert [len(each) for each in loadings_of(study, pallet)] == [2, 2, 2]
    loaded = len(study.pallets) * 3
    assert len(study.readings) == study.runs
    assert world.state.stations["scan-1"].figures.exchanges >= loaded
    visits = {(each.pallet, each.visit) for each in study.readings}
    assert len(visits) == loaded, "no loading was cut short: the pallet stays between its repeats"


def test_a_study_goes_in_rounds_in_an_order_that_is_not_the_rack_s(a_world):
    world = paused(a_world, pallets=12)
    begin(world, repeats=1, loadings=6)

    study = to_the_end(world)

    count = len(study.pallets)
    order = [each.pallet for each in study.readings]
    rounds = [order[at : at + count] for at in range(0, len(order), count)]
    assert all(sorted(each) == sorted(study.pallets) for each in rounds)
    assert len({tuple(each) for each in rounds}) > 1, "drawn anew for every round"


def test_no_record_is_made_of_it_and_its_parts_are_inspected_by_their_plan_afterwards(a_world):
    world = paused(a_world, pallets=4)
    begin(world)
    study = to_the_end(world)
    studied = {world.state.pallets[pallet].serial for pallet in study.pallets}
    assert not studied & {record.serial for record in world.records}

    finish(world, parts=4)

    assert not troubles(world, parts=serials(world))
    runs = {each.result.run_id for each in study.readings}
    used = {
        evidence.run_id
        for record in world.records
        for finding in record.findings
        for evidence in (finding.decided_by, *finding.monitored_by)
        if evidence is not None
    }
    assert used
    assert not runs & used, "a value of the study decides nothing about a part"


def test_other_parts_are_measured_and_leave_while_a_study_goes_on(a_world):
    world = paused(a_world, pallets=4)
    begin(world, loadings=10)

    study = to_the_end(world)

    assert study.end == "complete"
    others = {pallet.serial for pallet in world.physics.pallets if pallet.part_type != "cam-ring"}
    assert {record.serial for record in world.records} == others
    assert all(record.verdict == "conforming" for record in world.records)


def test_a_pallet_that_is_taken_out_ends_it_without_a_record_of_that_part(a_world):
    world = paused(a_world, pallets=4)
    begin(world)
    until_readings(world, 3)
    (taken,) = [
        p for p in study_of(world).pallets if world.state.pallets[p].place in world.state.places
    ]
    serial = world.state.pallets[taken].serial
    world.floor.lift(world.state.pallets[taken].place)
    world.look()
    world.run(world.now_ms + HOUR_MS, done=lambda w: study_of(w).end != "")

    study = study_of(world)
    assert (study.end, study.why) == ("pallet gone", f"{taken} left the cell")
    assert len(study.readings) >= 3, "what was measured stays"
    assert serial not in {record.serial for record in world.records}
    finish(world, parts=3)
    assert len(world.records) == 3


def test_a_fault_of_the_station_ends_it_and_everything_goes_on_after_the_repair(a_world):
    world = paused(a_world, pallets=4)
    begin(world)
    until_readings(world, 3)

    world.models.stations["scan-1"].befall("fault")
    world.look()

    assert study_of(world).end == "station failed"
    for _ in range(5):
        world.run(world.now_ms + 10 * 60_000)
        answer_all(world)
    finish(world, parts=4)
    assert sorted(record.serial for record in world.records) == serials(world)


def test_a_fault_of_another_station_does_not_end_it(a_world):
    world = paused(a_world, pallets=4)
    begin(world)
    until_readings(world, 3)

    world.models.stations["touch-1"].befall("fault")
    world.look()

    assert to_the_end(world).end == "complete"


def test_a_person_stops_it_and_the_run_under_way_counts_for_nothing(a_world):
    world = paused(a_world, pallets=4)
    study = begin(world)
    until_readings(world, 1)
    world.run(
        world.now_ms + HOUR_MS,
        done=lambda w: (
            (run := w.state.stations["scan-1"].run) is not None and run.stage == "measuring"
        ),
    )

    world.tell(GaugeStudyStopped(study=study.study, by="M. Weaver", why="the shift is over"))

    assert study_of(world).end == "stopped"
    assert study_of(world).why == "M. Weaver: the shift is over"
    finish(world, parts=4)
    assert not troubles(world, parts=serials(world))
    assert len(study_of(world).readings) == 1
    (aside,) = world.state.unassigned
    assert aside.why == f"gauge study {study.study} has ended"


def test_to_stop_another_study_than_the_one_that_goes_on_changes_nothing(a_world):
    world = paused(a_world, pallets=2)
    begin(world)

    world.tell(GaugeStudyStopped(study="gauge-1", by="M. Weaver", why=""))

    assert study_of(world).end == ""
    assert to_the_end(world).end == "complete"


def test_a_supervisor_that_dies_in_the_middle_takes_it_up_again(a_world):
    world = paused(a_world, pallets=4)
    begin(world)
    for seq in (40, 25, 33):
        world.die_after(len(world.journal.entries) + seq, "half")
        world.run(world.now_ms + 20 * 60_000, done=lambda w: w.is_dead())
        assert world.is_dead()
        world.revive()

    study = to_the_end(world)

    assert study.end == "complete", study.why
    assert max(world.starts.values()) == 1


def test_a_station_in_manual_lets_it_wait_and_at_last_ends_it(a_world):
    world = paused(a_world, pallets=4)
    begin(world)
    until_readings(world, 2)
    world.models.stations["scan-1"].befall("manual")
    world.look()

    world.run(world.now_ms + QUIET_MS_MAX - HOUR_MS)
    assert study_of(world).end == ""
    world.run(world.now_ms + 2 * HOUR_MS)

    assert study_of(world).end == "too slow"


def test_another_declaration_ends_it(a_world):
    world = paused(a_world, pallets=2)
    begin(world)
    until_readings(world, 1)
    event = SupervisorStarted(declaration="another", version="bench", fence=9)

    after = world.core.decide(world.state, event, world.now_ms).state

    assert after.studies[-1].end == "redeclared"


def test_the_state_keeps_the_newest_studies_only(a_world):
    world = paused(a_world, pallets=2)
    names = []
    for _ in range(KEPT + 2):
        names.append(begin(world, loadings=2, repeats=1).study)
        world.tell(CellOrdered(want="pause", by="a person"))
        world.tell(GaugeStudyStopped(study=names[-1], by="a person", why=""))

    assert [each.study for each in world.state.studies] == names[-KEPT:]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"program": "cam-ring-lathe"}, "has no program cam-ring-lathe"),
        ({"station": "touch-1"}, "touch-1 has no program cam-ring@scan-1"),
        ({"pallets": ()}, "0 pallets: expected 1 to"),
        ({"loadings": 0}, "0 loadings: expected 1 to"),
        ({"repeats": 51}, "51 repeats: expected 1 to"),
        ({"loadings": 40, "repeats": 40}, "3200 runs"),
        ({"pallets": ("grai:nobody",)}, "grai:nobody is not in the cell"),
    ],
)
def test_an_order_that_does_not_fit_is_refused_in_words_and_changes_nothing(a_world, changes, said):
    world = paused(a_world, pallets=4)
    order = an_order(world, **changes)

    assert said in refusal(world.core.tables, world.state, order)
    assert world.core.decide(world.state, order, world.now_ms).state == world.state


def test_a_pallet_of_another_part_type_and_one_named_twice_are_refused(a_world):
    world = paused(a_world, pallets=4)
    rings, plates = of_type(world, "cam-ring"), of_type(world, "port-plate")

    twice = an_order(world, pallets=(rings[0], rings[0]))
    assert refusal(world.core.tables, world.state, twice) == "a pallet is named twice"
    strange = an_order(world, pallets=(*rings, plates[0]))
    assert "carries a port-plate" in refusal(world.core.tables, world.state, strange)


@pytest.mark.parametrize(("racks", "most"), [(0, "none"), (1, "at most 1")])
def test_pallets_from_an_infeed_need_a_rack_place_each_between_their_loadings(a_world, racks, most):
    world = paused(a_world, pallets=4, declared=partial(fed, racks=racks, infeeds=4))

    order = an_order(world)

    assert len(order.pallets) == 2
    said = refusal(world.core.tables, world.state, order)
    assert said.startswith(f"2 pallets: expected {most}, as each needs a rack place")
    assert world.core.decide(world.state, order, world.now_ms).state == world.state


def test_a_second_study_waits_for_the_end_of_the_first(a_world):
    world = paused(a_world, pallets=4)
    first = begin(world)

    said = refusal(world.core.tables, world.state, an_order(world))

    assert said == f"gauge study {first.study} goes on: stop it, or wait for its end"


def test_every_result_stands_in_it_once_although_links_break(a_world):
    world = paused(a_world, pallets=4)
    begin(world)
    for _ in range(12):
        world.run(world.now_ms + 3 * 60_000)
        world.cut("scan-1")
        world.run(world.now_ms + 5_000)
        world.mend("scan-1")

    study = to_the_end(world)

    assert study.end == "complete", study.why
    assert max(Counter(each.result.result_id for each in study.readings).values()) == 1
