"""How a session is secured: the seam between a link and what a site decides about trust.

Rules of this file:
- A link knows nothing of policies, certificates and users; it asks its ``Security`` to prepare each new client.
- A private key is loaded once per process: loading takes some 50 ms of computing, in which no other station would be served.
"""

from pathlib import Path
from typing import Any, Literal, Protocol

from asyncua.crypto import security_policies, uacrypto

from supervisor.stations.opcua import ua


class Security(Protocol):
    """What makes a fresh client fit for a station."""

    async def prepare(self, client: Any) -> None:
        """Set policy, certificates and user before the client connects."""
        ...


class NoSecurity:
    """Policy None and the anonymous user: for stations on a network of their own, and for simulated ones."""

    async def prepare(self, client: Any) -> None:
        """Leave the client as it is."""


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
        """Set policy and certificates."""
        policy = getattr(security_policies, f"SecurityPolicy{self._policy}")(
            await _certificate(self._server_certificate),
            await _certificate(self._certificate),
            await _key(self._key),
            ua.MessageSecurityMode.SignAndEncrypt,
        )
        client.application_uri = self._application_uri
        client.security_policy = policy
        client.uaclient.set_security(policy)


_loaded: dict[Path, Any] = {}


async def _certificate(path: Path) -> Any:
    if path not in _loaded:
        _loaded[path] = await uacrypto.load_certificate(path)
    return _loaded[path]


async def _key(path: Path) -> Any:
    if path not in _loaded:
        _loaded[path] = await uacrypto.load_private_key(path)
    return _loaded[path]
