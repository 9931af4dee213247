"""Parts that have to adapt to the temperature of the cell are not measured before, and whoever asks is told why."""

import pytest

from simulators.bench.trial import START_MS, finish, serials, troubles
from supervisor.cell.model import Routing, Soak
from supervisor.cell.value import replace
from supervisor.core.commands import StartRun
from supervisor.core.decide import Core
from supervisor.core.events import CellOrdered, SupervisorStarted
from supervisor.core.soaking import soaked_ms
from supervisor.shift.fold import ShiftFold, with_bound

MINUTE_MS = 60_000
SOAK_MS = 30 * MINUTE_MS
TWENTY_MINUTES_BEFORE = "2025-11-24T15:40:00Z"
"""Before START_MS, which is 16:00."""
RING = "cam-ring"


def soaking(since="entry", ms=SOAK_MS, steps=0, only=RING):
    """The small cell with part types, or one of them, that soak."""

    def declared(cell):
        part_types = tuple(
            replace(part, soak=Soak(ms=ms, since=since)) if part.part_type == only else part
            for part in cell.part_types
        )
        return replace(cell, part_types=part_types, routing=Routing(look_ahead_steps=steps))

    return declared


def begun(world, part_type):
    """When runs were started on parts of a type, in ms since the start of the world."""
    return [
        entry.at_ms - START_MS
        for entry in world.journal.entries
        for command in entry.commands
        if isinstance(command, StartRun) and command.part_type == part_type
    ]


def chosen(world):
    """Notes down what routing chooses from now on."""
    choices, watch = [], world.watch

    def look(event, decision):
        choices.extend(decision.choices)
        watch(event, decision)

    world.watch = look
    return choices


def told(choices):
    said = [choice.why for choice in choices]
    return [*said, *(other.why_lost for choice in choices for other in choice.alternatives)]


def folded(world):
    """What a shift's figures are made from, from now on."""
    fold, watch = ShiftFold(world.cell), world.watch

    def look(event, decision):
        fold.take(decision.state, world.now_ms)
        watch(event, decision)

    world.watch = look
    return fold


@pytest.mark.parametrize(("jaws", "steps"), [(1, 0), (2, 0), (2, 100)])
def test_no_run_is_started_on_a_part_before_it_has_soaked_and_the_others_go_first(
    a_world, jaws, steps
):
    world = a_world(pallets=6, jaws=jaws, declared=soaking(steps=steps))
    choices, fold = chosen(world), folded(world)
    finish(world, parts=6)
    figures = with_bound(world.cell, fold.looked(world.now_ms))
    took_ms = figures.work.to_ms - figures.work.from_ms
    assert SOAK_MS < figures.bound.ms <= took_ms <= 1.05 * figures.bound.ms
    assert troubles(world, parts=serials(world)) == []
    rings = begun(world, RING)
    assert SOAK_MS <= min(rings) <= SOAK_MS + MINUTE_MS
    assert min(begun(world, "pump-body")) < MINUTE_MS
    assert any("adapts to the temperature of the cell" in said for said in told(choices))


def test_time_since_production_counts_where_the_tag_tells_it_and_no_later_time_is_believed(a_world):
    def produced(physics):
        times = {"0": TWENTY_MINUTES_BEFORE, "1": "2099-01-01T00:00:00Z"}
        pallets = tuple(
            replace(each, produced=times[str(number)])
            for number, each in enumerate(physics.pallets)
        )
        return replace(physics, pallets=pallets)

    def all_rings(physics):
        first = physics.pallets[0]
        second = replace(physics.pallets[3], part_type=first.part_type)
        two = replace(physics, pallets=(first, second))
        return produced(replace(two, operator=replace(two.operator, arrivals_ms=(0, 0))))

    world = a_world(pallets=4, declared=soaking(since="produced"), built=all_rings)
    finish(world, parts=2)
    assert troubles(world, parts=serials(world)) == []
    first = [at for at in begun(world, RING) if at < SOAK_MS]
    assert 10 * MINUTE_MS <= min(first) <= 11 * MINUTE_MS
    second = min(at for at in begun(world, RING) if at >= SOAK_MS)
    assert second <= SOAK_MS + MINUTE_MS


