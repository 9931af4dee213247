"""A link over a signed and encrypted channel: what it refuses, what refuses it, and what damage does to it."""

import logging
from contextlib import asynccontextmanager

import pytest
from asyncua import ua
from asyncua.crypto.validator import CertificateValidator
from cryptography.hazmat.primitives.serialization import Encoding

from supervisor.cell.security import SecurityEntry
from supervisor.core.events import StationObserved
from supervisor.stations import own_keys, security
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.own_keys import OwnKeys
from supervisor.stations.secrets import Secrets
from supervisor.stations.security import Keys, security_of
from supervisor.stations.station import StationAdapter
from supervisor.stations.trouble import LinkLost
from supervisor.stations.trust import TrustList, read_certificate, write_file

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

T = ua.VariantType


@pytest.fixture
def secured(keys, tmp_path):
    """Wiring with a client certificate that trusts the certificates named."""

    def make(trusted, client="client", environment=None, **declared):
        own, trust = OwnKeys(tmp_path), TrustList(tmp_path)
        trust.make()
        own.folder.mkdir(mode=0o700, exist_ok=True)
        for who in trusted.split():
            trust.add(read_certificate(keys / f"{who}.der"), "trusted")
        certificate = read_certificate(keys / f"{client}.der").public_bytes(Encoding.PEM)
        pair = (keys / f"{client}.pem").read_bytes() + certificate
        write_file(own.folder / "current.pem", pair)
        found = Keys(own=own, trust=trust, secrets=Secrets(environment or {}))
        entry = SecurityEntry.model_validate(declared)
        return Wiring(options=LinkOptions(interval_ms=20), security=security_of(entry, found))

    return make


@pytest.fixture
def station_with(strange, watch, strange_profile, secured):
    """A running adapter of the strange server that trusts these certificates."""

    def make(trusted, client="client", url="", **declared):
        wiring = secured(trusted, client, **declared)
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
async def offering(strange, what):
    """Let the strange server offer other policies for a while."""
    async with strange.operator() as operator:
        await operator.write("Offers", what, T.String)
        await operator.until("Offered", what)
        try:
            yield
        finally:
            await operator.write("Offers", "all", T.String)
            await operator.until("Offered", "all")


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


async def test_an_encrypted_link_comes_up_and_reads_its_key_and_the_offers_once(
    strange, through_proxy, station_with, monkeypatch
):
    loaded = []
    read = own_keys.read_private_key
    monkeypatch.setattr(
        own_keys, "read_private_key", lambda path: loaded.append(path) or read(path)
    )
    proxy = await through_proxy(strange.url)
    station = station_with("server", url=proxy.url)
    await station.until(lambda: seen(station).link == "up")
    proxy.cut("reset")
    await station.until(lambda: seen(station).link == "down")
    await station.until(lambda: seen(station).link == "up")

    assert seen(station).mode == "automatic"
    assert proxy.connections == 7  # each time a knock and two sessions; once what it offers
    assert len(loaded) == 1


@pytest.mark.parametrize(
    "policy", ["Basic256Sha256", "Aes128_Sha256_RsaOaep", "Aes256_Sha256_RsaPss"]
)
async def test_every_current_policy_can_be_asked_for(policy, station_with):
    station = station_with("server", policy=policy)
    await station.until(lambda: seen(station).link == "up")
    assert station.adapter.report().security == f"encrypted with {policy} ({policy})"


async def test_the_best_policy_is_taken_where_none_is_declared(station_with):
    station = station_with("server")
    await station.until(lambda: seen(station).link == "up")
    assert station.adapter.report().security == (
        "encrypted with a current policy (Aes256_Sha256_RsaPss)"
    )


async def test_signed_only_is_used_where_it_is_declared(station_with):
    station = station_with("server", mode="sign")
    await station.until(lambda: seen(station).link == "up")
    assert station.adapter.report().security.startswith("signed, not encrypted")


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


@pytest.mark.hazard(38)
async def test_a_station_that_nobody_has_trusted_is_refused_and_kept_for_a_look(
    station_with, tmp_path
):
    station = station_with("other")
    why = await told(station)
    assert why.startswith("its certificate is not trusted: server, thumbprint ")
    thumb = why.rpartition("pointsman keys trust ")[2]
    rejected = TrustList(tmp_path).listed("rejected")
    assert [each.thumbprint[:8] for each in rejected] == [thumb]


async def test_a_station_is_taken_as_soon_as_a_person_trusts_it(station_with, tmp_path):
    station = station_with("other")
    thumb = (await told(station)).rpartition("pointsman keys trust ")[2]
    TrustList(tmp_path).place(thumb, "trusted")
    await station.until(lambda: seen(station).link == "up", 5.0)


