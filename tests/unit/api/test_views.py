"""What people are told of the cell follows from its state."""

from pathlib import Path
from typing import get_args

import pytest
from jinja2 import Environment
from jinja2.nodes import Const

from simulators.bench.trial import small_world
from supervisor import web
from supervisor.api.link_view import UNKNOWN
from supervisor.api.lookout import Beginning
from supervisor.api.pallet_view import pallet_view, pallets_view
from supervisor.api.schema import instant, milliseconds
from supervisor.api.station_view import station_view
from supervisor.api.waits import Now, waits_of_handler, waits_of_station
from supervisor.cell.model import PlaceKind, Soak
from supervisor.cell.value import replace
from supervisor.core.events import CellOrdered
from supervisor.core.state import Hold
from supervisor.routing.situation import Alternative, Stay


def measuring(world):
    return any(s.run and s.run.stage == "measuring" for s in world.state.stations.values())


def until(world, condition, minutes=60):
    world.run(world.now_ms + minutes * 60_000, done=condition)
    assert condition(world), "the world never came there"
    return world


def test_a_pallet_that_is_measured_says_where_and_with_what(world, seen_from):
    now = seen_from(until(world, measuring))
    station = next(s for s in now.state.stations.values() if s.run and s.run.stage == "measuring")
    shown = pallet_view(now, station.pallet)
    assert shown.why_here == (
        f"is measured at {station.station} with {station.run.program} (run {station.run.run_id})"
    )


def test_a_pallet_on_its_way_says_where_to_and_why(world, seen_from):
    now = seen_from(until(world, lambda w: any(w.state.handler.jaws)))
    carry = now.state.handler.carry
    shown = pallet_view(now, carry.pallet)
    assert shown.why_here == f"is on its way to {carry.target}: {carry.why}"


def test_a_hold_is_a_stronger_reason_than_any_other(world, seen_from):
    until(world, lambda w: any(p.stage == "planned" for p in w.state.pallets.values()))
    pallet = next(p for p in world.state.pallets.values() if p.stage == "planned")
    hold = hold_about(pallet.pallet)
    now = replace(seen_from(world), state=replace(world.state, holds={"hold-1": hold}))
    shown = pallet_view(now, pallet.pallet)
    assert shown.why_here == "waits for a person: The tag of a pallet cannot be read"
    assert shown.holds == ["hold-1"]


def hold_about(pallet):
    return Hold(
        hold="hold-1", code="tag-unreadable", about="pallet", subject=pallet, seen="no tag",
        answers=("read again", "removed"), since_ms=0,
    )  # fmt: skip


def test_routings_word_on_a_pallet_is_its_reason_to_wait(world):
    until(world, lambda w: any(p.stage == "planned" for p in w.state.pallets.values()))
    name = next(p.pallet for p in world.state.pallets.values() if p.stage == "planned")
    lost = Alternative(what=f"{name} to scan-1", cost_ms=None, why_lost="scan-1 is occupied")
    state = replace(world.state, handler=replace(world.state.handler, carry=None), stay="nothing")
    now = Now(
        core=world.core, state=state, at_ms=world.now_ms,
        choice=Stay(until_ms=None, why="nothing", alternatives=(lost,)),
    )  # fmt: skip
    assert pallet_view(now, name).why_here == "waits: scan-1 is occupied"
    others = [p for p in pallets_view(now) if p.pallet != name and p.stage == "planned"]
    assert {p.why_here for p in others} == {"waits: nothing"}


def test_a_pallet_of_which_routing_says_nothing_waits_for_the_one_that_is_carried(world, seen_from):
    """Eight of eleven pallets were told to "wait for the handler", which had one in its jaw."""
    until(world, lambda w: any(w.state.handler.jaws) and w.state.handler.carry is not None)
    now = replace(seen_from(world), choice=None)
    carry = now.state.handler.carry
    others = [p for p in pallets_view(now) if p.stage == "planned" and p.pallet != carry.pallet]
    assert f"waits while {carry.pallet} is carried to {carry.target}" in {
        p.why_here for p in others
    }


def with_soaking(cell):
    soak = Soak(ms=1_800_000, since="entry")
    return replace(cell, part_types=tuple(replace(p, soak=soak) for p in cell.part_types))


def test_a_pallet_whose_part_soaks_says_until_when(seen_from):
    world = small_world(pallets=1, declared=with_soaking)
    until(world, lambda w: any(p.open for p in w.state.pallets.values()))
    (shown,) = pallets_view(seen_from(world))
    assert shown.why_here == "adapts to the temperature of the cell until 2025-11-24T16:30:00.300Z"
    until(world, measuring)
    (shown,) = pallets_view(seen_from(world))
    assert shown.why_here.startswith("is measured at")