def test_a_production_time_that_nobody_wrote_is_none(a_world):
    """Tags count seconds since 1970: 0 is a field that was left empty, and the part comes warm."""
    world = a_world(pallets=1)
    world.run(world.now_ms + MINUTE_MS)
    (pallet,) = world.state.pallets.values()
    part_type = replace(world.cell.part_types[0], soak=Soak(ms=SOAK_MS, since="produced"))
    unwritten = replace(pallet, produced="1970-01-01T00:00:00Z")
    assert soaked_ms(part_type, unwritten) == pallet.entered_ms + SOAK_MS


@pytest.mark.hazard(43)
@pytest.mark.parametrize("jaws", [1, 2])
def test_a_part_in_a_nest_when_soaking_is_declared_leaves_it_to_the_others(a_world, jaws):
    """All parts go to the touch probe, in whose nest one stands that has to wait for eight hours."""
    world = a_world(pallets=6, jaws=jaws)
    world.run(
        START_MS + 10 * MINUTE_MS,
        done=lambda _: world.state.stations["touch-1"].run is not None,
    )
    there = world.state.pallets[world.state.stations["touch-1"].pallet].part_type
    cell = replace(soaking(ms=8 * 60 * MINUTE_MS, only=there)(world.cell), digest="new")
    world.core = Core(cell)
    world.tell(SupervisorStarted(declaration="new", version="2", fence=2))
    world._seen.clear()
    for fact in list(world._facts()):
        world.tell(fact)
    world.run(START_MS + 60 * MINUTE_MS)
    assert len(world.records) == 4
    assert there not in {record.part_type for record in world.records}
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []


def test_a_part_that_a_quick_handler_brings_early_soaks_in_the_nest(a_world):
    """The handler goes in time for the declared durations; this one needs a tenth of them."""

    def quick(physics):
        handler = replace(physics.handler, pick_ms=100, put_ms=100, swap_ms=100, speed_mm_s=60_000)
        return replace(physics, handler=handler)

    world = a_world(pallets=1, declared=soaking(), built=quick)
    waited = []
    watch = world.watch

    def look(event, decision):
        waited.extend(name for name in decision.state.timers if name.startswith("soak of "))
        watch(event, decision)

    world.watch = look
    finish(world, parts=1)
    assert troubles(world, parts=serials(world)) == []
    assert waited
    assert SOAK_MS <= min(begun(world, RING)) <= SOAK_MS + 2_000
    assert world.state.timers == {}


def test_the_line_is_told_and_gets_no_nest_before(a_world):
    world = a_world(pallets=1, declared=soaking())
    world.tell(CellOrdered(want="pause", by="a person"))
    world.run(START_MS + 10 * MINUTE_MS)
    world.state = replace(world.state, want="run")
    (pallet,) = world.state.pallets
    stay = world.core.next_place(world.state, pallet, world.now_ms)
    assert stay.why == f"the part on {pallet} soaks until 2025-11-24T16:30:00Z"
    later = world.core.next_place(world.state, pallet, START_MS + SOAK_MS + MINUTE_MS)
    assert later.target in world.state.stations


def test_a_station_that_only_soaking_parts_need_waits_for_a_pallet_and_not_for_the_handler(a_world):
    """Only port plates go to ct-1; meanwhile the handler carries the others."""
    world = a_world(pallets=6, declared=soaking(only="port-plate"))
    fold = folded(world)
    world.run(START_MS + SOAK_MS)
    stations = fold.looked(world.now_ms).stations
    (spent,) = [each.spent_ms for each in stations if each.station == "ct-1"]
    assert spent["waiting for handler"] == 0
    assert spent["waiting for pallet"] > 0.9 * SOAK_MS
