"""One OPC UA session on a socket of its own: the only file that speaks to asyncua's client.

Rules of this file:
- asyncua's own tasks are never started: no reconnect, no watchdog, no publish loop. A session that fails is thrown away whole.
- Whatever changes something at a server (``write``, ``call``) asks the permit first, in the turn of the loop in which it is sent. A method
  that only tells something (``ask``) needs none: who stands in the shadow asks for jobs and results as well.
- Every request has a limit. A request that ran into it leaves the session in doubt.
- What asyncua types as Any gets its type here and nowhere else.
"""

import asyncio
import logging
import socket
from collections.abc import Generator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Any

from asyncua.client.ua_client import UaClientState
from asyncua.client.ua_session import UaSession

from supervisor.shell.permit import UNLEASED, Permit
from supervisor.stations.opcua import (
    Acknowledgement,
    AttributeId,
    BrowsePathResult,
    CallMethodResult,
    Client,
    DataValue,
    ItemRequest,
    ItemResult,
    NodeId,
    PublishResult,
    QualifiedName,
    Reference,
    StatusCode,
    SubscriptionParameters,
    SubscriptionResult,
    UaError,
    Variant,
    numeric_id,
    plain_id,
    ua,
)
from supervisor.stations.reading import Reading, legible
from supervisor.stations.security import Security
from supervisor.stations.trouble import LinkLost
from supervisor.verdict.result import Quality

REQUEST_S_MAX = 4.0
CHANNEL_LIFETIME_MS = 600_000  # short, so that renewal is exercised every few minutes
PEER_GONE_MS = 3_000  # a peer whose machine does not acknowledge for so long is gone, also while an order is waited for
APPLICATION_URI = "urn:pointsman:supervisor"

_QUALITIES: tuple[Quality, ...] = ("good", "uncertain", "bad", "bad")
_NO_TIME = datetime(1601, 1, 2, tzinfo=UTC)  # a null DateTime arrives as the start of its epoch


def quiet_library_log() -> None:
    """Leave it to the link to say once what went wrong; asyncua would repeat it with tracebacks."""
    library = logging.getLogger("asyncua")
    if library.level == logging.NOTSET:
        library.setLevel(logging.CRITICAL)


@contextmanager
def plainly_cancelled() -> Generator[None]:
    """Lets a cancellation out as what it is.

    Where an answer comes in the moment in which nobody waits for it any more, the library raises a CancelledError of a kind of its own
    (``wait_for2``, before Python 3.12). ``asyncio.timeout`` of Python 3.11 knows the plain one only: what should have been a time-out
    went on as the cancelling of a task that nobody had cancelled, and ended the link, or with it the supervisor. It came after the
    process had stood still, when answers and time-outs are due at once.
    """
    try:
        yield
    except asyncio.CancelledError:
        raise asyncio.CancelledError from None


async def knock(url: str, limit_s: float) -> None:
    """Ask a server for its Acknowledge (OPC 10000-6 7.1.2) and hang up: it is there, and no channel or session was spent on it.

    Raises:
        OSError, TimeoutError, UaError: nobody answered as a server does.
    """
    client = Client(url, timeout=limit_s)
    try:
        async with asyncio.timeout(limit_s):
            with plainly_cancelled():
                await client.connect_socket()
                await client.send_hello()
    finally:
        _hang_up(client)


def _hang_up(client: Any) -> None:
    """Drop the socket at once."""
    protocol = client.uaclient.protocol
    if protocol is not None and protocol.transport is not None:
        protocol.transport.abort()


def _notice_a_gone_peer(client: Any) -> None:
    """Have the kernel break a connection whose peer acknowledges nothing (tcp(7); the options are Linux's)."""
    found: Any = client.uaclient.protocol.transport.get_extra_info("socket")
    found.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, setting in (
        ("TCP_USER_TIMEOUT", PEER_GONE_MS),
        ("TCP_KEEPIDLE", 1),
        ("TCP_KEEPINTVL", 1),
        ("TCP_KEEPCNT", PEER_GONE_MS // 1000),
    ):
        if hasattr(socket, option):
            found.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), setting)


_AUDIT: ContextVar[str] = ContextVar("audit id", default="")


