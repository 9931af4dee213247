"""What a station may be without: found by browsing when the link comes up, said, and done without."""

import pytest

from supervisor.app import link_view
from supervisor.core.commands import AbortRun, ClearFault
from supervisor.core.events import OrderAnswered, StationObserved
from supervisor.stations.station import StationAdapter

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

JUDGE = {"by": "call", "node": "judge", "arguments": [{"type": "Int32", "field": "run_no"}],
         "outputs": {"status": 1, "text": 2}, "accepted": [0], "refused": [1], "limit_s": 2}  # fmt: skip
CALM = {"path": "x:Calm", "type": "Method", "optional": "a run is ended by the slower way"}
KEY = {"path": "x:Keys/x:Inserted", "type": "Boolean", "optional": "the key switch is not seen"}
RESET = {"id": "x;s=Strange.Reset", "name": "x:Reset", "on": "x;s=Strange", "type": "Method",
         "optional": "faults are cleared at the station"}  # fmt: skip


def seen(watcher):
    return watcher.last(StationObserved)


@pytest.fixture
def linked(strange, watch, strange_profile, wiring):
    async def connected(changes):
        watcher = watch(StationAdapter("strange-1", strange.url, strange_profile(changes), wiring))
        await watcher.until(lambda: seen(watcher).link == "up")
        return watcher

    return connected


async def test_an_order_takes_the_first_way_that_the_station_has(linked):
    station = await linked(
        {
            ("nodes", "calm"): CALM,
            ("orders", "abort"): {"by": "first", "ways": [{**JUDGE, "node": "calm"}, JUDGE]},
        }
    )
    station.adapter.give(AbortRun(order=1, station="strange-1", run_id="R1"))
    await station.until(lambda: station.of(OrderAnswered))
    assert station.last(OrderAnswered).outcome == "refused"  # the word of `judge`, the second way
    assert station.adapter.report().without == (("calm", CALM["optional"]),)


async def test_the_best_way_is_taken_where_it_is_there(linked):
    best = {"path": "x:Refuse", "type": "Method", "optional": "a run is ended by the slower way"}
    station = await linked(
        {
            ("nodes", "best"): best,
            ("orders", "abort"): {"by": "first", "ways": [{"by": "call", "node": "best", "limit_s": 2}, JUDGE]},
        }
    )  # fmt: skip
    station.adapter.give(AbortRun(order=1, station="strange-1", run_id="R1"))
    await station.until(lambda: station.of(OrderAnswered))
    assert "the server answered" in station.last(OrderAnswered).why  # `refuse` never does it
    assert station.adapter.report().without == ()


async def test_a_goal_without_any_way_is_done_at_once_and_the_interface_says_so(linked):
    station = await linked(
        {
            ("nodes", "reset"): RESET,
            ("orders", "clear_fault"): {"by": "first", "ways": [{"by": "call", "node": "reset", "limit_s": 2}, "not supported"]},
        }
    )  # fmt: skip
    station.adapter.give(ClearFault(order=7, station="strange-1"))
    await station.until(lambda: station.of(OrderAnswered))
    assert (station.last(OrderAnswered).order, station.last(OrderAnswered).outcome) == (7, "done")
    assert link_view(station.adapter.report()).without == [f"reset: {RESET['optional']}"]


async def test_cases_and_switches_of_nodes_that_are_missing_are_left_out(linked):
    cases = [{"when": [{"node": "key", "is": [True]}], "word": "manual"}]
    station = await linked(
        {
            ("nodes", "key"): KEY,
            ("facets", "mode"): {"cases": [*cases, {"when": [{"node": "mode", "is": ["Auto"]}], "word": "automatic"}]},
            ("facets", "gate"): {"cases": [{"when": [{"node": "key", "is": [True]}], "word": "locked"}], "missing": ""},
            ("facets", "nest"): {"node": "key", "truth": {"true": "occupied"}},
            ("echoes", "serial"): "other",
            ("nodes", "other"): {"path": "x:Other", "type": "String", "optional": "no serial number"},
        }
    )  # fmt: skip
    shown = seen(station)
    assert (shown.mode, shown.gate, shown.nest, shown.serial) == ("automatic", "", "unknown", "")


async def test_an_optional_node_that_is_there_and_of_another_type_keeps_the_link_down(
    strange, watch, strange_profile, wiring
):
    changes = {("nodes", "gate", "optional"): "no release is known", ("nodes", "gate", "type"): "Int32",
               ("facets", "gate"): {"node": "gate", "codes": {0: ""}}}  # fmt: skip
    watcher = watch(StationAdapter("strange-1", strange.url, strange_profile(changes), wiring))
    await watcher.until(lambda: "expected the data type Int32" in watcher.adapter.report().why)
