"""Whole visits on the second stack over every current policy and as every kind of user, with a server that refuses strangers.

Rules of this file:
- Both sides make their own certificates as they do in a plant, and trust is given by a person's step: nothing is accepted unseen.
"""

import pytest

from supervisor.cell.security import CURRENT, SecurityEntry
from supervisor.core.commands import AcknowledgeResult, SetDoor, StartRun
from supervisor.core.events import ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.certificate import encoded
from supervisor.stations.connection import LinkOptions
from supervisor.stations.own_keys import OwnKeys
from supervisor.stations.secrets import Secrets
from supervisor.stations.security import Keys, make_ready, security_of
from supervisor.stations.station import StationAdapter
from supervisor.stations.trust import TrustList, read_certificate, write_file

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

PASSWORD = "swordfish-7"  # of the peer, see serving.js
USERS = {
    "anonymous": {},
    "user name": {"user": "pointsman", "secret": "job-1"},
    "certificate": {"user_certificate": "operator"},
}


@pytest.fixture
def server(peer):
    station = peer("job_station.js")
    yield station
    station.switch("occupied", False)


@pytest.fixture(scope="module")
def our_keys(tmp_path_factory):
    """Our own certificate, made on this first start."""
    folder = tmp_path_factory.mktemp("ours")
    own, trust = OwnKeys(folder), TrustList(folder)
    make_ready([SecurityEntry()], Keys(own=own, trust=trust, secrets=Secrets({})))
    return folder


@pytest.fixture(scope="module")
def user_keys(tmp_path_factory):
    """Two user certificates with their keys in the folder for secrets: the station is told of `operator` only."""
    folder = tmp_path_factory.mktemp("secrets")
    for name in ("operator", "stranger"):
        made = OwnKeys(folder / name).identity()
        write_file(folder / f"{name}.pem", (folder / name / "own/current.pem").read_bytes())
        (folder / f"{name}.der").write_bytes(encoded(made.certificate))
    return folder


@pytest.fixture
def station_as(server, watch, shipped, our_keys, user_keys):
    """A running adapter with this security, after both sides were told to trust each other."""

    def make(*, password=PASSWORD, trusted=True, folder=our_keys, **declared):
        own, trust = OwnKeys(folder), TrustList(folder)
        if trusted:
            trust.add(read_certificate(server.certificate), "trusted")
            server.trust("application", folder / "own/current.der")
            server.trust("user", user_keys / "operator.der")
        secrets = Secrets({"POINTSMAN_SECRET_JOB_1": password, "POINTSMAN_SECRETS": str(user_keys)})
        keys = Keys(own=own, trust=trust, secrets=secrets)
        security = security_of(SecurityEntry.model_validate(declared), keys)
        wiring = Wiring(options=LinkOptions(interval_ms=20), security=security)
        return watch(StationAdapter("job-1", server.url, shipped("job-control"), wiring))

    return make


def seen(watcher):
    return watcher.last(StationObserved)


async def told(watcher):
    """Why a link is down, once it has been told; it was never up."""
    await watcher.until(lambda: seen(watcher).link == "down", 20)
    assert [event.link for event in watcher.events] == ["down"]
    return watcher.adapter.report().why


async def visit(watcher, server):
    """A part in, measured, its result taken."""
    await watcher.until(lambda: seen(watcher).mode == "automatic", 20)
    door(watcher, "open")
    await watcher.until(lambda: seen(watcher).door == "open")
    server.switch("occupied", True)
    await watcher.until(lambda: seen(watcher).nest == "occupied")
    door(watcher, "closed")
    await watcher.until(lambda: seen(watcher).door == "closed")
    run_no = next(NUMBERS)
    watcher.adapter.give(
        StartRun(
            order=2,
            station="job-1",
            run_id=f"R{run_no}",
            run_no=run_no,
            program="p",
            name="P-17",
            number=1,
            revision="A",
            part_type="cam-ring",
            serial="S1",
            pallet="g",
        )
    )
    await watcher.until(lambda: watcher.of(ResultArrived))
    assert watcher.last(ResultArrived).run_id == f"R{run_no}"
    watcher.adapter.give(AcknowledgeResult(order=3, station="job-1", run_id=f"R{run_no}"))
    await watcher.until(lambda: seen(watcher).work == "idle")


NUMBERS = iter(range(1_000, 2_000))


def door(watcher, goal):
    watcher.adapter.give(SetDoor(order=1, station="job-1", door=goal))


async def test_a_visit_in_the_open_where_the_cell_file_says_so(station_as, server):
    station = station_as(mode="none", trusted=False)
    await visit(station, server)
    assert station.adapter.report().security == "not signed and not encrypted"


@pytest.mark.parametrize("user", USERS)
@pytest.mark.parametrize("policy", CURRENT)
async def test_a_visit_over_every_current_policy_as_every_kind_of_user(
    policy, user, station_as, server
):
    station = station_as(policy=policy, **USERS[user])
    await visit(station, server)
    assert f"({policy})" in station.adapter.report().security


async def test_the_best_policy_of_this_stack_is_taken_where_none_is_declared(station_as):
    station = station_as()
    await station.until(lambda: seen(station).link == "up", 20)
    assert station.adapter.report().security.endswith("(Aes256_Sha256_RsaPss)")


async def test_a_station_of_this_stack_that_nobody_trusted_is_refused(station_as, tmp_path):
    TrustList(tmp_path).make()
    why = await told(station_as(trusted=False, folder=tmp_path))
    assert why.startswith("its certificate is not trusted: peer, thumbprint ")


async def test_a_folder_of_keys_that_somebody_removed_is_said_and_no_defect(station_as, tmp_path):
    why = await told(station_as(trusted=False, folder=tmp_path))
    assert f"{tmp_path}/rejected/" in why
    assert "cannot be written" in why
    assert "defect" not in why


async def test_a_station_of_this_stack_that_does_not_trust_us_is_named_with_what_to_do(
    station_as, server, tmp_path
):
    make_ready(
        [SecurityEntry()],
        Keys(own=OwnKeys(tmp_path), trust=TrustList(tmp_path), secrets=Secrets({})),
    )
    TrustList(tmp_path).add(read_certificate(server.certificate), "trusted")
    why = await told(station_as(trusted=False, folder=tmp_path))
    assert why.startswith(
        "the station refused the secure channel; have our certificate trusted there: "
    )
    assert f"in {tmp_path}/own/current.der" in why


async def test_a_wrong_password_is_refused_without_being_told(station_as):
    why = await told(station_as(password="canary-5531", **USERS["user name"]))
    assert why.startswith(
        "the station does not take user pointsman with the password kept as job-1"
    )
    assert "canary-5531" not in why


async def test_a_user_certificate_that_the_station_was_not_told_of_is_refused(station_as):
    why = await told(station_as(user_certificate="stranger"))
    assert why.startswith("the station does not take the user certificate stranger, thumbprint ")
