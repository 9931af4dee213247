"""The shipped profile of a geometric measuring system against one on another stack: whether it is fit to measure, and whole visits."""

import pytest

from supervisor.core.events import OrderAnswered, StationObserved
from supervisor.stations.station import StationAdapter

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

POLICY = "Aes128_Sha256_RsaOaep"

AS_IT_WAS = {"occupied": False, "holding": False, "manual": False, "parked": True, "loadStatus": None,
             "calibrated": True, "qualified": 0, "forgets": True}  # fmt: skip


@pytest.fixture
def server(peer):
    station = peer("gms_station.js")
    yield station
    for switch, value in AS_IT_WAS.items():
        station.switch(switch, value)


async def test_a_whole_visit_with_the_result_from_the_systems_own_result_management(visits, server):
    visit = await visits(server, "gms")
    server.switch("asked", [])
    assert visit.seen.gate == ""
    await visit.load()
    visit.start(31)
    result = await visit.result(31)
    await visit.acknowledge(31)

    assert [(v.number, v.value, v.unit) for v in result.values] == [
        ("1", 25.0104, "mm"),
        ("2", 0.0031, "mm"),
    ]
    assert server.ask("asked") == ["GetResultIdListFiltered", "GetResultById", "AcknowledgeResults"]
    assert visit.watcher.of(OrderAnswered) == []


@pytest.mark.parametrize(
    ("switch", "value", "words"),
    [
        ("calibrated", False, "its calibration is not valid"),
        ("qualified", 1, "its sensor measures imprecisely"),
        ("qualified", 2, "its sensor is not qualified"),
    ],
)
async def test_a_system_that_is_not_fit_to_measure_says_so_and_why(
    switch, value, words, visits, server
):
    visit = await visits(server, "gms")
    server.switch(switch, value)
    await visit.until(gate=words)
    server.switch(switch, AS_IT_WAS[switch])
    await visit.until(gate="")


async def test_an_open_door_with_the_axes_in_the_way_is_not_open_for_the_handler(visits, server):
    visit = await visits(server, "gms")
    await visit.door("open")
    server.switch("parked", False)
    await visit.until(door="moving")
    assert server.ask("open") is True
    server.switch("parked", True)
    await visit.until(door="open")
    await visit.door("closed")


@pytest.mark.parametrize(("status", "nest"), [(0, "unknown"), (3, "unknown"), (2, "unknown")])
async def test_a_nest_counts_only_where_load_status_and_switch_agree(status, nest, visits, server):
    visit = await visits(server, "gms")
    await visit.until(nest="empty")
    server.switch("loadStatus", status)
    await visit.until(nest=nest)
    server.switch("loadStatus", None)
    await visit.until(nest="empty")


async def test_a_system_in_manual_is_in_manual(visits, server):
    visit = await visits(server, "gms")
    server.switch("manual", True)
    await visit.until(mode="manual")
    server.switch("manual", False)
    await visit.until(mode="automatic")


async def test_a_system_without_anything_that_the_standard_leaves_optional_does_without(peer, visits):  # fmt: skip
    server = peer("gms_station.js", "bare")
    visit = await visits(server, "gms")
    assert visit.seen.gate == ""
    await visit.load()
    visit.start(32)
    assert len((await visit.result(32)).values) == 2
    await visit.acknowledge(32)


async def test_a_visit_over_an_encrypted_connection(visits, server, encrypted):
    visit = await visits(server, "gms", wiring=encrypted(server, POLICY))
    await visit.load()
    visit.start(39)
    assert len((await visit.result(39)).values) == 2
    await visit.acknowledge(39)
    assert visit.security.endswith(f"({POLICY})")


async def test_browsing_it_proposes_a_profile_that_drives_it(server, proposed, watch):
    found, text, mine = await proposed(server)
    assert (found.fits[0].profile, found.fits[0].why) == ("gms", "")
    assert (mine.extends, mine.root) == ("gms", "m:Machines/site:Station")
    assert "?" not in text
    watcher = watch(StationAdapter("touch-1", server.url, mine))
    await watcher.until(lambda: watcher.last(StationObserved).gate == "", 20)