@contextmanager
def audited(audit_id: str) -> Generator[None]:
    """Whatever is written and called in here, by this task, carries this id (``AuditEntryId``, OPC 10000-4 6.5.2 and 7.32).

    A station that audits shows it as ``ClientAuditEntryId`` of its audit events, so each can be traced to the order that it comes from.
    """
    token = _AUDIT.set(audit_id)
    try:
        yield
    finally:
        _AUDIT.reset(token)


class _OwnSession(UaSession):
    """asyncua's session without its publish loop, which retries a dead connection for ever; orders carry the id of what they come from."""

    async def _send_request(self, request: Any, *rest: Any, **named: Any) -> Any:
        if isinstance(request, ua.WriteRequest | ua.CallRequest):
            request.RequestHeader.AuditEntryId = _AUDIT.get() or None
        return await super()._send_request(request, *rest, **named)

    def ensure_publish_loop(self) -> None:
        """Publishing is done by the link's lanes."""


class Session:
    """A session: opened once, used, thrown away. ``timeout_ms`` is what was asked for, then what the server made of it."""

    def __init__(
        self,
        url: str,
        security: Security,
        *,
        timeout_ms: int,
        request_s_max: float = REQUEST_S_MAX,
        permit: Permit = UNLEASED,
    ) -> None:
        self._url = url
        self._security = security
        self._permit = permit
        self._client = Client(url, timeout=request_s_max)
        self._client.application_uri = APPLICATION_URI
        self._client.name = self._client.description = "Pointsman"
        self._client.session_timeout = timeout_ms
        self._client.secure_channel_timeout = CHANNEL_LIFETIME_MS
        self._session: Any = _OwnSession(self._client.uaclient)
        self._client.uaclient.session = self._session
        self._client.uaclient.pre_request_hook = None
        self._renew_at_s = 0.0

    @property
    def timeout_ms(self) -> int:
        """The session's life without requests, in ms."""
        return int(self._client.session_timeout)

    async def open(self) -> None:
        """Connect, open the channel, create and activate the session.

        Raises:
            LinkLost, OSError, TimeoutError, UaError: it did not work; the session is good for nothing.
        """
        with plainly_cancelled():
            await self._security.prepare(self._client)
            await self._client.connect_socket()
            _notice_a_gone_peer(self._client)
            await self._client.send_hello()
            await self._open_channel()
            self._note_channel()
            self._security.check(await self._client.create_session())
            await self._security.activate(self._client)

    async def _open_channel(self) -> None:
        """Open the channel. A server that cannot read what we encrypted for another key hangs up or says nothing.

        A server that refuses by a service fault of its own (node-opcua does, an untrusted client) trips an assertion in asyncua
        (``UASocketProtocol.open_secure_channel``): the answer is then no OpenSecureChannelResponse.
        """
        try:
            await self._client.open_secure_channel()
        except (OSError, UaError, AssertionError) as refused:
            why = await self._security.explain(self._url)
            if why or isinstance(refused, AssertionError):
                raise LinkLost(why or "the server refused the secure channel") from refused
            raise

    def is_lost(self) -> bool:
        """Whether the socket is closed."""
        return self._client.state is UaClientState.DISCONNECTED

    async def renew_channel_when_due(self) -> None:
        """Renew the channel once three quarters of its life are over (OPC 10000-4 5.5.2.1, as asyncua cites it)."""
        if asyncio.get_running_loop().time() < self._renew_at_s:
            return
        await self._bounded(self._client.open_secure_channel(renew=True))
        self._client.uaclient.revolve_security_token()
        self._note_channel()

    def _note_channel(self) -> None:
        life_s = self._client.secure_channel_timeout / 1000
        self._renew_at_s = asyncio.get_running_loop().time() + 0.75 * life_s

    def abort(self) -> None:
        """Drop the socket at once; whoever waits for an answer gets a ConnectionError."""
        _hang_up(self._client)

    async def close(self, limit_s: float) -> None:
        """Say goodbye, so that the server's session slot is free at once; within the limit, whatever happens."""
        try:
            await self._bounded(self._session.close_session(delete_subscriptions=True), limit_s)
        except (OSError, TimeoutError, UaError):
            pass  # the server keeps the slot until the session's own time-out
        finally:
            self.abort()

    # --- services -----------------------------------------------------------------------------------------------------

    async def read(self, wanted: Sequence[tuple[NodeId, AttributeId]]) -> list[DataValue]:
        """Read attributes in one request."""
        parameters = ua.ReadParameters()
        parameters.TimestampsToReturn = ua.TimestampsToReturn.Both
        parameters.NodesToRead = [
            ua.ReadValueId(NodeId=node, AttributeId=attribute) for node, attribute in wanted
        ]
        return await self._bounded(self._session.read(parameters))

    async def write(self, values: Sequence[tuple[NodeId, Variant]]) -> list[StatusCode]:
        """Write values in one request, without status and timestamps: many controllers refuse to have them set.

        Raises:
            NotPermitted: the permit to send has run out; nothing was sent.
        """
        parameters = ua.WriteParameters()
        parameters.NodesToWrite = [
            ua.WriteValue(NodeId=node, AttributeId=ua.AttributeIds.Value, Value=_plain(content))
            for node, content in values
        ]
        self._permit.check()
        return await self._bounded(self._session.write(parameters))

    async def call(
        self, owner: NodeId, method: NodeId, arguments: list[Variant], limit_s: float
    ) -> CallMethodResult:
        """Call one method and wait for its answer.

        Raises:
            NotPermitted: the permit to send has run out; nothing was sent.
        """
        self._permit.check()
        return await self.ask(owner, method, arguments, limit_s)

    async def ask(
        self, owner: NodeId, method: NodeId, arguments: list[Variant], limit_s: float
    ) -> CallMethodResult:
        """Call one method that changes nothing, by what its profile says it is for, and wait for its answer."""
        request = ua.CallMethodRequest(ObjectId=owner, MethodId=method, InputArguments=arguments)
        (result,) = await self._bounded(self._session.call([request]), limit_s)
        return result

    async def translate(
        self, paths: Sequence[tuple[NodeId, Sequence[QualifiedName]]]
    ) -> list[BrowsePathResult]:
        """Follow browse paths along hierarchical references, each from its own start, in one request."""
        requests = [
            ua.BrowsePath(StartingNode=start, RelativePath=_relative(path)) for start, path in paths
        ]
        return await self._bounded(self._session.translate_browsepaths_to_nodeids(requests))

    async def children(self, nodes: Sequence[NodeId]) -> list[list[Reference]]:
        """What each node holds along hierarchical references, whole: the server may give it in several pieces."""
        return await self._below(nodes, ua.ObjectIds.HierarchicalReferences)

    async def subtypes_down(self, nodes: Sequence[NodeId]) -> list[NodeId]:
        """The immediate subtypes of type nodes."""
        found = await self._below(nodes, ua.ObjectIds.HasSubtype)
        return [plain_id(one.NodeId) for references in found for one in references]

    async def _below(self, nodes: Sequence[NodeId], reference: int) -> list[list[Reference]]:
        parameters = ua.BrowseParameters()
        parameters.NodesToBrowse = [
            _to_browse(node, reference, ua.BrowseDirection.Forward, ua.BrowseResultMask.All)
            for node in nodes
        ]
        results: list[Any] = await self._bounded(self._session.browse(parameters))
        found: list[list[Reference]] = []
        for first in results:
            part, references = first, list(first.References or [])
            while part.ContinuationPoint:
                more = ua.BrowseNextParameters(
                    ReleaseContinuationPoints=False, ContinuationPoints=[part.ContinuationPoint]
                )
                (part,) = await self._bounded(self._session.browse_next(more))
                references += part.References or []
            found.append(references)
        return found

    async def supertypes(self, nodes: Sequence[NodeId]) -> list[NodeId | None]:
        """The supertype of each type node, or None, in one request."""
        return await self._origins(nodes, ua.ObjectIds.HasSubtype)

    async def encoded_by(self, encoding: NodeId) -> NodeId | None:
        """The data type that an encoding belongs to, or None."""
        (origin,) = await self._origins([encoding], ua.ObjectIds.HasEncoding)
        return origin

    async def _origins(self, nodes: Sequence[NodeId], reference: int) -> list[NodeId | None]:
        parameters = ua.BrowseParameters()
        parameters.NodesToBrowse = [
            _to_browse(node, reference, ua.BrowseDirection.Inverse, 0) for node in nodes
        ]
        results: list[Any] = await self._bounded(self._session.browse(parameters))
        first = [next(iter(result.References or []), None) for result in results]
        return [None if one is None else plain_id(one.NodeId) for one in first]

    async def create_subscription(self, parameters: SubscriptionParameters) -> SubscriptionResult:
        """Create a subscription; its messages come by ``publish``."""
        return await self._bounded(self._session.create_subscription(parameters, _nobody))

    async def modify_subscription(
        self, granted: SubscriptionResult, keep_alive: int
    ) -> SubscriptionResult:
        """Ask for a sign of life after so many intervals without news; the rest stays as it was granted."""
        parameters = ua.ModifySubscriptionParameters(
            SubscriptionId=granted.SubscriptionId,
            RequestedPublishingInterval=granted.RevisedPublishingInterval,
            RequestedLifetimeCount=granted.RevisedLifetimeCount,
            RequestedMaxKeepAliveCount=keep_alive,
        )
        revised = await self._bounded(self._session.update_subscription(parameters))
        return ua.CreateSubscriptionResult(
            SubscriptionId=granted.SubscriptionId,
            RevisedPublishingInterval=revised.RevisedPublishingInterval,
            RevisedLifetimeCount=revised.RevisedLifetimeCount,
            RevisedMaxKeepAliveCount=revised.RevisedMaxKeepAliveCount,
        )

    async def create_items(
        self, subscription: int, requests: list[ItemRequest]
    ) -> list[ItemResult]:
        """Create monitored items in one request."""
        parameters = ua.CreateMonitoredItemsParameters()
        parameters.SubscriptionId = subscription
        parameters.TimestampsToReturn = ua.TimestampsToReturn.Both
        parameters.ItemsToCreate = requests
        return await self._bounded(self._session.create_monitored_items(parameters))

    async def publish(self, acknowledgements: list[Acknowledgement]) -> PublishResult:
        """Wait for the next message of the subscription; without limit, the link watches the silence."""
        with plainly_cancelled():
            response: Any = await self._session.publish(acknowledgements)
        response.ResponseHeader.ServiceResult.check()
        return response.Parameters

    async def _bounded(self, request: Any, limit_s: float = REQUEST_S_MAX) -> Any:
        async with asyncio.timeout(limit_s):
            with plainly_cancelled():
                return await request


