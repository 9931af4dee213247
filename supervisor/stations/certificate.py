"""What application certificates say, and what is wrong with one.

Rules of this file:
- The order of the checks is that of OPC 10000-4 6.1.3: trust is asked before (``trust.py``), then validity, host name, application URI, use.
- Every refusal says which certificate it is and what to do.
"""

import ipaddress
from collections.abc import Sequence
from datetime import UTC, datetime
from urllib.parse import urlsplit

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicKey
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from supervisor.stations.trouble import LinkLost

KEY_BITS_MIN = 2_048
"""The current RSA policies take keys of 2048 to 4096 bits (OPC 10000-7)."""
HASHES = ("sha256", "sha384", "sha512")
SHORT_DER = 0x80
CHAIN_MAX = 10
DER = serialization.Encoding.DER


def chain_of(der: bytes) -> list[x509.Certificate]:
    """The certificates in a server's answer: its own first, then those of its issuers (OPC 10000-6 6.2.6).

    Raises:
        ValueError: it is none.
    """
    found: list[x509.Certificate] = []
    while der and len(found) < CHAIN_MAX:
        size = _der_size(der)
        found.append(x509.load_der_x509_certificate(der[:size]))
        der = der[size:]
    if not found:
        message = "no certificate"
        raise ValueError(message)
    return found


def _der_size(der: bytes) -> int:
    """How many bytes the first element takes (X.690 8.1.3)."""
    if len(der) > 1 and der[1] > SHORT_DER:
        digits = der[1] - SHORT_DER
        return 2 + digits + int.from_bytes(der[2 : 2 + digits], "big")
    return 2 + der[1] if len(der) > 1 else len(der)


def thumbprint(certificate: x509.Certificate) -> str:
    """Its SHA-1 in hexadecimal: what OPC UA calls the thumbprint (OPC 10000-6 6.2.2) and stations show.

    It names a certificate for people who compare; trust is decided by the whole certificate.
    """
    return certificate.fingerprint(hashes.SHA1()).hex()  # noqa: S303 - a name that stations show, no protection rests on it


def encoded(certificate: x509.Certificate) -> bytes:
    """The certificate as bytes."""
    return certificate.public_bytes(DER)


def subject(certificate: x509.Certificate) -> str:
    """The common name, or the whole subject where there is none."""
    names = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    return str(names[0].value) if names else certificate.subject.rfc4514_string() or "nameless"


def uris(certificate: x509.Certificate) -> list[str]:
    """The application URIs that it names."""
    return [str(name) for name in _alternatives(certificate, x509.UniformResourceIdentifier)]


def hosts(certificate: x509.Certificate) -> list[str]:
    """The host names and addresses that it names."""
    names = _alternatives(certificate, x509.DNSName)
    return [str(name).lower() for name in (*names, *_alternatives(certificate, x509.IPAddress))]


def _alternatives(certificate: x509.Certificate, kind: type[x509.GeneralName]) -> list[object]:
    try:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except x509.ExtensionNotFound:
        return []
    return [name.value for name in names.value if isinstance(name, kind)]


def called(certificate: x509.Certificate) -> str:
    """What application it names."""
    return " and ".join(uris(certificate)) or "no application"


# --- checks --------------------------------------------------------------------------------------------------------------------


def check_time(certificate: x509.Certificate, whose: str) -> None:
    """Refuse what is not valid today.

    Raises:
        LinkLost: it expired or is not valid yet.
    """
    now = datetime.now(UTC)
    begins, ends = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    if now > ends:
        message = f"{whose} expired on {ends:%Y-%m-%d %H:%M} UTC; have it renewed"
        raise LinkLost(message)
    if now < begins:
        message = f"{whose} is valid only from {begins:%Y-%m-%d %H:%M} UTC on; look at the clock of this machine, then at the certificate"
        raise LinkLost(message)


def check_host(certificate: x509.Certificate, url: str) -> None:
    """Refuse a certificate that does not name the host we connect to.

    Raises:
        LinkLost: it names others.
    """
    host = (urlsplit(url).hostname or "").lower()
    named = hosts(certificate)
    if _plain(host) not in {_plain(name) for name in named}:
        message = (
            f"the certificate of the station is made for {', '.join(named) or 'no host'}, and its address says {host}; "
            "use that name in the cell file, have a certificate made for it, or write `host: unchecked`"
        )
        raise LinkLost(message)


def _plain(host: str) -> str:
    """An address in its one form, a name as it is."""
    try:
        return str(ipaddress.ip_address(host))
    except ValueError:
        return host.rstrip(".")


def check_uri(certificate: x509.Certificate, uri: str) -> None:
    """Refuse a certificate that does not name the application that presents it.

    Raises:
        LinkLost: it names another.
    """
    if uri not in uris(certificate):
        message = (
            f"the certificate of the station names {called(certificate)}, and the station calls itself {uri}; "
            "have one made for this URI"
        )
        raise LinkLost(message)


def check_declared_uri(certificate: x509.Certificate, uri: str) -> None:
    """Refuse a trusted certificate of another machine than the declared one.

    Raises:
        LinkLost: it names another.
    """
    if uri not in uris(certificate):
        message = (
            f"the certificate of the station names {called(certificate)}, and the cell file expects {uri}; "
            "look whether the address leads to the right machine, then correct `application_uri:`"
        )
        raise LinkLost(message)


def check_use(certificate: x509.Certificate) -> None:
    """Refuse a certificate that was not made for a server (OPC 10000-6 6.2.2, keyUsage and extendedKeyUsage).

    Raises:
        LinkLost: its use is another.
    """
    try:
        use = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
        kinds = certificate.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    except x509.ExtensionNotFound:
        message = "the certificate of the station does not say what it may be used for; have one made for an OPC UA server"
        raise LinkLost(message) from None
    fit = use.digital_signature and use.key_encipherment and use.data_encipherment
    if not fit or ExtendedKeyUsageOID.SERVER_AUTH not in kinds:
        message = "the certificate of the station was made for another use; have one made for an OPC UA server"
        raise LinkLost(message)


def check_strength(chain: Sequence[x509.Certificate]) -> None:
    """Refuse keys and signatures that the current policies do not take.

    Raises:
        LinkLost: too weak, or no RSA key.
    """
    for certificate in chain:
        key, algorithm = certificate.public_key(), certificate.signature_hash_algorithm
        if not isinstance(key, RSAPublicKey):
            message = f"the certificate {subject(certificate)} has no RSA key, and only RSA policies are known here"
            raise LinkLost(message)
        if key.key_size < KEY_BITS_MIN or algorithm is None or algorithm.name not in HASHES:
            message = (
                f"the certificate {subject(certificate)} has {key.key_size} bits and is signed with {algorithm.name if algorithm else 'nothing known'}; "
                f"have one made with at least {KEY_BITS_MIN} bits and SHA-256"
            )
            raise LinkLost(message)
