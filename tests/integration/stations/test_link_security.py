"""A link over a signed and encrypted channel: what it refuses, what refuses it, and what damage does to it."""

from contextlib import asynccontextmanager

import pytest
from asyncua import ua
from asyncua.crypto import uacrypto

from supervisor.core.events import StationObserved
from supervisor.stations import security
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.security import PinnedSecurity
from supervisor.stations.station import StationAdapter

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

T = ua.VariantType


@pytest.fixture
def secured(keys):
    """Wiring with a client certificate, pinned to a server's."""

    def make(server, client="client"):
        pinned = PinnedSecurity(
            policy="Basic256Sha256",
            certificate=keys / f"{client}.der",
            key=keys / f"{client}.pem",
            server_certificate=keys / f"{server}.der",
            application_uri="urn:pointsman:test:client",
        )
        return Wiring(options=LinkOptions(interval_ms=20), security=pinned)

    return make


@pytest.fixture
def station_with(strange, watch, strange_profile, secured):
    """A running adapter of the strange server with these certificates."""

    def make(server, client="client", url=""):
        wiring = secured(server, client)
        return watch(StationAdapter("strange-1", url or strange.url, strange_profile(), wiring))

    return make


@asynccontextmanager
async def presenting(strange, who):
    """Let the strange server present another certificate for a while."""
    async with strange.operator() as operator:
        await operator.write("Presents", who, T.String)
        await operator.until("Presented", who)
        try:
            yield
        finally:
            await operator.write("Presents", "server", T.String)
            await operator.until("Presented", "server")


@asynccontextmanager
async def checking(strange):
    """Let the strange server check the certificates of clients for a while."""
    async with strange.operator() as operator:
        await operator.write("Checking", True, T.Boolean)
        try:
            yield
        finally:
            await operator.write("Checking", False, T.Boolean)


def seen(station):
    return station.last(StationObserved)


async def told(station):
    """Why a link is down, once it has been told; it was never up."""
    await station.until(lambda: seen(station).link == "down")
    assert [event.link for event in station.events] == ["down"]
    return station.adapter.report().why


async def test_an_encrypted_link_comes_up_and_loads_its_key_once(
    strange, through_proxy, station_with, monkeypatch
):
    loaded = []
    load = uacrypto.load_private_key

    async def noted(path, *rest):
        loaded.append(path)
        return await load(path, *rest)

    monkeypatch.setattr(uacrypto, "load_private_key", noted)
    monkeypatch.setattr(security, "_loaded", {})
    proxy = await through_proxy(strange.url)
    station = station_with("server", url=proxy.url)
    await station.until(lambda: seen(station).link == "up")
    proxy.cut("reset")
    await station.until(lambda: seen(station).link == "down")
    await station.until(lambda: seen(station).link == "up")

    assert seen(station).mode == "automatic"
    assert proxy.connections == 6
    assert len(loaded) == 1


async def test_a_flipped_bit_of_a_signed_message_ends_the_connection_and_no_value_of_it_is_taken(
    strange, through_proxy, station_with
):
    proxy = await through_proxy(strange.url)
    station = station_with("server", url=proxy.url)
    await station.until(lambda: seen(station).link == "up")
    async with strange.operator() as operator:
        for count, at in enumerate((30, 60, 90, 120), start=40_000):
            station.events.clear()
            proxy.damage_next(flipped(at), length_min=130)
            await operator.write("Count", count, T.UInt32)
            await station.until(lambda: station.events, 5.0)
            await station.until(lambda: seen(station).link == "up", 5.0)
            # The value that was on its way is read anew; nothing else was told in between.
            counters = [event.counter for event in station.of(StationObserved)]
            assert counters == [-1, count]


def flipped(at):
    """One bit of a piece turned over."""
    return lambda data: data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


# --- what we refuse -----------------------------------------------------------------------------------------------------------


async def test_a_server_with_another_certificate_is_refused_and_named(station_with):
    station = station_with("other")
    why = await told(station)
    assert why.startswith("the station presents another certificate than the pinned one")
    assert "urn:pointsman:test:server" in why


@pytest.mark.parametrize(
    ("who", "expected"),
    [
        ("expired", "the certificate of the station expired on "),
        ("early", "the certificate of the station is valid only from "),
        (
            "misnamed",
            "the certificate of the station names urn:somebody:else, and the station calls itself urn:pointsman:test:server",
        ),
    ],
)
async def test_a_pinned_certificate_that_is_not_in_order_is_refused_and_said_why(
    who, expected, strange, station_with
):
    async with presenting(strange, who):
        station = station_with(who)
        assert (await told(station)).startswith(expected)


async def test_a_link_comes_up_by_itself_once_the_certificate_is_in_order(strange, station_with):
    async with presenting(strange, "other"):
        station = station_with("server")
        await told(station)
    await station.until(lambda: seen(station).link == "up", 5.0)


@pytest.mark.parametrize(
    ("client", "expected"),
    [
        ("client-expired", "our own certificate expired on "),
        ("client-misnamed", "our own certificate names urn:somebody:else, and this application is"),
    ],
)
async def test_a_certificate_of_ours_that_is_not_in_order_is_said_before_anything_is_sent(
    client, expected, station_with
):
    station = station_with("server", client)
    assert (await told(station)).startswith(expected)


# --- what refuses us ------------------------------------------------------------------------------------------------------------


async def test_what_a_server_has_against_our_certificate_is_said(strange, station_with):
    async with checking(strange):
        station = station_with("server", "client-for-servers")
        assert await told(station) == "the server answered BadCertificateUseNotAllowed"


@pytest.mark.parametrize(
    ("client", "expected"),
    [
        (
            "client-expired",
            "the server answered BadCertificateTimeInvalid: our certificate is not valid at its time",
        ),
        (
            "client-misnamed",
            "the server answered BadCertificateUriInvalid: our certificate does not name this application",
        ),
    ],
)
async def test_a_server_whose_clock_or_book_differs_says_so_with_what_to_do(
    client, expected, strange, station_with, monkeypatch
):
    monkeypatch.setattr(security, "_check_ours", lambda *_: None)  # in our own eyes it is in order
    async with checking(strange):
        station = station_with("server", client)
        assert (await told(station)).startswith(expected)
