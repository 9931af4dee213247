"""Any sequence of mishaps: no machine sees a violation, no run begins twice, nothing true is lost, and in the end everything is finished.

A mishap has a beginning and an end; a person who looks before answering sees to the holds. Hypothesis shrinks a failing sequence.
"""

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.bench.person import answer_all
from simulators.bench.trial import serials, small_world, troubles
from simulators.bench.world import World, arrives, straight
from supervisor.core.commands import MoveHandler, PrepareProgram, ReadTag, SetDoor, StartRun
from supervisor.core.events import ResultArrived
from supervisor.verdict.record import Record

pytestmark = pytest.mark.property

MINUTE_MS = 60_000
STATIONS = ("ct-1", "scan-1", "touch-1")
MACHINES = (*STATIONS, "handler", "rack")

End = Callable[[], None]


def nothing() -> None:
    """The mishap has no end of its own."""


def off(world: World, which: int) -> End:
    machine = MACHINES[which % len(MACHINES)]
    world.cut(machine)
    return lambda: world.mend(machine)


def by_hand(world: World, which: int) -> End:
    machine = (*STATIONS, "handler")[which % 4]
    model = world.models.stations.get(machine, world.models.handler)
    model.befall("manual")
    world.look()

    def end() -> None:
        world.models.stations.get(machine, world.models.handler).befall("automatic")
        world.look()

    return end


def fault(world: World, which: int) -> End:
    world.models.stations[STATIONS[which % 3]].befall("fault")
    world.look()
    return nothing


def jammed(world: World, which: int) -> End:
    station = STATIONS[which % 3]
    world.models.stations[station].door.jam()

    def end() -> None:
        world.models.stations[station].door.free()
        world.look()

    return end


def broken_off(world: World, which: int) -> End:
    world.models.stations[STATIONS[which % 3]].break_off()
    world.look()
    return nothing


def slow(world: World, which: int) -> End:
    station = STATIONS[which % 3]
    world.models.stations[station].duration_factor = 2.5
    return lambda: setattr(world.models.stations[station], "duration_factor", 1.0)


def restarted(world: World, which: int) -> End:
    world.reboot((*STATIONS, "handler")[which % 4])
    return nothing


def tag_misread(world: World, which: int) -> End:
    for _ in range(1 + which % 3):
        world.models.reader.answer_next(("failed", "no tag", "several tags")[which % 3])
    return nothing


def grip_fails(world: World, _which: int) -> End:
    world.models.handler.fail_next()
    return nothing


def goals_lost(world: World, which: int) -> End:
    kind = (StartRun, PrepareProgram, SetDoor, MoveHandler, ReadTag)[which % 5]
    world.goes_lost = lambda goal: isinstance(goal, kind)
    return lambda: setattr(world, "goes_lost", arrives)


def facts_twice(world: World, which: int) -> End:
    late_ms = which * 700
    world.wire = lambda fact: ((0, fact), (late_ms, fact))
    return lambda: setattr(world, "wire", straight)


def results_late(world: World, which: int) -> End:
    late_ms = which * 4_000
    world.wire = lambda f: ((late_ms if isinstance(f, ResultArrived) else 0, f),)
    return lambda: setattr(world, "wire", straight)


def results_lost(world: World, _which: int) -> End:
    world.wire = lambda f: () if isinstance(f, ResultArrived) else ((0, f),)
    return lambda: setattr(world, "wire", straight)


