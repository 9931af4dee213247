"""How a session is secured: the seam between a link and what a site decides about trust.

Rules of this file:
- A link knows nothing of policies, certificates and users; its session asks its ``Security`` at each step of opening.
- Nothing weaker than declared is ever used, whatever a server offers: what it offers is asked for in the open, and compared with what it
  says once the channel protects the answer (OPC 10000-4 5.6.2: endpoints of CreateSession and GetEndpoints).
- Whatever is refused says what was found and what to do, and concerns this one station.
- A user whom the station refused is not tried again for ``REFUSED_S``, unless the password changed: stations lock users out.
"""

import asyncio
import hashlib
import logging
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from time import monotonic
from typing import Any, Protocol

from asyncua.crypto import security_policies

from supervisor.cell.security import CURRENT, PolicyName, SecurityEntry
from supervisor.cell.value import value
from supervisor.stations.certificate import (
    chain_of,
    check_declared_uri,
    check_host,
    check_strength,
    check_time,
    check_uri,
    check_use,
    subject,
    thumbprint,
)
from supervisor.stations.opcua import Client, StatusError, UaError, ua
from supervisor.stations.own_keys import Identity, OwnKeys, read_private_key
from supervisor.stations.secrets import Secrets
from supervisor.stations.trouble import LinkLost
from supervisor.stations.trust import KeysWrong, TrustList, read_certificate

log = logging.getLogger(__name__)

ASK_S_MAX = 2.0
REFUSED_S = 60.0
POLICY_URI = "http://opcfoundation.org/UA/SecurityPolicy#"
USER_REFUSALS = ("BadUserAccessDenied", "BadIdentityTokenRejected", "BadIdentityTokenInvalid")
POLICY_CLASSES: Mapping[PolicyName, Any] = {
    "Aes256_Sha256_RsaPss": security_policies.SecurityPolicyAes256Sha256RsaPss,
    "Basic256Sha256": security_policies.SecurityPolicyBasic256Sha256,
    "Aes128_Sha256_RsaOaep": security_policies.SecurityPolicyAes128Sha256RsaOaep,
    "Basic256": security_policies.SecurityPolicyBasic256,
    "Basic128Rsa15": security_policies.SecurityPolicyBasic128Rsa15,
}


class Security(Protocol):
    """What makes a fresh client fit for a station. ``words`` says how, for people."""

    @property
    def words(self) -> str:
        """How the connection is secured, for people."""
        ...

    async def prepare(self, client: Any) -> None:
        """Set policy and certificates before the client connects.

        Raises:
            LinkLost: the station or what is ours is not fit.
            OSError, TimeoutError, UaError: the station does not answer.
        """
        ...

    async def explain(self, url: str) -> str:
        """Why the server may have refused the secure channel without a word ("" = nothing is known)."""
        ...

    def check(self, created: Any) -> None:
        """Look at the answer to CreateSession.

        Raises:
            LinkLost: it does not fit what was said before.
        """
        ...

    async def activate(self, client: Any) -> None:
        """Say who the user is.

        Raises:
            LinkLost: the station refused the user, or the secret is not there.
            OSError, TimeoutError, UaError: it did not work.
        """
        ...


class NoSecurity:
    """Policy None and the anonymous user: for stations on a network of their own, and for simulated ones."""

    words = "not signed and not encrypted"

    async def prepare(self, client: Any) -> None:
        """Leave the client as it is."""

    async def explain(self, url: str) -> str:
        """Nothing: there was nothing to refuse."""
        return ""

    def check(self, created: Any) -> None:
        """Nothing was said before."""

    async def activate(self, client: Any) -> None:
        """As anonymous user."""
        await client.activate_session()


@value
class Keys:
    """What all secured connections of one supervisor share."""

    own: OwnKeys
    trust: TrustList
    secrets: Secrets


def keys_in(folder: Path, cell: Path | None = None) -> Keys:
    """The keys in a folder, and secrets from the environment; nothing is read or made before a connection needs it."""
    secrets = Secrets(os.environ, cell)
    return Keys(own=OwnKeys(folder), trust=TrustList(folder), secrets=secrets)


def make_ready(entries: Iterable[SecurityEntry], keys: Keys) -> None:
    """Make what the secured connections of a cell need: folders, and on the first start our own certificate.

    Raises:
        KeysWrong: there is something that cannot be used.
    """
    if any(entry.mode != "none" for entry in entries):
        keys.trust.make()
        identity, following = keys.own.identity(), keys.own.next()
        if following is not None:
            log.warning(
                "our own certificate ends on %s; have the next one trusted at the stations: %s/next.der",
                f"{identity.ends:%Y-%m-%d}",
                keys.own.folder,
            )


