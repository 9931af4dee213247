"""A station adapter against an awkward server: what it makes of values, orders and results."""

import asyncio
import time
from datetime import datetime

import pytest
from asyncua import ua

from supervisor.app import link_view
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    ClearFault,
    PrepareProgram,
    SetDoor,
    StartRun,
)
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

T = ua.VariantType
UNCERTAIN = ua.StatusCodes.UncertainLastUsableValue
BAD = ua.StatusCodes.BadSensorFailure


@pytest.fixture
async def operator(strange):
    """The server's operator; what a test has written is put back after it."""
    async with strange.operator() as operator:
        await operator.write("Count", 0, T.UInt32)  # other files count on
        yield operator
        for name, value, kind in (
            ("Mode", 2, T.Int32),
            ("Nest", False, T.Boolean),
            ("Work", 0, T.Int32),
            ("RunId", "", T.String),
            ("Serial", "", T.String),
            ("Gate", "", T.String),
            ("Echoing", True, T.Boolean),
            ("Manner", "ack", T.String),
            ("Req", False, T.Boolean),
            ("RowsRun", "R7", T.String),
        ):
            await operator.write(name, value, kind)
        await operator.write("Door", ua.LocalizedText("zu"), T.LocalizedText)


@pytest.fixture
async def station(strange, watch, strange_profile, wiring):
    """A connected adapter of the strange station."""
    watcher = watch(StationAdapter("strange-1", strange.url, strange_profile(), wiring))
    await watcher.until(lambda: watcher.last(StationObserved).link == "up")
    return watcher


def seen(watcher):
    return watcher.last(StationObserved)


def start(order, run_no, serial="S1"):
    return StartRun(
        order=order, station="strange-1", run_id=f"R{run_no}", run_no=run_no, program="p", name="P", number=1,
        revision="A", part_type="t", serial=serial, pallet="g",
    )  # fmt: skip


# --- the image ----------------------------------------------------------------------------------------------------------


async def test_every_kind_of_value_becomes_a_word_of_the_core(station, operator):
    await operator.write("Mode", 1, T.Int32)
    await operator.write("Door", ua.LocalizedText("auf"), T.LocalizedText)
    await operator.write("Nest", True, T.Boolean)
    await operator.write("Gate", "due since May", T.String)
    image = await station.until(lambda: seen(station).gate and seen(station))

    assert (image.mode, image.door, image.nest, image.work) == (
        "manual",
        "open",
        "occupied",
        "idle",
    )
    assert image.gate == "its calibration is due"


@pytest.mark.parametrize("status", [UNCERTAIN, BAD])
@pytest.mark.hazard(21)
async def test_a_value_that_is_not_good_is_unknown(station, operator, status):
    await operator.write("Nest", True, T.Boolean, status)
    await station.until(lambda: seen(station).nest == "unknown")
    await operator.write("Nest", True, T.Boolean)
    await station.until(lambda: seen(station).nest == "occupied")


@pytest.mark.hazard(25)
async def test_a_gate_that_cannot_be_read_is_closed(station, operator):
    await operator.write("Gate", "", T.String, BAD)
    await station.until(lambda: seen(station).gate == "its release to measure cannot be read")


async def test_a_value_that_no_table_lists_is_unknown(station, operator):
    await operator.write("Work", 77, T.Int32)
    await station.until(lambda: seen(station).work == "unknown")


async def test_a_message_that_changes_nothing_is_not_reported(station, operator):
    before = len(station.events)
    await operator.write("Word", 1 << 15, T.UInt16)
    await operator.write("Gate", "", T.String)
    await operator.write("Nest", True, T.Boolean)
    await station.until(lambda: seen(station).nest == "occupied")
    assert len(station.events) == before + 1


async def test_the_source_time_never_goes_back_within_a_connection(station, operator):
    for value in (True, False, True):
        await operator.write("Nest", value, T.Boolean)
        await station.until(
            lambda value=value: seen(station).nest == ("occupied" if value else "empty")
        )
    times = [event.source_ms for event in station.of(StationObserved)]
    assert times == sorted(times)
    assert times[-1] > 0


async def test_what_the_server_granted_is_in_the_report(station):
    report = station.adapter.report()
    assert (report.link, report.asked_interval_ms) == ("up", 20)
    assert report.revised is not None
    assert report.revised.interval_ms == 20
    assert report.revised.keep_alive_ms == 500
    assert report.revised.session_ms == 10_000
    assert report.revised.items == 8
    assert report.quiet_s <= 1.5