def supervisor_dies(world: World, which: int) -> End:
    world.die_after(len(world.journal.entries) + 1 + which // 2, ("sent", "unsent")[which % 2])

    def end() -> None:
        if world.is_dead():
            world.revive()

    return end


def touched(world: World) -> set[str]:
    """The places that the handler is about to touch: whoever reaches in there is the hazard himself."""
    order, carry = world.state.outstanding.get("handler"), world.state.handler.carry
    return {order.goal.place if order else "", carry.target if carry else ""}


def taken_by_hand(world: World, which: int) -> End:
    """A person takes a pallet out of the rack or a nest and puts it into the rack later, on anybody's place."""
    places = [
        p for p in world.physics.at_mm if world.floor.pallet_at(p) and p not in touched(world)
    ]
    places = [p for p in places if not p.startswith("out") and world.floor.arm().inside != p]
    if not places:
        return nothing
    pallet = world.floor.lift(places[which % len(places)])
    world.look()

    def end() -> None:
        racks = [p.place for p in world.physics.places if p.kind == "rack"]
        empty = [p for p in racks if not world.floor.pallet_at(p) and p not in touched(world)]
        world.floor.set_down(empty[which % len(empty)], pallet)
        world.look()

    return end


MISHAPS = (
    off,
    by_hand,
    fault,
    jammed,
    broken_off,
    slow,
    restarted,
    tag_misread,
    grip_fails,
    goals_lost,
    facts_twice,
    results_late,
    results_lost,
    supervisor_dies,
)


def sequences(*of: Callable[[World, int], End]):
    mishap = st.tuples(
        st.integers(0, 6 * MINUTE_MS),
        st.sampled_from(of),
        st.integers(0, 11),
        st.integers(1, 20 * MINUTE_MS),
    )
    return st.lists(mishap, max_size=12)


def live_through(world: World, sequence: list[tuple[int, Callable[..., End], int, int]]) -> None:
    """One mishap after the other begins; each ends after its time, or when the sequence is over."""
    ends: list[tuple[int, End]] = []
    for after_ms, begin, which, lasts_ms in sequence:
        world.run(world.now_ms + after_ms)
        for at_ms, end in ends:
            if at_ms <= world.now_ms:
                end()
        ends = [entry for entry in ends if entry[0] > world.now_ms]
        if not world.is_dead():
            answer_all(world)
            ends.append((world.now_ms + lasts_ms, begin(world, which)))
    for _, end in ends:
        end()


def come_to_the_end(world: World) -> None:
    for _ in range(60):
        if world.is_dead():
            world.revive()
        answer_all(world)
        if not world.state.pallets and not world.models.operator.waiting:
            return
        world.run(world.now_ms + 10 * MINUTE_MS)


def watched(world: World) -> World:
    def watch(event, decision) -> None:
        broken = world.core.broken(decision.state)
        assert not broken, (event, broken)

    world.watch = watch
    return world


@given(sequences(*MISHAPS), st.sampled_from([1, 2]), st.integers(1, 4))
@settings(max_examples=40)
@pytest.mark.hazard(30)
def test_whatever_happens_every_part_is_finished_and_no_machine_sees_a_violation(
    sequence, jaws, seed
):
    world = watched(small_world(pallets=4, jaws=jaws, seed=seed))
    live_through(world, sequence)
    come_to_the_end(world)
    assert troubles(world, parts=[]) == []
    assert [p.place for p in world.state.pallets.values()] == []
    assert [hold.code for hold in world.state.holds.values()] == []
    assert list(world.state.outstanding) == []
    assert sorted(r.serial for r in world.records if not _came_anew(r)) == serials(world)


def _came_anew(record: Record) -> bool:
    """Whether a person put the part into the rack because a machine had forgotten where it was: the next visit has the verdict."""
    return record.verdict == "not measured" and not any(f.decided_by for f in record.findings)


@given(sequences(taken_by_hand, off, jammed, supervisor_dies), st.integers(1, 4))
@settings(max_examples=40)
@pytest.mark.hazard(26)
def test_pallets_that_people_take_and_bring_back_are_all_finished_under_their_own_names(
    sequence, seed
):
    """What was half measured has a record of how far it came; the last visit of each part has its verdict."""
    world = watched(small_world(pallets=4, seed=seed))
    live_through(world, sequence)
    come_to_the_end(world)
    assert troubles(world, parts=[]) == []
    assert [p.place for p in world.state.pallets.values()] == []
    assert [hold.code for hold in world.state.holds.values()] == []
    last = {record.serial: record.verdict for record in world.records}
    assert sorted(last) == serials(world)
    assert set(last.values()) <= {"conforming", "nonconforming", "undecided"}