def security_of(entry: SecurityEntry, keys: Keys) -> Security:
    """The security that a machine's entry declares."""
    return NoSecurity() if entry.mode == "none" else TrustedSecurity(entry, keys)


class TrustedSecurity:
    """A signed, and unless declared otherwise encrypted, connection to a station that a person trusts."""

    def __init__(self, entry: SecurityEntry, keys: Keys) -> None:
        self._entry = entry
        self._keys = keys
        self._endpoint: Any = None
        self._identity: Identity | None = None
        self._user = _UserCare()

    @property
    def words(self) -> str:
        """How the connection is secured: what is declared, and the policy that both sides have."""
        endpoint = self._endpoint
        agreed = "" if endpoint is None else f" ({_policy(endpoint)})"
        return f"{self._entry.words}{agreed}"

    async def prepare(self, client: Any) -> None:
        """See ``Security``. The station is asked what it offers once; afterwards only if it refuses the channel."""
        url = client.server_url.geturl()
        identity = await self._own_identity()
        if self._endpoint is None:
            self._endpoint = self._choice(await _endpoints(url))
        endpoint = self._endpoint
        try:
            self._check_station(endpoint, url)
        except LinkLost:
            self._endpoint = None  # the station may present another certificate next time
            raise
        certificate = chain_of(bytes(endpoint.ServerCertificate))[0]
        policy = POLICY_CLASSES[_policy(endpoint)](
            certificate, identity.certificate, identity.key, endpoint.SecurityMode
        )
        client.application_uri = identity.uri
        client.security_policy = policy
        client.uaclient.set_security(policy)

    async def _own_identity(self) -> Identity:
        try:
            identity = await asyncio.to_thread(self._keys.own.identity)
        except KeysWrong as wrong:
            raise LinkLost(str(wrong)) from wrong
        check_time(identity.certificate, "our own certificate")
        self._identity = identity
        return identity

    def _choice(self, endpoints: Sequence[Any]) -> Any:
        """The best endpoint that the declaration allows.

        Raises:
            LinkLost: there is none.
        """
        entry = self._entry
        mode = _MODES[entry.mode]
        allowed = (entry.policy,) if entry.policy else CURRENT
        fit = [e for e in endpoints if e.SecurityMode == mode and _policy(e) in allowed]
        if not fit:
            offered = sorted(
                {f"{_policy(e)} {e.SecurityMode.name}".removesuffix(" None_") for e in endpoints}
            )
            message = (
                f"the station offers no connection as declared ({entry.words}), only {', '.join(offered) or 'nothing'}; "
                "switch a current policy on at the station, or accept a weaker one: `security:` in the cell file, `--security` of browse"
            )
            raise LinkLost(message)
        best = min(fit, key=lambda e: allowed.index(_policy(e)))
        self._check_user_kind(best)
        return best

    def _check_user_kind(self, endpoint: Any) -> None:
        kind = self._user_kind()
        taken = [token.TokenType for token in endpoint.UserIdentityTokens]
        if kind not in taken:
            message = (
                f"the station takes {' and '.join(sorted(t.name for t in taken)) or 'no'} users, and we come as {kind.name}; "
                "declare `user:` and `secret:`, or `user_certificate:`, under `security:` in the cell file as the station wants it"
            )
            raise LinkLost(message)

    def _user_kind(self) -> Any:
        if self._entry.user is not None:
            return ua.UserTokenType.UserName
        if self._entry.user_certificate is not None:
            return ua.UserTokenType.Certificate
        return ua.UserTokenType.Anonymous

    def _check_station(self, endpoint: Any, url: str) -> None:
        """Everything that is known of a station before it is spoken to."""
        try:
            chain = chain_of(bytes(endpoint.ServerCertificate or b""))
        except ValueError:
            message = "the station presents no certificate that can be read; have one made for it"
            raise LinkLost(message) from None
        own = chain[0]
        try:
            self._keys.trust.check(chain)
        except KeysWrong as wrong:  # such as a folder that somebody removed while we run
            raise LinkLost(str(wrong)) from wrong
        check_time(own, "the certificate of the station")
        if self._entry.host == "checked":
            check_host(own, url)
        check_uri(own, endpoint.Server.ApplicationUri)
        if self._entry.application_uri is not None:
            check_declared_uri(own, self._entry.application_uri)
        check_use(own)
        if _policy(endpoint) in CURRENT:
            check_strength(chain)

    async def explain(self, url: str) -> str:
        """Ask again what the station offers; say what is wrong with it now, or that it does not take us."""
        former, self._endpoint = self._endpoint, None
        try:
            endpoint = self._choice(await _endpoints(url))
            self._check_station(endpoint, url)
        except LinkLost as why:
            return str(why)
        except (OSError, UaError):
            return ""
        if former is None or bytes(former.ServerCertificate) != bytes(endpoint.ServerCertificate):
            return ""
        identity = self._identity
        if identity is None:
            return ""
        return (
            "the station refused the secure channel; have our certificate trusted there: "
            f"{subject(identity.certificate)}, thumbprint {thumbprint(identity.certificate)}, in {self._keys.own.folder}/current.der"
        )

    def check(self, created: Any) -> None:
        """What the station says under protection has to be what it said in the open.

        Raises:
            LinkLost: somebody changes what the station offers, or the station changed.
        """
        endpoint, self_said = self._endpoint, self._choice(created.ServerEndpoints)
        if self_said.Server.ApplicationUri != endpoint.Server.ApplicationUri:
            check_uri(
                chain_of(bytes(endpoint.ServerCertificate))[0], self_said.Server.ApplicationUri
            )
        if _policy(self_said) != _policy(endpoint):
            self._endpoint = None
            message = (
                f"the station offers {_policy(self_said)}, but the open answer left it out and named {_policy(endpoint)}: "
                "somebody on the network may be weakening connections; look into it before anything else"
            )
            raise LinkLost(message)

    async def activate(self, client: Any) -> None:
        """See ``Security``."""
        entry = self._entry
        try:
            if entry.user is not None and entry.secret is not None:
                await self._as_user(client, entry.user, self._keys.secrets.text(entry.secret))
            elif entry.user_certificate is not None:
                await self._with_certificate(client, entry.user_certificate)
            else:
                await client.activate_session()
        except KeysWrong as wrong:
            raise LinkLost(str(wrong)) from wrong

    async def _as_user(self, client: Any, user: str, password: str) -> None:
        self._user.check(password)
        try:
            await client.activate_session(username=user, password=password)
        except StatusError as refused:
            if type(refused).__name__ not in USER_REFUSALS:
                raise
            raise LinkLost(
                self._user.refused(
                    password,
                    f"the station does not take user {user} with the password kept as {self._entry.secret} ({type(refused).__name__}); "
                    "correct the secret, or have the user set up at the station",
                )
            ) from None

    async def _with_certificate(self, client: Any, name: str) -> None:
        path = self._keys.secrets.file(f"{name}.pem")
        client.user_private_key = read_private_key(path)
        certificate = read_certificate(path)
        try:
            await client.activate_session(certificate=certificate)
        except StatusError as refused:
            if type(refused).__name__ not in USER_REFUSALS:
                raise
            message = (
                f"the station does not take the user certificate {name}, thumbprint {thumbprint(certificate)} ({type(refused).__name__}); "
                "have it trusted for users at the station"
            )
            raise LinkLost(message) from None