async def test_every_watched_value_is_shown_with_its_quality_its_source_time_and_its_age(
    station, operator
):
    before_ms = time.time() * 1000
    await operator.write("Nest", True, T.Boolean)
    await station.until(lambda: seen(station).nest == "occupied")

    view = link_view(station.adapter.report())

    assert len(view.values) == 8
    nest = next(each for each in view.values if each.node == "nest")
    assert (nest.value, nest.quality) == ("True", "good")
    assert nest.source_at is not None
    source_ms = datetime.fromisoformat(nest.source_at).timestamp() * 1000
    assert before_ms - 1 <= source_ms <= time.time() * 1000
    assert 0 <= nest.age_s < 60


async def test_a_server_that_pushes_at_once_and_sends_no_sign_of_life_is_asked_for_one(
    strange, watch, strange_profile, operator
):
    options = LinkOptions(interval_ms=0, silence_ms_max=750)
    station = watch(
        StationAdapter("strange-1", strange.url, strange_profile(), Wiring(options=options))
    )
    await station.until(lambda: seen(station).link == "up")
    await asyncio.sleep(1.5)  # twice the silence that would be too long
    await operator.write("Nest", True, T.Boolean)
    await station.until(lambda: seen(station).nest == "occupied")
    assert [event.link for event in station.events] == ["up", "up"]


# --- not the station that the profile is for ------------------------------------------------------------------------------

WRONG = [
    ({("namespaces", "x"): "urn:nobody"}, "expected the namespace urn:nobody"),
    ({("root",): "x:Stranger"}, "expected a node at Objects/x:Stranger, found none"),
    ({("nodes", "work", "path"): "x:Works"}, "expected a node at Objects/x:Strange/x:Works, found none"),
    ({("nodes", "work", "path"): "x:Twin"}, "expected one node at Objects/x:Strange/x:Twin, found 2"),
    ({("nodes", "serial"): {"path": "x:Work", "type": "String"}},
     "node serial (x:Work): expected the data type String, found Int32"),
    ({("nodes", "rows_run"): {"path": "x:Judge", "type": "String"}},
     "node rows_run (x:Judge): expected a variable, found Method"),
    ({("nodes", "slow"): {"path": "x:Word", "type": "Method"}}, "node slow (x:Word): expected a method, found Variable"),
    ({("nodes", "nest", "name"): "x:Nests"}, "expected the browse name x:Nests, found 4:Nest"),
    ({("nodes", "nest", "id"): "x;s=Strange.Nester"}, "node nest (x;s=Strange.Nester): expected a variable, found nothing"),
    ({("nodes", "rows", "path"): "x:Serial"}, "node rows (x:Serial): expected the data type Structure, found String"),
    ({("orders", "abort", "arguments", 0, "type"): "Int64"},
     "node judge (x;s=Strange.Judge), argument 1 (Code): expected the data type Int64, found Int32"),
    ({("orders", "abort", "arguments"): []}, "node judge (x;s=Strange.Judge): expected a method with 0 arguments, found 1"),
    ({("facets", "mode", "names"): {"Automatic": "automatic"}},
     "node mode: expected the member Automatic in the station's enumeration, found Off, Hand, Auto, Broken"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "why"), WRONG)
@pytest.mark.hazard(18)
async def test_a_wrong_node_keeps_the_link_down_and_is_named(
    strange, watch, strange_profile, wiring, changes, why
):
    station = watch(StationAdapter("strange-1", strange.url, strange_profile(changes), wiring))
    await station.until(lambda: seen(station).link == "down")
    assert why in station.adapter.report().why
    assert [event.link for event in station.events] == ["down"]


async def test_a_goal_while_the_link_is_down_is_forgotten(watch, strange_profile, wiring):
    station = watch(StationAdapter("strange-1", "opc.tcp://127.0.0.1:9", strange_profile(), wiring))
    await station.until(lambda: seen(station).link == "down")
    station.adapter.give(PrepareProgram(
        order=1, station="strange-1", program="p", name="P", number=1, revision="A", part_type="t"
    ))  # fmt: skip
    await asyncio.sleep(0.05)
    assert station.of(OrderAnswered) == []


