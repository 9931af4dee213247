"""Two stations of one model in one process, whose servers give the model's namespaces other indices, at work at the same time.

Rules of this file:
- What a library knows of structures by their ids alone (asyncua's registry is one for the process) would be wrong for one of the two.
  Each is written to and read by its own server's ids.
"""

import asyncio

import pytest

from tests.integration.patience import patient

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

CONTROL = "http://opcfoundation.org/UA/ISA95-JOBCONTROL_V2/"


@pytest.fixture
def servers(peer):
    both = peer("job_station.js"), peer("job_station.js", "shifted")
    yield both
    for server in both:
        server.switch("occupied", False)


async def index_at(server):
    async with patient(server.url) as client:
        return await client.get_namespace_index(CONTROL)


async def measured(visit, run_no):
    """A whole visit; its result."""
    await visit.load()
    visit.start(run_no)
    result = await visit.result(run_no)
    await visit.acknowledge(run_no)
    return result


async def test_each_is_spoken_to_by_its_own_ids_though_they_work_at_the_same_time(servers, visits):
    indices = [await index_at(server) for server in servers]
    assert indices[0] != indices[1]  # else this test shows nothing
    both = [await visits(server, "job-control") for server in servers]
    results = await asyncio.gather(
        *(measured(visit, run_no) for run_no, visit in enumerate(both, 61))
    )
    assert [one.run_id for one in results] == ["R61", "R62"]
    assert [[value.value for value in one.values] for one in results] == [[25.0104, 0.0031]] * 2
