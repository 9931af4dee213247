"""A link over a signed and encrypted channel, through the seam that later security work builds on."""

import pytest
from asyncua.crypto import uacrypto

from supervisor.core.events import StationObserved
from supervisor.stations import security
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.security import PinnedSecurity
from supervisor.stations.station import StationAdapter

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]


@pytest.fixture
def secured(keys):
    """Wiring with a client certificate, pinned to a server's."""

    def make(server):
        pinned = PinnedSecurity(
            policy="Basic256Sha256",
            certificate=keys / "client.der",
            key=keys / "client.pem",
            server_certificate=keys / f"{server}.der",
            application_uri="urn:pointsman:test:client",
        )
        return Wiring(options=LinkOptions(interval_ms=20), security=pinned)

    return make


async def test_an_encrypted_link_comes_up_and_loads_its_key_once(
    strange, through_proxy, watch, strange_profile, secured, monkeypatch
):
    loaded = []
    load = uacrypto.load_private_key

    async def noted(path, *rest):
        loaded.append(path)
        return await load(path, *rest)

    monkeypatch.setattr(uacrypto, "load_private_key", noted)
    monkeypatch.setattr(security, "_loaded", {})
    proxy = await through_proxy(strange.url)
    station = watch(StationAdapter("strange-1", proxy.url, strange_profile(), secured("server")))
    await station.until(lambda: station.last(StationObserved).link == "up")
    proxy.cut()
    await station.until(lambda: station.last(StationObserved).link == "down")
    await station.until(lambda: station.last(StationObserved).link == "up")

    assert station.last(StationObserved).mode == "automatic"
    assert proxy.connections == 4
    assert len(loaded) == 1


async def test_a_server_with_another_certificate_is_refused(
    strange, watch, strange_profile, secured
):
    station = watch(StationAdapter("strange-1", strange.url, strange_profile(), secured("other")))
    await station.until(lambda: station.last(StationObserved).link == "down")
    assert station.adapter.report().why
    assert [event.link for event in station.events] == ["down"]