class _UserCare:
    """Remembers a refused password by its hash, for a while."""

    def __init__(self) -> None:
        self._salt = os.urandom(16)
        self._refused = b""
        self._why = ""
        self._until_s = 0.0

    def check(self, password: str) -> None:
        """Refuse to try again too early what was refused."""
        if self._hash(password) == self._refused and monotonic() < self._until_s:
            raise LinkLost(self._why)

    def refused(self, password: str, why: str) -> str:
        """Note a refusal."""
        self._refused, self._why = self._hash(password), why
        self._until_s = monotonic() + REFUSED_S
        return why

    def _hash(self, password: str) -> bytes:
        return hashlib.sha256(self._salt + password.encode()).digest()


_MODES: Mapping[str, Any] = {
    "sign-and-encrypt": ua.MessageSecurityMode.SignAndEncrypt,
    "sign": ua.MessageSecurityMode.Sign,
}


def _policy(endpoint: Any) -> Any:
    """The short name of an endpoint's policy."""
    return str(endpoint.SecurityPolicyUri or "").removeprefix(POLICY_URI)


async def _endpoints(url: str) -> list[Any]:
    """What a server offers over opc.tcp, asked in the open."""
    found = await Client(url, timeout=ASK_S_MAX).connect_and_get_server_endpoints()
    return [each for each in found if each.EndpointUrl.startswith("opc.tcp")]