# --- orders ---------------------------------------------------------------------------------------------------------------


def answers(watcher):
    return [(answer.order, answer.outcome, answer.why) for answer in watcher.of(OrderAnswered)]


async def test_a_goal_that_the_station_does_not_know_is_done_at_once(station):
    station.adapter.give(PrepareProgram(
        order=5, station="strange-1", program="p", name="P", number=1, revision="A", part_type="t"
    ))  # fmt: skip
    await station.until(lambda: answers(station))
    assert answers(station) == [(5, "done", "")]


async def test_a_written_order_is_accepted_when_its_echo_follows(station, operator):
    station.adapter.give(start(6, 4711))
    station.adapter.give(ClearFault(order=7, station="strange-1"))
    await station.until(lambda: answers(station))
    assert [answer[0] for answer in answers(station)] == [7]
    assert await operator.read("RunEcho") == 4711


async def test_a_written_order_whose_echo_does_not_follow_is_in_doubt(station, operator):
    await operator.write("Echoing", False, T.Boolean)
    station.adapter.give(start(8, 4712))
    await station.until(lambda: answers(station))
    assert answers(station) == [(8, "unknown", "echo did not follow within 2 s")]


@pytest.mark.parametrize("shown", ["R4713", "4713"])
async def test_a_run_that_the_station_shows_already_is_not_started_again(station, operator, shown):
    await operator.write("RunRequest", 0, T.UInt32)
    await operator.write("RunId", shown, T.String)
    await operator.write("Work", 2, T.Int32)
    station.adapter.give(start(9, 4713))
    station.adapter.give(ClearFault(order=10, station="strange-1"))
    await station.until(lambda: answers(station))
    assert [answer[0] for answer in answers(station)] == [10]
    assert await operator.read("RunRequest") == 0


async def test_a_run_is_started_that_the_station_only_has_in_mind(station, operator):
    await operator.write("RunId", "R4714", T.String)
    await operator.write("Work", 1, T.Int32)
    station.adapter.give(start(9, 4714))
    station.adapter.give(ClearFault(order=10, station="strange-1"))
    await station.until(lambda: answers(station))
    assert await operator.read("RunRequest") == 4714


async def test_a_pulse_is_withdrawn_after_its_acknowledgement(station, operator):
    station.adapter.give(SetDoor(order=11, station="strange-1", door="open"))
    station.adapter.give(ClearFault(order=12, station="strange-1"))
    await station.until(lambda: answers(station))
    assert answers(station)[0][:2] == (12, "refused")
    assert await operator.read("Req") is False
    assert await operator.read("Ack") is False


async def test_a_refused_pulse_gives_the_stations_words(station, operator):
    await operator.write("Manner", "nak", T.String)
    station.adapter.give(SetDoor(order=13, station="strange-1", door="open"))
    await station.until(lambda: answers(station))
    assert answers(station) == [(13, "refused", "the nest is empty")]
    assert await operator.read("Req") is False


async def test_a_pulse_that_nobody_answers_is_in_doubt_and_withdrawn(station, operator):
    await operator.write("Manner", "never", T.String)
    station.adapter.give(SetDoor(order=14, station="strange-1", door="open"))
    await station.until(lambda: answers(station))
    assert answers(station) == [(14, "unknown", "ack did not come within 2 s")]
    assert await operator.read("Req") is False


async def test_a_request_left_on_by_an_earlier_process_is_withdrawn_first(station, operator):
    await operator.write("Req", True, T.Boolean)
    station.adapter.give(SetDoor(order=15, station="strange-1", door="open"))
    station.adapter.give(ClearFault(order=16, station="strange-1"))
    await station.until(lambda: answers(station))
    assert answers(station)[0][:2] == (16, "refused")


async def test_a_node_that_may_not_be_written_refuses_the_order(station):
    station.adapter.give(SetDoor(order=17, station="strange-1", door="closed"))
    await station.until(lambda: answers(station))
    assert answers(station) == [(17, "refused", "writing sealed: BadUserAccessDenied")]


@pytest.mark.parametrize(
    ("run_no", "outcome", "why"),
    [
        (1, "refused", "code 1"),
        (9, "unknown", "status 9, which the profile does not explain code 9"),
    ],
)
async def test_a_status_says_whether_an_order_was_refused_or_is_in_doubt(
    station, run_no, outcome, why
):
    station.adapter.give(AbortRun(order=18, station="strange-1", run_id=f"R{run_no}"))
    await station.until(lambda: answers(station))
    assert answers(station) == [(18, outcome, why)]


