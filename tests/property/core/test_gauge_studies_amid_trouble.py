"""A gauge study amid trouble: links break, machines restart, stations fail, the supervisor dies. It ends, and every part is inspected."""

from random import Random

import pytest

from simulators.bench.person import answer_all
from simulators.bench.trial import finish, serials, small_world, troubles
from supervisor.core.events import CellOrdered, GaugeStudyOrdered

pytestmark = pytest.mark.property

HOUR_MS = 3_600_000
MINUTE_MS = 60_000
MACHINES = ("scan-1", "touch-1", "ct-1", "handler", "rack")


def ordered(draw, seed):
    """A world of the small cell with a study that has just been ordered, its invariants watched."""
    world = small_world(pallets=draw.choice([2, 5, 8]), jaws=draw.choice([1, 2]), seed=seed)

    def watch(event, decision):
        broken = world.core.broken(decision.state)
        assert not broken, (event, broken)

    world.watch = watch
    world.tell(CellOrdered(want="pause", by="a person"))
    world.run(world.now_ms + HOUR_MS)
    station = draw.choice(["scan-1", "touch-1"])
    order = GaugeStudyOrdered(
        pallets=tuple(
            sorted(n for n, p in world.state.pallets.items() if p.part_type == "cam-ring")
        ),
        station=station,
        program=f"cam-ring@{station}",
        loadings=draw.choice([2, 4]),
        repeats=draw.choice([1, 2, 3]),
        references=(),
        by="a person",
    )
    world.tell(order)
    assert world.state.studies, "it was begun"
    world.tell(CellOrdered(want="run", by="a person"))
    return world


def strike(world, draw):
    """One trouble, or a person who answers what waits."""
    machine = draw.choice(MACHINES)
    match draw.randrange(7):
        case 0 if not world.is_down(machine):
            world.cut(machine)
            world.run(world.now_ms + draw.randrange(MINUTE_MS))
            world.mend(machine)
        case 1:
            world.reboot(machine)
        case 2 if machine in world.models.stations:
            world.models.stations[machine].befall(draw.choice(["manual", "fault"]))
        case 3:
            how = draw.choice(["sent", "half", "unsent"])
            world.die_after(len(world.journal.entries) + draw.randrange(1, 30), how)
        case _:
            answer_all(world)
    world.look()


def set_right(world):
    """People answer, turn keys back to automatic, start the supervisor again."""
    if world.is_dead():
        world.revive()
    for model in world.models.stations.values():
        if model.image().mode == "manual":
            model.befall("automatic")
    world.look()
    answer_all(world)


@pytest.mark.parametrize("seed", range(10))
def test_a_study_comes_to_an_end_and_so_do_all_parts_whatever_happens(seed):
    draw = Random(f"study amid trouble {seed}")
    world = ordered(draw, seed)
    for _ in range(draw.choice([5, 15, 30])):
        world.run(world.now_ms + draw.randrange(1, 12 * MINUTE_MS))
        if world.is_dead():
            world.revive()
        strike(world, draw)
    for _ in range(30):
        world.run(world.now_ms + 10 * MINUTE_MS)
        set_right(world)
    finish(world, parts=len(serials(world)))

    study = world.state.studies[-1]
    assert study.end in ("complete", "station failed"), (study.end, study.why)
    assert not world.state.pallets
    assert not troubles(world, parts=serials(world))
    studied = {reading.result.run_id for reading in study.readings}
    recorded = {
        evidence.run_id
        for record in world.records
        for finding in record.findings
        for evidence in (finding.decided_by, *finding.monitored_by)
        if evidence is not None
    }
    assert not studied & recorded, "a value of the study is in no part's record"