async def test_the_librarys_own_default_would_take_the_station_that_we_refuse(keys):
    untrusted = read_certificate(keys / "server.der")
    presented = ua.ApplicationDescription(
        ApplicationUri="urn:pointsman:test:server", ApplicationType=ua.ApplicationType.Server
    )
    await CertificateValidator().validate(untrusted, presented)  # raises nothing


@pytest.mark.parametrize(
    ("who", "expected"),
    [
        ("expired", "the certificate of the station expired on "),
        ("early", "the certificate of the station is valid only from "),
        (
            "misnamed",
            "the certificate of the station names urn:somebody:else, and the station calls itself urn:pointsman:test:server",
        ),
        (
            "elsewhere",
            "the certificate of the station is made for 10.1.0.21, and its address says 127.0.0.1; ",
        ),
        ("for-clients", "the certificate of the station was made for another use; "),
    ],
)
async def test_a_trusted_certificate_that_is_not_in_order_is_refused_and_said_why(
    who, expected, strange, station_with
):
    async with presenting(strange, who):
        station = station_with(who)
        assert (await told(station)).startswith(expected)


async def test_a_station_whose_certificate_expires_while_it_works_is_refused_until_it_has_another(
    strange, through_proxy, station_with, caplog
):
    """What was connected before the last day is not taken again after it; the log tells once why, and once that it is over."""
    caplog.set_level(logging.INFO, logger="supervisor.stations.link")
    proxy = await through_proxy(strange.url)
    station = station_with("server expired", url=proxy.url)
    await station.until(lambda: seen(station).link == "up")
    async with presenting(strange, "expired"):
        caplog.clear()
        proxy.cut("reset")
        expired = "the certificate of the station expired on "
        await station.until(lambda: station.adapter.report().why.startswith(expired), 5.0)
        down = seen(station)
        assert (down.link, down.mode, down.door, down.work) == ("down", *["unknown"] * 3)
    await station.until(lambda: seen(station).link == "up", 5.0)
    assert [event.link for event in station.of(StationObserved)][-2:] == ["down", "up"]
    went, why, back = (record.getMessage() for record in caplog.records)
    assert went.startswith("strange-1: link down: ")
    assert why.startswith(f"strange-1: link still down: {expired}")
    assert back.startswith("strange-1: link up again after ")


async def test_a_certificate_for_another_host_is_taken_where_the_cell_file_says_so(
    strange, station_with
):
    async with presenting(strange, "elsewhere"):
        station = station_with("elsewhere", host="unchecked")
        await station.until(lambda: seen(station).link == "up")


async def test_a_trusted_station_is_not_taken_for_another(station_with):
    station = station_with("server", application_uri="urn:maker:cmm:77")
    assert (await told(station)).startswith(
        "the certificate of the station names urn:pointsman:test:server, and the cell file expects urn:maker:cmm:77; "
    )


async def test_a_refused_station_disturbs_no_other(machines, watch, shipped, wiring, station_with):
    refused = station_with("other")
    scan = StationAdapter("scan-1", machines.urls["scan-1"], shipped("scan-methods"), wiring)
    other = watch(scan)
    await told(refused)
    await other.until(lambda: seen(other).link == "up")
    assert {event.link for event in other.of(StationObserved)} <= {"up"}
    assert seen(refused).link == "down"


# --- what a station offers ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("what", "offered"),
    [
        ("nothing secure", "only None;"),
        ("deprecated", "only Basic256 SignAndEncrypt, None;"),
    ],
)
async def test_a_station_without_a_current_policy_is_refused(what, offered, strange, station_with):
    async with offering(strange, what):
        why = await told(station_with("server"))
    assert why.startswith("the station offers no connection as declared (encrypted with a current")
    assert offered in why


async def test_a_deprecated_policy_is_used_where_it_is_declared_by_name(strange, station_with):
    async with offering(strange, "deprecated"):
        station = station_with("server", policy="Basic256")
        await station.until(lambda: seen(station).link == "up")
        assert "deprecated" in station.adapter.report().security


@pytest.mark.hazard(38)
async def test_somebody_who_hides_the_better_policy_on_the_way_is_found_out(
    strange, through_proxy, station_with
):
    proxy = await through_proxy(strange.url)
    hide = lambda data: data.replace(b"Aes256_Sha256_RsaPss", b"Aes256_Sha256_XxxXxx")  # noqa: E731
    for _ in range(40):
        proxy.damage_next(hide, length_min=1)
    why = await told(station_with("server", url=proxy.url))
    assert why.startswith(
        "the station offers Aes256_Sha256_RsaPss, but the open answer left it out and named Basic256Sha256"
    )


# --- users --------------------------------------------------------------------------------------------------------------------

PASSWORD = "swordfish-7"  # the station's; see Users in strange_server.py


async def test_a_user_with_the_right_password_is_taken(station_with):
    environment = {"POINTSMAN_SECRET_STRANGE": PASSWORD}
    station = station_with("server", user="pointsman", secret="strange", environment=environment)
    await station.until(lambda: seen(station).link == "up")


