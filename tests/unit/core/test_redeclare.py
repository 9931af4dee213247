"""A changed declaration takes effect when a supervisor starts; whatever is inside the cell then, deciding goes on."""

from functools import partial

import pytest

from simulators.bench.trial import DAY_MS, START_MS
from simulators.bench.world import World
from supervisor.cell.value import replace
from supervisor.core.decide import Core
from supervisor.core.events import SupervisorStarted, TimerFired
from tests.unit.core.test_the_infeed import fed, until

MINUTE_MS = 60_000


def without_station(name):
    return lambda cell: replace(
        cell,
        stations=tuple(s for s in cell.stations if s.station != name),
        programs=tuple(p for p in cell.programs if p.station != name),
    )


def without_part_type(name):
    return lambda cell: replace(
        cell,
        part_types=tuple(p for p in cell.part_types if p.part_type != name),
        programs=tuple(p for p in cell.programs if p.part_type != name),
    )


def without_places(*names):
    return lambda cell: replace(cell, places=tuple(p for p in cell.places if p.place not in names))


def with_other_programs(cell):
    renamed = tuple(
        replace(p, program=f"{p.program} new", name=f"{p.name}-2") for p in cell.programs
    )
    return replace(cell, programs=renamed)


def with_one_jaw(cell):
    return replace(cell, handler=replace(cell.handler, jaws=1))


def with_a_shorter_plan(cell):
    def shorter(part_type):
        return replace(part_type, plan=part_type.plan[:2])

    def covers(program):
        return tuple(c for c in program.covers if c.number != "3")

    programs = tuple(replace(p, covers=covers(p)) for p in cell.programs if covers(p))
    return replace(cell, part_types=tuple(map(shorter, cell.part_types)), programs=programs)


def with_an_infeed(cell):
    fed = (
        replace(p, kind="infeed") if p.place <= "rack-06" and p.kind == "rack" else p
        for p in cell.places
    )
    return replace(cell, places=tuple(fed))


CHANGES = {
    "touch-1 is gone": without_station("touch-1"),
    "scan-1 is gone": without_station("scan-1"),
    "cam rings are gone": without_part_type("cam-ring"),
    "half the rack is gone": without_places(*(f"rack-{n:02d}" for n in range(1, 7))),
    "half the rack takes nobody back": with_an_infeed,
    "most outfeeds are gone": without_places("out-ok-1", "out-nok-1", "out-hold-1"),
    "all programs are new": with_other_programs,
    "one jaw is gone": with_one_jaw,
    "plans are shorter": with_a_shorter_plan,
    "only the digest is new": lambda cell: cell,
}


def images_of(world: World, core: Core):
    """What the machines that are still declared show now, as at a restart."""
    world._seen.clear()
    for fact in world._facts():
        station = getattr(fact, "station", "")
        if not station or station in core.tables.stations:
            yield fact


@pytest.mark.parametrize("minutes", [0.1, 0.5, 2, 5, 9])
@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.hazard(43)
def test_deciding_goes_on_under_a_changed_declaration(a_world, change, minutes):
    world = a_world(pallets=6)
    world.run(world.now_ms + round(minutes * MINUTE_MS))
    cell = replace(CHANGES[change](world.cell), digest="new")
    core = Core(cell)
    state = world.state
    started = SupervisorStarted(declaration="new", version="2", fence=2)
    at_ms = world.now_ms
    for fact in (started, *images_of(world, core)):
        decision = core.decide(state, fact, at_ms)
        state = decision.state
        assert core.broken(state) == (), fact
    for _ in range(20):
        at_ms += 15 * MINUTE_MS
        for timer in sorted(state.timers):
            state = core.decide(state, TimerFired(timer=timer), at_ms).state
            assert core.broken(state) == (), timer
    assert state.declaration == "new"
    known = {*core.tables.stations, *core.tables.places, *core.tables.jaws}
    for pallet in state.pallets.values():
        assert pallet.place in known
        assert pallet.home in core.tables.places or pallet.home == ""
        assert pallet.home not in core.tables.infeeds
        assert pallet.part_type in {"", *core.tables.part_types}
    for station in state.stations.values():
        assert station.run is None or station.run.program in core.tables.programs


@pytest.mark.hazard(43)
def test_parts_of_a_type_that_is_gone_leave_a_record_of_how_far_they_came(a_world):
    world = a_world(pallets=3)
    world.run(
        world.now_ms + DAY_MS, done=lambda w: any(p.results for p in w.state.pallets.values())
    )
    half = next(p for p in world.state.pallets.values() if p.results)
    core = Core(replace(without_part_type(half.part_type)(world.cell), digest="new"))
    started = SupervisorStarted(declaration="new", version="2", fence=2)
    state = core.decide(world.state, started, START_MS + DAY_MS).state
    assert half.pallet not in state.pallets


@pytest.mark.hazard(43)
def test_a_pallet_on_its_way_to_a_place_that_is_gone_gets_another_home(a_world):
    world = a_world(pallets=6, jaws=1)

    def going_home():
        carry = world.state.handler.carry
        in_hand = carry is not None and carry.pallet in world.state.handler.jaws
        return in_hand and carry.target.startswith("rack")

    until(world, going_home)
    carry = world.state.handler.carry
    world.redeclare(replace(without_places(carry.target)(world.cell), digest="new"))
    home = world.state.pallets[carry.pallet].home
    assert home.startswith("rack")
    assert home != carry.target


def test_what_stands_in_a_rack_place_that_was_an_infeed_place_has_that_for_its_home(a_world):
    """There is no other: with one jaw nobody would ever be fetched."""
    world = a_world(pallets=9, declared=partial(fed, infeeds=3))
    until(world, lambda: world.state.pallets and not world.state.outstanding)
    come_in = {p.pallet: p.place for p in world.state.pallets.values() if p.place[:3] == "in-"}
    assert len(come_in) == 3
    racks = (replace(p, kind="rack") if p.kind == "infeed" else p for p in world.cell.places)
    core = Core(with_one_jaw(replace(world.cell, places=tuple(racks), digest="new")))
    state = world.state
    started = SupervisorStarted(declaration="new", version="2", fence=2)
    for fact in (started, *images_of(world, core)):
        state = core.decide(state, fact, world.now_ms).state
        assert core.broken(state) == (), fact
    assert {name: state.pallets[name].home for name in come_in} == come_in
    assert {name: state.places[place].reserved for name, place in come_in.items()} == {
        name: name for name in come_in
    }
