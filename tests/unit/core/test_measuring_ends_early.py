"""A plan that ends with the first proven nonconformity: whole runs of the small cell, with the same parts as without."""

import pytest

from simulators.bench.trial import DAY_MS, finish, serials, troubles
from supervisor.cell.value import replace
from supervisor.core.commands import StartRun
from supervisor.core.events import CellOrdered, ResultArrived, StationObserved

PARTS, BAD_SHARE = 9, 0.6


def ends_early(cell):
    part_types = tuple(replace(part, measure="until_nonconforming") for part in cell.part_types)
    return replace(cell, part_types=part_types)


def finished(a_world, **wishes):
    world = a_world(pallets=PARTS, bad_share=BAD_SHARE, **wishes)
    finish(world, parts=PARTS)
    assert troubles(world, parts=serials(world)) == []
    return world, {record.serial: record for record in world.records}


@pytest.mark.parametrize("jaws", [1, 2])
def test_the_parts_get_the_same_verdicts_sooner_and_no_run_is_started_after_the_proof(
    a_world, jaws
):
    whole, all_of_it = finished(a_world, jaws=jaws)
    ended, until_bad = finished(a_world, jaws=jaws, declared=ends_early)
    verdicts = {serial: record.verdict for serial, record in all_of_it.items()}
    assert {serial: record.verdict for serial, record in until_bad.items()} == verdicts
    assert {"conforming", "nonconforming"} == set(verdicts.values())
    assert ended.now_ms < whole.now_ms
    unmeasured = [
        finding for r in until_bad.values() for finding in r.findings if not finding.decided_by
    ]
    assert unmeasured
    assert all(finding.why.endswith("the plan ends there") for finding in unmeasured)
    assert started_after_the_proof(ended, until_bad) == []
    assert started_after_the_proof(whole, all_of_it) != []


def slow_results(cell):
    """A pallet leaves the optical station long before its result is there."""
    programs = tuple(
        replace(program, result_ms=600_000) if program.station == "scan-1" else program
        for program in cell.programs
    )
    return replace(cell, programs=programs)


def started_after_the_proof(world, records):
    """The runs that were ordered to start although the value that made the part nonconforming was there, from the journal."""
    proof = {
        finding.decided_by.run_id
        for record in records.values()
        for finding in record.findings
        if finding.verdict == "nonconforming"
    }
    proven, late = set(), []
    for entry in world.journal.entries:
        if isinstance(entry.event, ResultArrived) and entry.event.run_id in proof:
            proven.add(entry.event.serial)
        late += [
            command.run_id
            for command in entry.commands
            if isinstance(command, StartRun) and command.serial in proven
        ]
    return late


def test_a_run_that_waits_to_be_started_when_the_proof_comes_is_withdrawn(a_world):
    """The optical station evaluates while the touch probe prepares: the cell is told to pause before its run is begun."""
    world = a_world(pallets=1, bad_share=1.0, declared=lambda cell: slow_results(ends_early(cell)))

    def until(done):
        world.run(world.now_ms + DAY_MS, done=lambda _: done())
        assert done()

    def run_at(station):
        return world.state.stations[station].run

    until(lambda: run_at("touch-1") is not None)
    assert run_at("touch-1").stage in ("preparing", "prepared")
    assert run_at("scan-1").stage == "evaluating"
    world.tell(CellOrdered(want="pause", by="a person"))
    until(lambda: run_at("scan-1") is None)
    assert run_at("touch-1") is None
    assert [record.verdict for record in world.records] == ["nonconforming"]
    world.tell(CellOrdered(want="run", by="a person"))
    finish(world, parts=1)
    assert troubles(world, parts=serials(world)) == []
    moved = [fact["target"] for fact in world.floor.witnessed if fact["fact"] == "moved"]
    assert moved[-1] == "out-nok-1"


def gated(fact):
    """The touch probe says that it must not measure."""
    theirs = isinstance(fact, StationObserved) and fact.station == "touch-1"
    return replace(fact, gate="sensor not qualified") if theirs else fact


def test_a_part_whose_last_run_is_withdrawn_for_another_reason_has_its_verdict(a_world):
    """The proof came while the touch probe, which had to prepare, was not connected; then it must not measure (campaign seed 9445)."""
    world = a_world(pallets=1, bad_share=1.0, declared=lambda cell: slow_results(ends_early(cell)))

    def until(done):
        world.run(world.now_ms + DAY_MS, done=lambda _: done())
        assert done()

    until(lambda: world.state.stations["touch-1"].run is not None)
    world.cut("touch-1")
    until(lambda: world.state.stations["scan-1"].run is None)
    assert world.records == []
    world.wire = lambda fact: ((0, gated(fact)),)
    world.mend("touch-1")
    until(lambda: bool(world.records))
    assert [record.verdict for record in world.records] == ["nonconforming"]
