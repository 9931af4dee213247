"""Whom we trust: what a person listed, and whom a listed authority vouches for as long as it does."""

import ipaddress
from datetime import UTC, datetime, timedelta

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from supervisor.stations.certificate import chain_of, thumbprint
from supervisor.stations.trouble import LinkLost
from supervisor.stations.trust import REJECTED_MAX, KeysWrong, TrustList

NOW = datetime.now(UTC)
DAY = timedelta(days=1)


class Pair:
    """A certificate with its key; signed by another pair, or by itself."""

    def __init__(
        self, name, *, issuer=None, authority=False, begins=NOW - DAY, ends=NOW + 90 * DAY
    ):
        self.key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
        self.name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        signer = issuer or self
        alternatives = [
            x509.UniformResourceIdentifier(f"urn:test:{name}"),
            x509.IPAddress(ipaddress.ip_address("127.0.0.1")),
        ]
        builder = (
            x509.CertificateBuilder(signer.name, self.name, self.key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(begins)
            .not_valid_after(ends)
            .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
            .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        )
        if not authority:
            builder = builder.add_extension(
                x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False
            )
        self.certificate = builder.sign(signer.key, hashes.SHA256())

    def revocations(self, *revoked, until=NOW + 30 * DAY):
        """The authority's list."""
        builder = x509.CertificateRevocationListBuilder(
            issuer_name=self.name, last_update=NOW - 2 * DAY, next_update=until
        )
        for pair in revoked:
            entry = x509.RevokedCertificateBuilder(pair.certificate.serial_number, NOW - DAY)
            builder = builder.add_revoked_certificate(entry.build())
        return builder.sign(self.key, hashes.SHA256())


@pytest.fixture(scope="module")
def root():
    return Pair("root", authority=True)


@pytest.fixture(scope="module")
def plant(root):
    return Pair("plant", issuer=root, authority=True)


@pytest.fixture(scope="module")
def station(plant):
    return Pair("station", issuer=plant)


@pytest.fixture
def trust(tmp_path):
    trust = TrustList(tmp_path)
    trust.make()
    return trust


def publish(trust, authority, *revoked, **more):
    """Put an authority's list where it is looked for."""
    path = trust.folder / "issuer" / f"{thumbprint(authority.certificate)}.crl"
    path.write_bytes(authority.revocations(*revoked, **more).public_bytes(Encoding.DER))


def check(trust, *pairs):
    trust.check([pair.certificate for pair in pairs])


def test_nobody_is_trusted_at_first(trust, station):
    with pytest.raises(LinkLost, match="its certificate is not trusted: station, thumbprint"):
        check(trust, station)
    assert [each.certificate for each in trust.listed("rejected")] == [station.certificate]


def test_who_is_listed_is_trusted_without_its_authority(trust, station):
    trust.add(station.certificate, "trusted")
    check(trust, station)


def test_an_issuer_alone_makes_nobody_trusted(trust, plant, station):
    trust.add(plant.certificate, "issuer")
    publish(trust, plant)
    with pytest.raises(LinkLost, match="not trusted"):
        check(trust, station)


def test_a_trusted_authority_vouches_for_a_station(trust, plant, station):
    trust.add(plant.certificate, "trusted")
    publish(trust, plant)
    check(trust, station)


@pytest.mark.parametrize("given", ["kept", "sent along"])
def test_a_chain_is_completed_by_what_is_kept_or_sent_along(given, trust, root, plant, station):
    trust.add(root.certificate, "trusted")
    publish(trust, root)
    publish(trust, plant)
    if given == "kept":
        trust.add(plant.certificate, "issuer")
        check(trust, station)
    else:
        check(trust, station, plant)


def test_an_authority_without_its_list_of_revoked_certificates_vouches_for_nobody(
    trust, plant, station
):
    trust.add(plant.certificate, "trusted")
    with pytest.raises(LinkLost, match="list of revoked certificates is missing"):
        check(trust, station)


def test_a_list_that_is_out_of_date_is_as_good_as_none(trust, plant, station):
    trust.add(plant.certificate, "trusted")
    publish(trust, plant, until=NOW - DAY)
    with pytest.raises(LinkLost, match="list of revoked certificates is out of date"):
        check(trust, station)


def test_a_list_that_somebody_else_signed_counts_for_nothing(trust, plant, station):
    forger = Pair("plant", authority=True)
    trust.add(plant.certificate, "trusted")
    publish(trust, forger)
    with pytest.raises(LinkLost, match="list of revoked certificates is missing"):
        check(trust, station)


@pytest.mark.parametrize("who", ["authority", "station"])
def test_who_was_revoked_is_refused_however_it_is_listed(who, trust, plant, station):
    trust.add(plant.certificate, "trusted" if who == "authority" else "issuer")
    if who == "station":
        trust.add(station.certificate, "trusted")
    publish(trust, plant, station)
    with pytest.raises(LinkLost, match="the certificate station was revoked by its authority"):
        check(trust, station)


def test_a_station_vouches_for_nobody(trust, station):
    guest = Pair("guest", issuer=station)
    trust.add(station.certificate, "trusted")
    with pytest.raises(LinkLost, match="not trusted: guest"):
        check(trust, guest, station)


def test_a_name_alone_makes_nobody_the_trusted_one(trust, station):
    trust.add(station.certificate, "trusted")
    with pytest.raises(LinkLost, match="not trusted"):
        check(trust, Pair("station"))


def test_that_it_expired_is_left_to_words_of_its_own(trust, plant):
    old = Pair("old", issuer=plant, begins=NOW - 9 * DAY, ends=NOW - DAY)
    trust.add(plant.certificate, "trusted")
    publish(trust, plant)
    check(trust, old)


def test_a_decision_moves_the_certificate(trust, station):
    with pytest.raises(LinkLost):
        check(trust, station)
    trust.place(thumbprint(station.certificate)[:8].upper(), "trusted")
    check(trust, station)
    assert trust.listed("rejected") == []
    trust.place(thumbprint(station.certificate)[:8], "rejected")
    with pytest.raises(LinkLost):
        check(trust, station)


@pytest.mark.parametrize(
    ("named", "why"),
    [
        ("abc", "at least 8 digits"),
        ("0123456789", "names no certificate in"),
        ("nofile.der", "expected a file that is there"),
    ],
)
def test_what_names_no_certificate_is_refused(named, why, trust):
    with pytest.raises(KeysWrong, match=why):
        trust.place(named, "trusted")


def test_a_file_that_is_no_certificate_is_named_and_nobody_is_trusted(trust, station):
    trust.add(station.certificate, "trusted")
    (trust.folder / "trusted" / "notes.pem").write_text("remember the milk")
    with pytest.raises(LinkLost, match=r"notes\.pem holds no certificate; take it out"):
        check(trust, station)


def test_strangers_do_not_fill_the_disk(trust, station, monkeypatch):
    monkeypatch.setattr("supervisor.stations.trust.REJECTED_MAX", 3)
    for number in range(5):
        (trust.folder / "rejected" / f"old-{number}.der").write_bytes(
            station.certificate.public_bytes(Encoding.DER)
        )
    with pytest.raises(LinkLost):
        check(trust, station)
    assert len(list((trust.folder / "rejected").iterdir())) == 3
    assert REJECTED_MAX == 50


def test_a_chain_is_taken_apart_into_its_certificates(plant, station):
    sent = b"".join(pair.certificate.public_bytes(Encoding.DER) for pair in (station, plant))
    assert chain_of(sent) == [station.certificate, plant.certificate]


@pytest.mark.parametrize("sent", [b"", b"\x30", b"\x30\x82\xff\xff", b"nothing of the kind"])
def test_bytes_that_are_no_certificate_are_a_value_error(sent):
    with pytest.raises(ValueError):  # noqa: PT011 - the text is the library's
        chain_of(sent)