async def test_a_method_that_the_server_refuses_was_not_carried_out(station):
    station.adapter.give(ClearFault(order=19, station="strange-1"))
    await station.until(lambda: answers(station))
    assert answers(station) == [(19, "refused", "the server answered BadInvalidState")]


async def test_a_number_is_counted_up_for_each_order_and_nothing_is_sent_while_one_is_on_its_way(
    strange, watch, strange_profile, wiring, operator
):
    counted = {"by": "count", "node": "request", "echo": "echo", "done": "accepted", "limit_s": 2}
    profile = strange_profile({("orders", "close_door"): counted})
    station = watch(StationAdapter("strange-1", strange.url, profile, wiring))
    await operator.write("RunRequest", 2**32 - 2, T.UInt32)
    await operator.until("RunEcho", 2**32 - 2)
    await station.until(lambda: seen(station).link == "up")

    async def given(order):
        station.adapter.give(SetDoor(order=order, station="strange-1", door="closed"))
        await station.until(lambda: len(answers(station)) >= order)
        return answers(station)[-1][1], await operator.read("RunRequest")

    assert await given(1) == ("done", 2**32 - 1)
    assert await given(2) == ("done", 0)  # after the largest number of the node's type
    await operator.write("Echoing", False, T.Boolean)
    assert await given(3) == ("unknown", 1)
    assert await given(4) == ("failed", 1)  # the third is still on its way
    assert "an order is on its way; nothing was sent" in answers(station)[-1][2]


async def test_an_order_that_says_so_is_done_when_it_is_accepted(station):
    station.adapter.give(AcknowledgeResult(order=20, station="strange-1", run_id="R0"))
    await station.until(lambda: answers(station))
    assert answers(station) == [(20, "done", "")]


async def test_a_value_that_does_not_fit_is_not_sent(strange, watch, strange_profile, wiring):
    start_small = {"by": "write", "node": "small", "field": "run_no", "limit_s": 2}
    profile = strange_profile({("orders", "start"): start_small})
    station = watch(StationAdapter("strange-1", strange.url, profile, wiring))
    await station.until(lambda: seen(station).link == "up")
    station.adapter.give(start(21, 256))
    await station.until(lambda: answers(station))
    assert answers(station) == [(21, "failed", "256 does not fit into Byte; nothing was sent")]


async def test_a_slow_method_leaves_its_order_in_doubt_and_disturbs_nothing_else(station, operator):
    station.adapter.give(
        AcknowledgeResult(order=22, station="strange-1", run_id="R4")
    )  # takes 4 s, may take 2
    await operator.write("Nest", True, T.Boolean)
    await station.until(lambda: seen(station).nest == "occupied", 1.0)
    await station.until(lambda: answers(station), 3.0)
    station.adapter.give(AbortRun(order=23, station="strange-1", run_id="R1"))
    await station.until(lambda: len(answers(station)) == 2, 1.0)

    assert answers(station) == [(22, "unknown", "no answer within 2 s"), (23, "refused", "code 1")]
    assert [event.link for event in station.of(StationObserved)] == ["up"] * len(
        station.of(StationObserved)
    )


async def test_a_door_may_overtake_a_program_that_is_being_prepared_and_nothing_else_may(
    strange, watch, strange_profile, wiring, operator
):
    prepare = {
        "by": "write",
        "node": "request",
        "field": "program_number",
        "echo": "echo",
        "limit_s": 2,
    }
    profile = strange_profile({("orders", "prepare"): prepare})
    station = watch(StationAdapter("strange-1", strange.url, profile, wiring))
    await station.until(lambda: seen(station).link == "up")
    await operator.write("RunRequest", 0, T.UInt32)
    await operator.write("Echoing", False, T.Boolean)
    station.adapter.give(PrepareProgram(
        order=24, station="strange-1", program="p", name="P", number=99, revision="A", part_type="t"
    ))  # fmt: skip
    await operator.until("RunRequest", 99)
    station.adapter.give(ClearFault(order=25, station="strange-1"))
    station.adapter.give(SetDoor(order=26, station="strange-1", door="closed"))
    await station.until(lambda: len(answers(station)) == 3)
    assert [answer[0] for answer in answers(station)] == [26, 24, 25]


