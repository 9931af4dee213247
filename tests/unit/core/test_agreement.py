"""The agreement of stations in the state of the cell: learned from first records, settled by people, dropped with its stations."""

import pytest

from simulators.bench.trial import finish
from supervisor.cell.value import replace
from supervisor.core.decide import Core
from supervisor.core.events import AgreementSettled, SupervisorStarted
from supervisor.verdict.agreement import follow

ALL = 6


@pytest.fixture
def worked(a_world):
    """A world in which two stations have measured characteristic 1 of every part."""
    world = a_world()
    finish(world, parts=ALL)
    return world


def loud(standing):
    return replace(standing, standing="disagrees", level=3.0, since_ms=1)


def test_the_state_follows_the_first_record_of_every_part(worked):
    first = [record for record in worked.records if record.revision == 1]
    standings = follow(first)

    assert standings, "two stations cover characteristic 1"
    assert tuple(worked.state.agreement[s.pair.title] for s in standings) == standings
    assert len(worked.state.agreement) == len(standings)
    assert {standing.standing for standing in standings} == {"agrees"}


def test_a_later_record_of_a_part_does_not_count_again(worked):
    once = worked.state.agreement
    again = [replace(record, revision=2) for record in worked.records]

    assert follow(again) == follow([replace(record, revision=1) for record in again])
    assert sum(each.count for each in once.values()) == sum(
        each.count for each in follow([r for r in worked.records if r.revision == 1])
    )


def test_a_person_settles_a_disagreement_and_another_pair_stays_as_it_is(worked):
    first, *others = sorted(worked.state.agreement)
    raised = {key: loud(each) for key, each in worked.state.agreement.items()}
    state = replace(worked.state, agreement=raised)
    pair = raised[first].pair
    event = AgreementSettled(
        part_type=pair.part_type,
        number=pair.number,
        one=pair.one,
        other=pair.other,
        by="M. Weaver",
        note="ring measured on both",
    )

    after = worked.core.decide(state, event, worked.now_ms).state.agreement

    assert (after[first].standing, after[first].count, after[first].level) == ("agrees", 0, 0.0)
    assert all(after[key].standing == "disagrees" for key in others)


def test_a_settlement_of_a_pair_that_is_not_known_changes_nothing(worked):
    event = AgreementSettled(
        part_type="pump-body", number="99", one="a", other="b", by="M. Weaver", note="nothing"
    )
    before = worked.state.agreement
    assert worked.core.decide(worked.state, event, worked.now_ms).state.agreement == before


def test_a_pair_whose_station_is_gone_is_forgotten(worked):
    cell = worked.core.tables.cell
    fewer = replace(
        cell,
        digest="fewer",
        stations=tuple(s for s in cell.stations if s.station != "scan-1"),
        programs=tuple(p for p in cell.programs if p.station != "scan-1"),
    )
    started = SupervisorStarted(declaration="fewer", version="1", fence=worked.state.fence + 1)

    after = Core(fewer).decide(worked.state, started, worked.now_ms).state

    assert all(
        "scan-1" not in (each.pair.one, each.pair.other) for each in after.agreement.values()
    )
    assert any("scan-1" in (e.pair.one, e.pair.other) for e in worked.state.agreement.values())