def test_a_paused_cell_is_a_reason_to_wait(world, seen_from):
    until(world, lambda w: any(p.stage == "planned" for p in w.state.pallets.values()))
    world.tell(CellOrdered(want="pause", by="test"))
    state = replace(world.state, handler=replace(world.state.handler, carry=None))
    now = replace(seen_from(world), state=state)
    waiting = [p.why_here for p in pallets_view(now) if p.stage == "planned"]
    assert "waits because the cell is paused" in waiting


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"mode": "manual"}, "is in automatic mode (now: manual)"),
        ({"link": "down"}, "is connected"),
    ],
    ids=["manual", "switched off"],
)
def test_a_pallet_in_a_station_that_nobody_may_enter_says_so(world, seen_from, change, said):
    now = seen_from(until(world, measuring))
    station = next(s for s in now.state.stations.values() if s.run and s.run.stage == "measuring")
    idle = replace(station, run=None, **change)
    state = replace(now.state, stations={**now.state.stations, station.station: idle})
    shown = pallet_view(replace(now, state=state), station.pallet)
    assert shown.why_here == f"waits until {station.station} {said}"


def test_a_prepared_run_says_which_conditions_keep_it_from_starting(world, seen_from):
    """No goal is set before its interlocks hold; people must be told all the same."""
    until(
        world, lambda w: any(s.run and s.run.stage == "prepared" for s in w.state.stations.values())
    )
    station = next(s for s in world.state.stations.values() if s.run and s.run.stage == "prepared")
    gated = replace(station, gate="the calibration has run out")
    stations = {**world.state.stations, station.station: gated}
    now = replace(seen_from(world), state=replace(world.state, stations=stations))
    start = next(w for w in waits_of_station(now, station.station) if "started" in w.what)
    assert (
        "the station's own gate (calibration, sensor) is free and its declared calibration holds"
        in start.until
    )


def test_a_stop_before_a_measuring_station_says_what_it_waits_for(world, seen_from):
    """The handler stands before a station whose door may not open yet."""

    def stands_before(w):
        carry, handler = w.state.handler.carry, w.state.handler
        busy = carry and w.state.stations.get(carry.target)
        return (
            busy
            and busy.run
            and busy.run.stage == "measuring"
            and any(handler.jaws)
            and ("handler" not in w.state.outstanding)
        )

    now = seen_from(until(world, stands_before))
    until_texts = [text for wait in waits_of_handler(now) for text in wait.until]
    assert "the station does not measure" in until_texts


def test_a_wait_names_its_limit(world, seen_from):
    now = seen_from(until(world, lambda w: "handler" in w.state.outstanding))
    [wait] = waits_of_handler(now)
    assert wait.until == []
    assert milliseconds(wait.limit_at) == now.state.timers["handler"].due_ms


def test_usage_counts_from_where_this_process_began_to_look(world, seen_from):
    until(world, lambda w: w.state.stations["scan-1"].figures.runs == 2)
    beginning = Beginning(
        at_ms=world.now_ms, figures={n: s.figures for n, s in world.state.stations.items()}
    )
    until(world, lambda w: w.state.stations["scan-1"].figures.runs == 3)
    shown = station_view(seen_from(world), "scan-1", beginning, UNKNOWN).usage
    assert shown.runs == 1
    assert 0 < shown.busy_s <= shown.observed_s
    assert shown.utilisation == pytest.approx(shown.busy_s / shown.observed_s, abs=1e-4)


def test_a_run_under_way_counts_as_busy(world, seen_from):
    until(world, measuring)
    station = next(s for s in world.state.stations.values() if s.run and s.run.stage == "measuring")
    world.run(station.run.started_ms + 10_000)
    now = seen_from(world)
    shown = station_view(
        now, station.station, Beginning(at_ms=now.at_ms - 3_600_000, figures={}), UNKNOWN
    )
    assert shown.run.elapsed_s == pytest.approx(10.0)
    assert shown.usage.busy_s == pytest.approx(station.figures.busy_ms / 1000 + shown.run.elapsed_s)


@pytest.mark.parametrize("text", ["2025-11-25T09:15:11.004Z", "2025-11-25T10:15:11.004+01:00"])
def test_times_are_read_and_written_as_rfc_3339(text):
    """The instant is 1764062111.004 s after 1970: computed with `date -u -d 2025-11-25T09:15:11Z +%s`."""
    assert milliseconds(text) == 1_764_062_111_004
    assert instant(milliseconds(text)) == "2025-11-25T09:15:11.004Z"


def test_a_time_without_a_zone_is_refused():
    with pytest.raises(ValueError, match="time zone"):
        milliseconds("2025-11-25T09:15:11")


def test_the_page_shows_places_of_every_kind():
    source = (Path(web.__file__).parent / "templates" / "now.html").read_text(encoding="utf-8")
    words = {const.value for const in Environment().parse(source).find_all(Const)}
    assert {*get_args(PlaceKind)} <= words