async def test_goals_go_out_in_the_order_given(station):
    for order in range(30, 40):
        station.adapter.give(AbortRun(order=order, station="strange-1", run_id="R1"))
        await station.until(
            lambda order=order: answers(station) and answers(station)[-1][0] == order
        )
    assert [answer[0] for answer in answers(station)] == list(range(30, 40))


# --- results --------------------------------------------------------------------------------------------------------------


async def finish(operator, run_id, rows_run=None):
    """What a station shows when a run has finished: the result first, the state last."""
    await operator.write("RowsRun", rows_run or run_id, T.String)
    await operator.write("RunId", run_id, T.String)
    await operator.write("Serial", f"S-{run_id}", T.String)
    await operator.write("Work", 4, T.Int32)


async def test_a_result_that_cannot_be_read_keeps_no_station_away_when_its_link_comes_back(
    strange, watch, strange_profile, wiring, through_proxy, operator
):
    """The image was held back for ever: whoever tried to read the result before the link was lost had given up holding it."""
    proxy = await through_proxy(strange.url)
    await finish(operator, "R8")
    await operator.write("RowsRun", "R8", T.String, BAD)
    station = watch(StationAdapter("strange-1", proxy.url, strange_profile(), wiring))
    await station.until(lambda: seen(station).work == "finished")
    for _ in range(2):
        proxy.cut("reset")
        await station.until(lambda: seen(station).link == "down")
        await station.until(lambda: seen(station).work == "finished")
    assert station.of(ResultArrived) == []


async def test_a_finished_run_is_reported_after_its_result(station, operator):
    await finish(operator, "R7")
    await station.until(lambda: seen(station).work == "finished")
    (result,) = station.of(ResultArrived)

    assert station.events.index(result) < station.events.index(seen(station))
    assert (result.run_id, result.serial, result.counter, result.scope) == (
        "R7",
        "S-R7",
        0,
        "final",
    )
    assert result.result_id == f"strange-1/{result.boot}/0"
    assert [(v.number, v.value, v.unit, v.quality) for v in result.values] == [
        ("7", 25.01, "mm", "good"),
        ("8", None, "mm", "bad"),
    ]


@pytest.mark.hazard(9)
async def test_a_result_is_reported_once_however_long_it_stays(station, operator):
    await finish(operator, "R8")
    await station.until(lambda: seen(station).work == "finished")
    await operator.write("Nest", True, T.Boolean)
    await station.until(lambda: seen(station).nest == "occupied")
    assert len(station.of(ResultArrived)) == 1


@pytest.mark.hazard(7)
async def test_a_result_of_another_run_keeps_its_own_name(station, operator):
    await finish(operator, "R9", rows_run="R1")
    await station.until(lambda: station.of(ResultArrived))
    assert station.last(ResultArrived).run_id == "R1"


@pytest.mark.hazard(8)
async def test_a_result_that_waited_for_the_link_is_reported_when_it_comes_up(
    strange, watch, strange_profile, wiring, operator
):
    await finish(operator, "R10")
    station = watch(StationAdapter("strange-1", strange.url, strange_profile(), wiring))
    await station.until(lambda: seen(station).link == "up")
    assert [event.run_id for event in station.of(ResultArrived)] == ["R10"]
    assert isinstance(station.events[0], ResultArrived)


@pytest.mark.hazard(8)
async def test_a_counter_that_moved_tells_of_a_result_that_somebody_acknowledged_by_hand(
    station, operator
):
    count = await operator.read("Count")
    await operator.write("Count", count + 1, T.UInt32)
    await station.until(lambda: seen(station).counter == count + 1)
    assert station.last(ResultArrived).counter == count + 1


async def test_a_result_that_cannot_be_read_does_not_hide_that_the_run_finished(
    strange, watch, strange_profile, wiring, operator
):
    profile = strange_profile({("results", "columns", "value"): "Colour"})
    station = watch(StationAdapter("strange-1", strange.url, profile, wiring))
    await station.until(lambda: seen(station).link == "up")
    await finish(operator, "R11")
    await station.until(lambda: seen(station).work == "finished", 3.0)
    assert station.of(ResultArrived) == []
    await operator.write("Work", 0, T.Int32)
    await station.until(lambda: seen(station).work == "idle", 3.0)