def _to_browse(node: NodeId, reference: int, direction: Any, results: int) -> Any:
    return ua.BrowseDescription(
        NodeId=node,
        BrowseDirection=direction,
        ReferenceTypeId=numeric_id(reference),
        IncludeSubtypes=True,
        NodeClassMask=0,
        ResultMask=results,
    )


def _nobody(_message: PublishResult) -> None:
    """The library wants a callback for each subscription; ours come by ``publish``."""


def _plain(content: Variant) -> DataValue:
    return ua.DataValue(Value=content, StatusCode=None)


def _relative(path: Sequence[QualifiedName]) -> Any:
    elements = [
        ua.RelativePathElement(
            ReferenceTypeId=numeric_id(ua.ObjectIds.HierarchicalReferences),
            IsInverse=False,
            IncludeSubtypes=True,
            TargetName=name,
        )
        for name in path
    ]
    return ua.RelativePath(Elements=elements)


def reading_of(found: DataValue, seen_s: float) -> Reading:
    """A data value as a reading: localized text as its text, the source's time in ms (the server's where the source gave none).

    A text that is no UTF-8, as OPC 10000-6 has it in 5.2.2.4, is bad, whatever its status says.
    """
    status: Any = found.StatusCode
    quality = _QUALITIES[0 if status is None else status.value >> 30]
    content, legibility = _content(found.Value)
    quality = quality if legibility == "good" else legibility
    stamp = found.SourceTimestamp or found.ServerTimestamp
    source_ms = 0 if stamp is None or stamp < _NO_TIME else int(stamp.timestamp() * 1000)
    return Reading(content, quality, source_ms, seen_s)


def field_reading(field: Variant, source_ms: int, seen_s: float) -> Reading:
    """A field of an event as a reading. Where a server cannot give a field it puts a status code there (OPC 10000-4 7.22.3)."""
    content, quality = _content(field)
    if type(content) is ua.StatusCode:
        return Reading(None, "bad", source_ms, seen_s)
    return Reading(content, quality, source_ms, seen_s)


def _content(variant: Variant) -> tuple[Any, Quality]:
    """What a variant holds, localized text as its text; a text that is no UTF-8 is bad."""
    content: Any = None if variant is None else variant.Value
    if type(content) is ua.LocalizedText:
        content = content.Text
    if isinstance(content, str) and (text := legible(content)) != content:
        return text, "bad"
    return content, "good"