async def test_a_wrong_password_is_said_without_it_and_not_tried_again_at_once(
    strange, through_proxy, station_with
):
    proxy = await through_proxy(strange.url)
    environment = {"POINTSMAN_SECRET_STRANGE": "canary-5531"}
    station = station_with(
        "server", url=proxy.url, user="pointsman", secret="strange", environment=environment
    )
    why = await told(station)
    assert why == (
        "the station does not take user pointsman with the password kept as strange (BadUserAccessDenied); "
        "correct the secret, or have the user set up at the station"
    )
    with pytest.raises(LinkLost, match="does not take user pointsman"):
        station.adapter._link._security._user.check("canary-5531")
    station.adapter._link._security._user.check("another")


async def test_a_secret_that_is_not_there_is_said_with_where_to_put_it(station_with):
    station = station_with("server", user="pointsman", secret="strange")
    assert (await told(station)).startswith(
        "the secret strange is not known; set POINTSMAN_SECRET_STRANGE, or put it into a file"
    )


@pytest.fixture
def user_keys(keys, tmp_path):
    """A folder for secrets with the user keys of ``client`` and ``other``."""
    folder = tmp_path / "secrets"
    folder.mkdir()
    for who in ("client", "other"):
        certificate = read_certificate(keys / f"{who}.der").public_bytes(Encoding.PEM)
        write_file(folder / f"{who}.pem", (keys / f"{who}.pem").read_bytes() + certificate)
    return {"POINTSMAN_SECRETS": str(folder)}


async def test_a_user_certificate_is_taken(station_with, user_keys):
    station = station_with("server", user_certificate="client", environment=user_keys)
    await station.until(lambda: seen(station).link == "up")


async def test_a_user_certificate_that_the_station_does_not_know_is_refused_and_said(
    station_with, user_keys
):
    station = station_with("server", user_certificate="other", environment=user_keys)
    assert (await told(station)).startswith("the station does not take the user certificate other")


@pytest.mark.parametrize("password", [PASSWORD, "canary-5531"])
async def test_no_secret_reaches_the_log_the_report_or_an_event(password, station_with, caplog):
    caplog.set_level(logging.DEBUG)
    environment = {"POINTSMAN_SECRET_STRANGE": password}
    station = station_with("server", user="pointsman", secret="strange", environment=environment)
    await station.until(lambda: seen(station).link is not None)
    said = caplog.text + repr(station.events) + repr(station.adapter.report())
    assert "strange-1: link" in caplog.text
    assert password not in said


async def test_a_link_comes_up_by_itself_once_the_certificate_is_in_order(strange, station_with):
    async with presenting(strange, "other"):
        station = station_with("server")
        await told(station)
    await station.until(lambda: seen(station).link == "up", 5.0)


async def test_a_certificate_of_ours_that_expired_unnoticed_gives_way_to_a_new_one(
    station_with, tmp_path, keys
):
    station = station_with("server", "client-expired")
    await station.until(lambda: seen(station).link == "up")
    used = OwnKeys(tmp_path).identity().certificate
    assert used != read_certificate(keys / "client-expired.der")
    assert (
        used.not_valid_before_utc
        > read_certificate(keys / "client-expired.der").not_valid_after_utc
    )


@pytest.fixture
def never_renewed(monkeypatch):
    """Our certificate stays what it is, whatever its age."""
    monkeypatch.setattr(own_keys, "NEXT_DAYS", -10_000)
    monkeypatch.setattr(own_keys, "TAKE_DAYS", -10_000)


@pytest.mark.usefixtures("never_renewed")
async def test_a_certificate_of_ours_that_is_not_in_order_is_said_before_anything_is_sent(
    station_with,
):
    station = station_with("server", "client-expired")
    assert (await told(station)).startswith("our own certificate expired on ")


# --- what refuses us ------------------------------------------------------------------------------------------------------------


async def test_what_a_server_has_against_our_certificate_is_said(strange, station_with):
    async with checking(strange):
        station = station_with("server", "client-for-servers")
        assert await told(station) == "the server answered BadCertificateUseNotAllowed"


@pytest.mark.usefixtures("never_renewed")
@pytest.mark.parametrize(
    ("client", "expected"),
    [
        (
            "client-expired",
            "the server answered BadCertificateTimeInvalid: our certificate is not valid at its time",
        ),
    ],
)
async def test_a_server_whose_clock_or_book_differs_says_so_with_what_to_do(
    client, expected, strange, station_with, monkeypatch
):
    check = security.check_time  # in our own eyes it is in order
    monkeypatch.setattr(
        security, "check_time", lambda c, whose: whose == "our own certificate" or check(c, whose)
    )
    async with checking(strange):
        station = station_with("server", client)
        assert (await told(station)).startswith(expected)
