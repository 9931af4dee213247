"""The shipped profile of machinery result transfer against a station on another stack, with the official nodeset."""

import pytest

from supervisor.cell.security import CURRENT
from supervisor.core.events import OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter
from tests.peers.conftest import Visits
from tests.peers.steps import SECURED

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

WIRING = Wiring(options=LinkOptions(interval_ms=20))


@pytest.fixture
def server(peer):
    station = peer("result_station.js")
    yield station
    for switch in ("occupied", "holding", "simulated"):
        station.switch(switch, False)
    station.switch("late", 0)
    station.switch("forgets", True)


async def test_a_whole_visit_whose_result_is_found_by_its_job_and_acknowledged(visits, server):
    visit = await visits(server, "machinery-result")
    server.switch("asked", [])
    await visit.load()
    visit.start(21)
    result = await visit.result(21)
    await visit.acknowledge(21)

    assert [(v.number, v.value, v.unit, v.quality) for v in result.values] == [
        ("1", 25.0104, "mm", "good"),
        ("2", 0.0031, "mm", "good"),
    ]
    assert server.ask("asked") == ["GetResultIdListFiltered", "GetResultById", "AcknowledgeResults"]
    assert "R21" not in server.ask("kept")
    assert visit.watcher.of(OrderAnswered) == []


@pytest.mark.hazard(7)
async def test_a_result_comes_with_the_time_of_its_making_on_the_clock_of_what_the_station_shows(
    watch, shipped, server
):
    """By the standard's own structure, where CreationTime is optional."""
    profile = shipped("machinery-result", {("results", "created"): "ResultMetaData.CreationTime"})
    adapter = StationAdapter("touch-1", server.url, profile, WIRING)
    visit = Visits(watch(adapter), server)
    await visit.until(mode="automatic")
    await visit.load()
    before_ms = visit.seen.source_ms
    visit.start(30)
    result = await visit.result(30)
    await visit.acknowledge(30)
    assert before_ms < result.created_ms <= visit.seen.source_ms


async def test_a_result_that_is_still_in_the_making_is_asked_for_until_it_is_whole(visits, server):
    visit = await visits(server, "machinery-result")
    server.switch("late", 2)
    await visit.load()
    visit.start(22)
    await visit.result(22)
    await visit.acknowledge(22)
    assert len(visit.results) == 1


@pytest.mark.hazard(40)
async def test_a_simulated_result_is_never_taken(visits, server):
    visit = await visits(server, "machinery-result")
    server.switch("simulated", True)
    await visit.load()
    visit.start(23)
    await visit.until(work="finished")
    assert visit.results == []
    await visit.acknowledge(23)


@pytest.fixture
async def outage(visits, server, through_proxy):
    """A run at work, and then nobody listens; the station's side is played before the link comes back."""

    async def during(run_no, *switches, profile="machinery-result"):
        proxy = await through_proxy(server.url.removesuffix("/station"))
        visit = await visits(server, profile, f"{proxy.url}/station")
        await visit.load()
        server.switch("holding", True)
        visit.start(run_no)
        await visit.until(work="running")
        await proxy.refuse()
        proxy.cut("reset")
        await visit.until(link="down")
        visit.watcher.events.clear()
        for name, value in switches:
            server.switch(name, value)
        await proxy.listen()
        await visit.until(link="up")
        return visit

    return during


async def test_a_result_that_came_in_an_outage_is_fetched_when_the_link_is_back(outage):
    visit = await outage(24, ("ends", "R24"))
    await visit.result(24)
    await visit.acknowledge(24)
    assert len(visit.results) == 1


async def test_by_job_control_alone_a_result_that_came_in_an_outage_is_fetched_as_well(outage):
    visit = await outage(29, ("ends", "R29"), profile="job-control")
    result = await visit.result(29)
    assert [value.value for value in result.values] == [25.0104, 0.0031]
    await visit.acknowledge(29)
    assert len(visit.results) == 1


async def test_a_missed_result_is_fetched_though_the_station_has_forgotten_the_job(outage, server):
    visit = await outage(25, ("ends", "R25"), ("forgets", True))
    first, then = visit.watcher.events[:2]

    assert isinstance(first, ResultArrived)  # before the core sees that the run is gone
    assert (first.run_id, first.serial) == ("R25", "S25")
    assert [value.value for value in first.values] == [25.0104, 0.0031]
    assert isinstance(then, StationObserved)
    assert then.work == "idle"
    await visit.acknowledge(25)
    await visit.watcher.until(lambda: "R25" not in server.ask("kept"))


async def test_a_run_that_is_gone_without_a_result_is_asked_for_and_reported_as_gone(outage):
    visit = await outage(26, ("asked", []), ("forgets", True))
    await visit.until(work="idle")
    assert visit.results == []


async def test_a_station_with_nothing_but_the_latest_result_is_asked_for_that(peer, visits):
    server = peer("result_station.js", "latest")
    visit = await visits(server, "machinery-result")
    for run_no in (27, 28):
        server.switch("late", 1)
        await visit.load()
        visit.start(run_no)
        result = await visit.result(run_no)
        await visit.acknowledge(run_no)
        assert len(result.values) == 2
    assert set(server.ask("asked")) == {"GetLatestResult"}
    assert len(visit.results) == 2


@pytest.mark.parametrize(("policy", "user"), SECURED)
async def test_a_visit_over_an_encrypted_connection(policy, user, visits, server, encrypted):
    visit = await visits(server, "machinery-result", wiring=encrypted(server, policy, user))
    run_no = 40 + CURRENT.index(policy)
    await visit.load()
    visit.start(run_no)
    assert len((await visit.result(run_no)).values) == 2
    await visit.acknowledge(run_no)
    assert f"({policy})" in visit.security


async def test_browsing_it_proposes_the_profile_that_says_most(server, proposed):
    found, text, mine = await proposed(server)
    assert [fit.profile for fit in found.fits if not fit.why] == ["machinery-result", "job-control"]
    assert (mine.extends, mine.root, "?" in text) == ("machinery-result", "site:Station", False)
