"""What the core decides, fact by fact, in scenarios that people should be able to read.

A change of the core that changes one of these is looked at line by line before it is kept.
"""

from dataclasses import replace as changed

from simulators.bench.transcript import Transcript
from simulators.bench.trial import DAY_MS, finish, serials, small_world, troubles
from supervisor.core.events import HoldReleased


def until(world, done):
    world.run(world.now_ms + DAY_MS, done=lambda _: done())
    assert done()


def answer(world, reply):
    (hold,) = world.state.holds.values()
    world.tell(HoldReleased(hold=hold.hold, answer=reply, by="a person", place=""))


def without_gap(cell):
    """Two rack places are enough for a transcript."""
    kept = ("rack-01", "rack-02", "out-ok-1", "out-nok-1", "out-hold-1")
    return changed(cell, places=tuple(p for p in cell.places if p.place in kept))


def test_a_part_goes_its_way_alone(kept):
    world = small_world(pallets=1, declared=without_gap)
    transcript = Transcript(world)
    finish(world, parts=1)
    kept("one-part", transcript)
    assert troubles(world, parts=serials(world)) == []


def test_two_parts_change_places_in_one_stop(kept):
    world = small_world(pallets=2, declared=without_gap)
    transcript = Transcript(world)
    until(world, lambda: any(s.figures.swaps for s in world.state.stations.values()))
    kept("swap", transcript)
    assert world.floor.violations == []


def test_a_supervisor_dies_and_another_adopts_the_run(kept):
    world = small_world(pallets=1, declared=without_gap)
    transcript = Transcript(world)
    touch = world.models.stations["touch-1"]
    until(world, lambda: touch.image().work == "acquiring")
    world.die_after(len(world.journal.entries) + 1, "unsent")
    transcript.remark(
        "the supervisor is to die after its next decision, before anything of it is sent"
    )
    until(world, world.is_dead)
    world.run(world.now_ms + 20_000)
    transcript.remark("twenty seconds later another one takes the cell")
    world.revive()
    finish(world, parts=1)
    kept("restart", transcript)
    assert troubles(world, parts=serials(world)) == []


def test_a_door_is_stuck_and_a_person_frees_it(kept):
    world = small_world(pallets=1, declared=without_gap)
    transcript = Transcript(world)
    world.models.stations["touch-1"].door.jam()
    transcript.remark("the door of touch-1 jams")
    until(world, lambda: bool(world.state.holds))
    world.models.stations["touch-1"].door.free()
    world.look()
    transcript.remark("a person takes out what was in its way")
    answer(world, "try again")
    until(world, lambda: world.models.stations["touch-1"].image().work == "acquiring")
    kept("door-stuck", transcript)
    assert world.floor.violations == []


def test_a_tag_that_holds_nothing_of_ours_is_refused(kept):
    def built(physics):
        (pallet,) = physics.pallets
        return changed(physics, pallets=(changed(pallet, tag="00" * 41),))

    world = small_world(pallets=1, declared=without_gap, built=built)
    transcript = Transcript(world)
    until(world, lambda: bool(world.state.holds))
    transcript.remark("a person takes the pallet out")
    place = next(iter(world.state.pallets.values())).place
    answer(world, "removed")
    world.run(world.now_ms + 4_000)
    world.floor.lift(place)
    world.look()
    kept("tag-refused", transcript)
    assert world.state.pallets == {}
