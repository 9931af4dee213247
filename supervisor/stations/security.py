"""How a session is secured: the seam between a link and what a site decides about trust.

Rules of this file:
- A link knows nothing of policies, certificates and users; it asks its ``Security`` to prepare each new client.
- A certificate that is pinned is trusted; it still has to be valid today and to name the application that presents it
  (OPC 10000-4 6.1.3, validity period and application URI). Whatever is refused says which certificate and what to do.
- A private key is loaded once per process: loading takes some 50 ms of computing, in which no other station would be served.
"""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, Protocol

from asyncua.crypto import security_policies, uacrypto
from cryptography import x509
from cryptography.hazmat.primitives import serialization

from supervisor.stations.opcua import Client, UaError, ua
from supervisor.stations.trouble import LinkLost

ASK_S_MAX = 2.0


class Security(Protocol):
    """What makes a fresh client fit for a station."""

    async def prepare(self, client: Any) -> None:
        """Set policy, certificates and user before the client connects.

        Raises:
            LinkLost: what is pinned or ours cannot be used now.
        """
        ...

    async def explain(self, url: str) -> str:
        """Why the server may have refused the secure channel without a word ("" = nothing is known)."""
        ...


class NoSecurity:
    """Policy None and the anonymous user: for stations on a network of their own, and for simulated ones."""

    async def prepare(self, client: Any) -> None:
        """Leave the client as it is."""

    async def explain(self, url: str) -> str:
        """Nothing: there was nothing to refuse."""
        return ""


PolicyName = Literal["Basic256Sha256", "Aes128Sha256RsaOaep", "Aes256Sha256RsaPss"]


class PinnedSecurity:
    """SignAndEncrypt to a server whose certificate is known beforehand: any other certificate is refused."""

    def __init__(
        self,
        *,
        policy: PolicyName,
        certificate: Path,
        key: Path,
        server_certificate: Path,
        application_uri: str,
    ) -> None:
        self._policy = policy
        self._certificate = certificate
        self._key = key
        self._server_certificate = server_certificate
        self._application_uri = application_uri  # has to stand in our certificate

    async def prepare(self, client: Any) -> None:
        """Set policy and certificates.

        Raises:
            LinkLost: a certificate is not valid today, or ours does not name our application.
        """
        ours = await _certificate(self._certificate)
        pinned = await _certificate(self._server_certificate)
        _check_ours(ours, self._application_uri)
        _check_time(pinned, "the certificate of the station")
        policy = getattr(security_policies, f"SecurityPolicy{self._policy}")(
            pinned, ours, await _key(self._key), ua.MessageSecurityMode.SignAndEncrypt
        )
        client.application_uri = self._application_uri
        client.certificate_validator = _check_name
        client.security_policy = policy
        client.uaclient.set_security(policy)

    async def explain(self, url: str) -> str:
        """What certificate the server presents, if it is another than the pinned one."""
        pinned = (await _certificate(self._server_certificate)).public_bytes(_DER)
        presented = await _presented(url)
        if not presented or pinned in presented:
            return ""
        newest = max(map(x509.load_der_x509_certificate, presented), key=_begins)
        return (
            f"the station presents another certificate than the pinned one: {_called(newest)}, valid from {_begins(newest):%Y-%m-%d}; "
            "if it was renewed on purpose, pin the new one"
        )


def _check_ours(certificate: x509.Certificate, application_uri: str) -> None:
    _check_time(certificate, "our own certificate")
    if application_uri not in _uris(certificate):
        message = (
            f"our own certificate names {_called(certificate)}, and this application is {application_uri}; "
            "have one made for this URI"
        )
        raise LinkLost(message)


def _check_time(certificate: x509.Certificate, whose: str) -> None:
    now, begins, ends = datetime.now(UTC), _begins(certificate), certificate.not_valid_after_utc
    if now > ends:
        message = f"{whose} expired on {ends:%Y-%m-%d %H:%M} UTC; have it renewed"
        raise LinkLost(message)
    if now < begins:
        message = f"{whose} is valid only from {begins:%Y-%m-%d %H:%M} UTC on; look at the clock of this machine, then at the certificate"
        raise LinkLost(message)


async def _check_name(certificate: x509.Certificate, server: Any) -> None:
    """Called by the client with what the server presents of itself; trust is decided already, the key is the pinned one."""
    if server.ApplicationUri not in _uris(certificate):
        message = (
            f"the certificate of the station names {_called(certificate)}, and the station calls itself {server.ApplicationUri}; "
            "have one made for this URI"
        )
        raise LinkLost(message)


def _uris(certificate: x509.Certificate) -> list[str]:
    try:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except x509.ExtensionNotFound:
        return []
    return names.value.get_values_for_type(x509.UniformResourceIdentifier)


def _called(certificate: x509.Certificate) -> str:
    return " and ".join(_uris(certificate)) or "no application"


def _begins(certificate: x509.Certificate) -> datetime:
    return certificate.not_valid_before_utc


async def _presented(url: str) -> set[bytes]:
    """The certificates in a server's endpoints; none where it does not say."""
    try:
        endpoints = await Client(url, timeout=ASK_S_MAX).connect_and_get_server_endpoints()
    except (OSError, UaError):
        return set()
    return {bytes(each.ServerCertificate) for each in endpoints if each.ServerCertificate}


_DER = serialization.Encoding.DER
_loaded: dict[Path, Any] = {}


async def _certificate(path: Path) -> Any:
    if path not in _loaded:
        _loaded[path] = await uacrypto.load_certificate(path)
    return _loaded[path]


async def _key(path: Path) -> Any:
    if path not in _loaded:
        _loaded[path] = await uacrypto.load_private_key(path)
    return _loaded[path]
