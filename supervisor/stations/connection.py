"""One life of a link: two sessions, one subscription, one image. Made new for every attempt and thrown away whole.

Rules of this file:
- Monitoring and orders have a session each, because a slow method blocks its session (measured).
- The publish callback puts readings into the image and tells the seat once per message; it never waits.
- A connection is up only after every watched node has reported and the whole image was read as well; until then nothing is told.
- Silence is counted in ticks of our own loop, so that a stall of ours is not mistaken for a silent server.
- What the server says of its own health is watched beside the nodes of the profile; one that says that it is not fit ends the connection.
- Whatever is doubtful ends the connection with a ``LinkLost`` that says why.
"""

import asyncio
from collections.abc import AsyncGenerator, Coroutine, Mapping
from contextlib import asynccontextmanager, suppress
from typing import Any, Literal, Protocol

from supervisor.cell.kinds import ServiceLevel
from supervisor.cell.profile_address import BrowseName
from supervisor.cell.value import value
from supervisor.shell.permit import UNLEASED, Permit
from supervisor.stations.decode import Places
from supervisor.stations.event_types import KnownEvent
from supervisor.stations.facts import ServerFacts, chunks, read_facts
from supervisor.stations.health import (
    SERVICE_LEVEL,
    STATE,
    check_service_level,
    check_state,
)
from supervisor.stations.latches import Latches, Placed, unasked
from supervisor.stations.opcua import (
    Acknowledgement,
    NodeId,
    PublishResult,
    QualifiedName,
    SubscriptionParameters,
    SubscriptionResult,
    UaError,
    numeric_id,
    status_name,
    ua,
)
from supervisor.stations.reading import UNREAD, Image, Reading
from supervisor.stations.resolve import Found, Wanted, node_id_at, resolve
from supervisor.stations.security import Security
from supervisor.stations.structures import TypeBook
from supervisor.stations.trouble import LinkLost
from supervisor.stations.wire import Session, reading_of

LANES = 2  # Publish requests on their way; the second covers the time in which the first message is worked on
TICKS_MIN = 8  # within the limit of silence; a tick is at most as long as the default's
TICK_S_MAX = 0.25
SIGNS = 3  # within the limit of silence: of life by the server, and questions to an idle connection for orders
NUMBER_MAX = 2**32 - 1
GOODBYE_S_MAX = 0.3
CANCEL_AGAIN_S = 0.1
ORDER_REQUEST_S_MAX = 700.0  # longer than any order of a profile; each order sets its own limit
YIELDS_BEFORE_PUBLISH = 3  # turns of the loop in which what a message has set off is sent first

_RENEWED = (
    ua.DataChangeFilter(  # a value that is written again counts as news, also where it is the same
        Trigger=ua.DataChangeTrigger.StatusValueTimestamp
    )
)
_CONDITIONS = numeric_id(ua.ObjectIds.ConditionType)
_REFRESH = numeric_id(ua.ObjectIds.ConditionType_ConditionRefresh)
_HEALTH = {  # by client handle; those of the profile's nodes and events count from 0. There is a stack that takes 2**32 - 1 for 0 (measured).
    1_000_000: (STATE, check_state),
    1_000_001: (SERVICE_LEVEL, check_service_level),
}


@value
class LinkOptions:
    """How a server is watched. Intervals are wishes; what the server made of them is in the link's report.

    Opening takes as many round trips as the server's limits make it take, so only each of its requests has a tight limit
    (``REQUEST_S_MAX``), a session as a whole and the first image ``connect_s_max``, and everything together ``open_s_max``.
    A session is left behind with each connection that breaks, until ``session_ms`` are over at the server: short, because small servers
    have few, and many times the silence that ends a connection. A server that does not answer is knocked at every ``knock_s_max`` or sooner, each time for ``answer_s_max``; one that answers and then cannot
    be used is tried again after ``retry_s_min`` to ``retry_s_max``, one under maintenance after ``maintenance_s``.
    """

    interval_ms: float = 100
    silence_ms_max: int = 1_500
    service_level: ServiceLevel = "heeded"
    lifetime_ms: int = 30_000
    session_ms: int = 10_000
    open_s_max: float = 60.0
    connect_s_max: float = 6.0
    knock_s_max: float = 0.3
    answer_s_max: float = 1.5
    retry_s_min: float = 0.2
    retry_s_max: float = 2.0
    maintenance_s: float = 20.0

    @property
    def keep_alive_ms(self) -> float:
        """How often a server that has nothing to tell is to say so, so that one sign that comes late is no silence."""
        return self.silence_ms_max / SIGNS

    @property
    def knock_s(self) -> float:
        """Where a short silence says that the server is quick, its return is met sooner, too."""
        return min(self.knock_s_max, self.keep_alive_ms / 1000)

    @property
    def tick_s(self) -> float:
        """In what steps silence is counted."""
        return min(TICK_S_MAX, self.silence_ms_max / 1000 / TICKS_MIN)


@value
class Revised:
    """What the server granted, in ms. ``sampling_ms`` is the slowest of all items, ``items`` their number."""

    interval_ms: float
    keep_alive_ms: float
    lifetime_ms: float
    sampling_ms: float
    session_ms: int
    items: int


class Seat(Protocol):
    """Who is told of a connection: an adapter. All calls come from the loop and must return at once."""

    def link_ready(self, connection: "Connection") -> None:
        """Nodes are found and checked; make what interprets them. May raise LinkLost."""
        ...

    async def link_read(self, connection: "Connection") -> None:
        """Every node has been read; ask what lost events would have said. May raise LinkLost."""
        ...

    def link_up(self, connection: "Connection") -> None:
        """The whole image has been read."""
        ...

    def link_changed(self) -> None:
        """The image changed; called once per message."""
        ...


@value
class Learnt:
    """The types of a server, and at which start and with which namespaces they hold."""

    facts: ServerFacts
    types: TypeBook


class Connection:
    """``image`` holds the readings of the watched nodes, in the order of ``wanted.watch``, and behind them what is latched from events.

    ``newest_ms`` never goes back.
    """

    def __init__(
        self,
        url: str,
        wanted: Wanted,
        options: LinkOptions,
        security: Security,
        seat: Seat,
        permit: Permit = UNLEASED,
    ) -> None:
        self._url = url
        self._learnt: Learnt | None = None
        self._permit = permit
        self._wanted = wanted
        self._options = options
        self._security = security
        self._seat = seat
        self._monitor = self._session(request_s_max=4.0)
        self._orders: Session | None = None
        self._ordering = 0
        self._opening_orders = asyncio.Lock()
        self._signs: set[asyncio.Task[None]] = set()
        self._ended = self._told = False
        self._subscription = 0
        self._quiet_ticks = self._next_number = 0
        self._unseen = set(range(len(wanted.watch)))
        self._all_seen = asyncio.Event()
        if not self._unseen:
            self._all_seen.set()
        self._doubt: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        names = (*wanted.watch, *wanted.latched())
        self.positions: Mapping[str, int] = {name: at for at, name in enumerate(names)}
        self.image: Image = [UNREAD] * len(wanted.watch) + unasked(wanted.events)
        self._latched = frozenset(wanted.latched())
        self.newest_ms = 0
        self.types = TypeBook()
        self.facts = ServerFacts(boot="", namespaces=(), limits={})
        self.found: Mapping[str, Found] = {}
        self.latches = Latches({}, {}, self.places(), 0)
        self.revised = Revised(
            interval_ms=0, keep_alive_ms=0, lifetime_ms=0, sampling_ms=0, session_ms=0, items=0
        )

    def _session(self, request_s_max: float) -> Session:
        return Session(
            self._url,
            self._security,
            timeout_ms=self._options.session_ms,
            request_s_max=request_s_max,
            permit=self._permit,
        )

    @property
    def missing(self) -> frozenset[str]:
        """The optional nodes that this server has not; known once its nodes were found."""
        return frozenset(self._wanted.nodes) - frozenset(self.found)

    def places(self) -> Places:
        """What decoders have to know of this connection."""
        return Places(
            positions=self.positions,
            members={name: node.members for name, node in self.found.items()},
            structures={
                name: node.structure
                for name, node in self.found.items()
                if node.structure is not None
            },
            node_ids=frozenset(
                name for name, node in self.found.items() if node.kind is ua.VariantType.NodeId
            ),
            latched=self._latched,
            node_id=self.node_id,
            now_s=asyncio.get_running_loop().time,
            missing=self.missing,
        )

    def node_id(self, written: str) -> NodeId:
        """A node id of the profile at this server."""
        return node_id_at(written, self._wanted.namespaces, self.facts)

    def qualified(self, name: BrowseName) -> QualifiedName:
        """A browse name of the profile at this server."""
        uri = self._wanted.namespaces[name.prefix] if name.prefix else ""
        return ua.QualifiedName(name.name, self.facts.namespaces.index(uri) if uri else 0)

    @property
    def _asked(self) -> Literal["asked", "state alone"]:
        """What of its health the server is believed."""
        return "asked" if self._options.service_level == "heeded" else "state alone"

    @property
    def learnt(self) -> Learnt:
        """What the next connection may use."""
        return Learnt(facts=self.facts, types=self.types)

    def recall(self, learnt: Learnt | None) -> None:
        """Use what an earlier connection knew of the same server, if that has not started anew since."""
        self._learnt = learnt

    @property
    def quiet_s(self) -> float:
        """For how long no message came, in seconds, to the next tick."""
        return self._quiet_ticks * self._options.tick_s

    async def live(self) -> None:
        """Connect and serve until the connection is lost.

        Raises:
            LinkLost, OSError, TimeoutError, UaError: why it ended. It never returns.
        """
        silent = True
        try:
            async with asyncio.timeout(self._options.open_s_max):
                await self._open()
            await _until_one_ends(
                *(self._lane() for _ in range(LANES)),
                self._serve(),
                self._tend(),
                self._doubted(),
            )
        except LinkLost as lost:
            silent = lost.silent == "yes"
            raise
        except (UaError, asyncio.CancelledError):
            silent = False
            raise
        finally:
            self._ended = True
            for sign in self._signs:
                sign.cancel()
            await self._leave(silent=silent)

    async def _leave(self, *, silent: bool) -> None:
        """Free both sessions: with a goodbye where somebody may hear it."""
        for session in (self._monitor, self._orders):
            if session is None:
                continue
            if silent or session.is_lost():
                session.abort()
            else:
                await session.close(GOODBYE_S_MAX)

    def doubt(self, why: str) -> None:
        """End the connection: somebody who uses it found it doubtful."""
        if not self._doubt.done():
            self._doubt.set_result(why)

    async def _doubted(self) -> None:
        raise LinkLost(await self._doubt)

    # --- opening --------------------------------------------------------------------------------------------------------

    async def _open(self) -> None:
        """The session for orders is opened once the other has found out how the server is to be spoken to, and beside everything else."""
        async with asyncio.timeout(self._options.connect_s_max):
            await self._monitor.open()
        orders = asyncio.create_task(self._open_orders())
        awake = asyncio.create_task(_keep_awake(orders))
        try:
            await self._find_and_subscribe()
            self._orders = await orders
        except BaseException:
            await self._forget_orders(orders)
            raise
        finally:
            awake.cancel()

    async def _find_and_subscribe(self) -> None:
        self.facts = await read_facts(self._monitor, self._asked)
        if self._learnt is not None and self._learnt.facts == self.facts and self._learnt.types.whole:  # fmt: skip
            self.types = self._learnt.types
        resolved = await resolve(self._monitor, self.facts, self._wanted, self.types)
        self.found = resolved.found
        self._unseen -= {self.positions[name] for name in self.missing & self.positions.keys()}
        self.latches = self._made_latches(resolved.events)
        self._seat.link_ready(self)
        await self._subscribe()

    async def _forget_orders(self, opening: asyncio.Task[Session]) -> None:
        """The session for orders is of no use: the opening of the connection has failed beside it."""
        opening.cancel()
        (opened,) = await asyncio.gather(opening, return_exceptions=True)
        if isinstance(opened, Session):
            opened.abort()

    def _made_latches(self, known: Mapping[str, KnownEvent]) -> Latches:
        wanted = self._wanted
        return Latches(wanted.events, known, self.places(), len(wanted.watch))

    async def _open_orders(self) -> Session:
        session = self._session(request_s_max=ORDER_REQUEST_S_MAX)
        try:
            async with asyncio.timeout(self._options.connect_s_max):
                await session.open()
        except BaseException:
            session.abort()
            raise
        return session

    async def _subscribe(self) -> None:
        options = self._options
        interval_ms = max(options.interval_ms, 1)
        keep_alive = max(1, round(options.keep_alive_ms / interval_ms))
        parameters = ua.CreateSubscriptionParameters(
            RequestedPublishingInterval=options.interval_ms,
            RequestedLifetimeCount=max(3 * keep_alive, round(options.lifetime_ms / interval_ms)),
            RequestedMaxKeepAliveCount=keep_alive,
            MaxNotificationsPerPublish=0,
            PublishingEnabled=True,
            Priority=0,
        )
        granted = await self._monitor.create_subscription(parameters)
        granted = await self._as_often(parameters, granted)
        self._subscription = granted.SubscriptionId
        await self._watch_events(granted.SubscriptionId)
        sampling_ms = await self._watch_nodes(granted.SubscriptionId)
        revised_ms = granted.RevisedPublishingInterval
        self.revised = Revised(
            interval_ms=revised_ms,
            keep_alive_ms=revised_ms * granted.RevisedMaxKeepAliveCount,
            lifetime_ms=revised_ms * granted.RevisedLifetimeCount,
            sampling_ms=sampling_ms,
            session_ms=self._monitor.timeout_ms,
            items=len(self._wanted.watch) - len(self.missing & self.positions.keys()),
        )

    async def _as_often(
        self, asked: SubscriptionParameters, granted: SubscriptionResult
    ) -> SubscriptionResult:
        """Signs of life are counted in intervals: where the server made these longer, fewer of them are asked for."""
        interval_ms = granted.RevisedPublishingInterval
        count = max(1, round(self._options.keep_alive_ms / max(interval_ms, 1)))
        if interval_ms <= asked.RequestedPublishingInterval or count >= granted.RevisedMaxKeepAliveCount:  # fmt: skip
            return granted
        return await self._monitor.modify_subscription(granted, count)

    async def _watch_nodes(self, subscription: int) -> float:
        """Create the monitored items, each one of the profile checked; their slowest sampling interval in ms.

        What the server says of its health comes along in the same requests; one that does not have it watched is not the worse for it.
        """
        slowest_ms = 0.0
        numbered = [(at, name) for at, name in enumerate(self._wanted.watch) if name in self.found]
        requests = [self._item(at, self.found[name].node, name) for at, name in numbered]
        heeded = [STATE, SERVICE_LEVEL] if self._asked == "asked" else [STATE]
        health = [self._item(at, node) for at, (node, _) in _HEALTH.items() if node in heeded]
        requests += health
        names = [*(name for _, name in numbered), *(None for _ in health)]
        for chunk in chunks(list(zip(names, requests, strict=True)), self.facts.limits["items"]):
            results = await self._monitor.create_items(subscription, [one for _, one in chunk])
            if len(results) != len(chunk):
                message = f"expected {len(chunk)} monitored items, the server made {len(results)}"
                raise LinkLost(message)
            for (name, _), result in zip(chunk, results, strict=True):
                if name is None:
                    continue
                if not result.StatusCode.is_good():
                    message = f"node {name} cannot be watched: {status_name(result.StatusCode)}"
                    raise LinkLost(message)
                slowest_ms = max(slowest_ms, result.RevisedSamplingInterval)
        return slowest_ms

    async def _watch_events(self, subscription: int) -> None:
        """Have events reported before anything is read, so that none falls between the two."""
        objects = {name: found.node for name, found in self.found.items()}
        requests = self.latches.items(objects)
        results = await self._monitor.create_items(subscription, requests) if requests else []
        for result in results:
            if not result.StatusCode.is_good():
                message = f"events cannot be watched: {status_name(result.StatusCode)}; name another `source`, or leave it out for the server itself"
                raise LinkLost(message)

    def _item(self, handle: int, node: NodeId, name: str = "") -> Any:
        return ua.MonitoredItemCreateRequest(
            ItemToMonitor=ua.ReadValueId(NodeId=node, AttributeId=ua.AttributeIds.Value),
            MonitoringMode=ua.MonitoringMode.Reporting,
            RequestedParameters=ua.MonitoringParameters(
                Filter=_RENEWED if name in self._wanted.stamped else None,
                ClientHandle=handle,
                SamplingInterval=self._options.interval_ms,
                QueueSize=1,  # levels: only the newest value counts
                DiscardOldest=True,
            ),
        )

    async def refresh_conditions(self, limit_s: float) -> None:
        """Have the server say again how each of its conditions stands, as events (OPC 10000-9 5.5.7); returns when it has said all.

        Raises:
            LinkLost, OSError, TimeoutError: it does not.
        """
        self.latches.refreshed.clear()
        arguments = [ua.Variant(self._subscription, ua.VariantType.UInt32)]
        result = await self._monitor.ask(_CONDITIONS, _REFRESH, arguments, limit_s)
        if not result.StatusCode.is_good():
            message = f"the server does not say again how its conditions stand: {status_name(result.StatusCode)}"
            raise LinkLost(message)
        try:
            async with asyncio.timeout(limit_s):
                await self.latches.refreshed.wait()
        except TimeoutError:
            message = f"the server did not end the refresh of its conditions in {limit_s:.0f} s"
            raise LinkLost(message) from None

    # --- messages -------------------------------------------------------------------------------------------------------

    async def _lane(self) -> None:
        """Keep one Publish request on its way; after each message give way to what it has set off."""
        acknowledgements: list[Acknowledgement] = []
        while True:
            try:
                message = await self._monitor.publish(acknowledgements)
            except ua.uaerrors.BadTooManyPublishRequests:
                await asyncio.Event().wait()  # this server takes fewer; the other lane goes on
                continue
            self._take(message)
            acknowledgements = _acknowledge(message)
            for _ in range(YIELDS_BEFORE_PUBLISH):
                await asyncio.sleep(0)

    def _take(self, message: PublishResult) -> None:
        """Put the readings of a message into the image and tell the seat."""
        self._quiet_ticks = 0
        parts = message.NotificationMessage.NotificationData
        self._count(
            message.NotificationMessage.SequenceNumber, "content" if parts else "sign of life"
        )
        if not parts:
            return
        now_s = asyncio.get_running_loop().time()
        for part in parts:
            if type(part) is ua.StatusChangeNotification:
                reason = f"the server ended the subscription: {status_name(part.Status)}"
                raise LinkLost(reason)
            self._take_part(part, now_s)
        self.place(self.latches.ended_by_levels(self.image, now_s))
        if self._told:
            self._seat.link_changed()
        elif not self._unseen:
            self._all_seen.set()

    def _take_part(self, part: Any, now_s: float) -> None:
        """Levels are put into the image, events are latched in it."""
        if type(part) is ua.EventNotificationList:
            for event in part.Events:
                self.place(self.latches.taken(event.ClientHandle, event.EventFields, now_s))
            return
        for item in part.MonitoredItems:
            if item.ClientHandle in _HEALTH:
                _HEALTH[item.ClientHandle][1](item.Value)
                continue
            self._put(item.ClientHandle, reading_of(item.Value, now_s))

    def _count(self, number: int, what: Literal["content", "sign of life"]) -> None:
        """Miss no message: a level that was in it would stay unseen.

        Messages with content are numbered one by one from 1, over the largest to 1 again; a sign of life carries the next number
        (OPC 10000-4 5.14.1.1 and 7.26). One that is behind is a server's peculiarity and tells nothing.
        """
        if self._next_number and number > self._next_number:
            message = (
                f"expected message {self._next_number} of the subscription, message {number} came"
            )
            raise LinkLost(message)
        if what == "content":
            self._next_number = number % NUMBER_MAX + 1

    def place(self, changes: list[Placed]) -> None:
        """Put what is latched or has ended into the image."""
        for position, reading in changes:
            self._put(position, reading)

    def _put(self, position: int, reading: Reading) -> None:
        self.image[position] = reading
        self.newest_ms = max(self.newest_ms, reading.source_ms)
        if self._unseen:
            self._unseen.discard(position)

    async def _serve(self) -> None:
        """Complete the first image, tell the seat, then watch the silence."""
        try:
            async with asyncio.timeout(self._options.connect_s_max):
                await self._complete_the_image()
        except TimeoutError:
            names = ", ".join(self._wanted.watch[position] for position in sorted(self._unseen))
            message = f"the server never reported {names or 'the whole image'}"
            raise LinkLost(message) from None
        await self._seat.link_read(self)
        self._told = True
        self._seat.link_up(self)
        await self._watch_silence()

    async def _complete_the_image(self) -> None:
        """Read every watched node over the session for orders, which proves that it answers, while their first reports are on their way.

        What was read counts only where it is newer than the report: of two that are equally old it may be the older one, as the answers of
        two connections overtake each other, and what changes after a report is reported.
        """
        watched = self._wanted.watch
        readings, _ = await asyncio.gather(self.read(watched), self._all_seen.wait())
        for position, reading in enumerate(readings):
            if reading.source_ms > self.image[position].source_ms:
                self._put(position, reading)

    def _silence_ms_max(self) -> float:
        return max(self._options.silence_ms_max, 1.5 * self.revised.keep_alive_ms)

    async def _watch_silence(self) -> None:
        limit_ms = self._silence_ms_max()
        tick_s = self._options.tick_s
        ticks_max = round(limit_ms / 1000 / tick_s)
        while True:
            await asyncio.sleep(tick_s)
            self._quiet_ticks += 1
            if self._quiet_ticks > ticks_max:
                message = f"nothing was heard for {limit_ms / 1000:.1f} s"
                raise LinkLost(message, silent="yes")
            if self._orders is not None and self._orders.is_lost():
                message = "the connection for orders was closed"
                raise LinkLost(message)

    async def _tend(self) -> None:
        """Renew the channels and keep the session for orders alive; ask for a sign of life where the server sends none by itself."""
        sends_keep_alives = self.revised.keep_alive_ms >= 1
        pause_s = self._silence_ms_max() / 1000 / SIGNS
        waits, waits_max = 0, max(1, int(self.revised.session_ms / 1000 / SIGNS / pause_s))
        while True:
            await asyncio.sleep(pause_s)
            await self._monitor.renew_channel_when_due()
            if not sends_keep_alives:
                await self._monitor.read([(STATE, ua.AttributeIds.Value)])
                self._quiet_ticks = 0
            if self._orders is None:
                continue
            if self._ordering:
                waits += 1
                if waits % waits_max == 0:
                    self._keep(self._orders)
                continue
            waits = 0
            await self._orders.renew_channel_when_due()
            await self._prove_orders(self._orders)

    def _keep(self, session: Session) -> None:
        """A session without any request ends at the server (OPC 10000-4 5.7.2), also one in which a method is at work."""
        sign = asyncio.create_task(_heard(session))
        self._signs.add(sign)
        sign.add_done_callback(self._signs.discard)

    async def _prove_orders(self, session: Session) -> None:
        """Nothing comes on this connection unasked, so one that is dead would show with the next order only."""
        limit_s = self._silence_ms_max() / 1000
        try:
            async with asyncio.timeout(limit_s):
                await session.read([(STATE, ua.AttributeIds.Value)])
        except (OSError, TimeoutError) as error:
            if session is not self._orders:
                return  # an order has dropped it meanwhile
            message = f"nothing was heard on the connection for orders for {limit_s:.1f} s"
            raise LinkLost(message, silent="yes") from error

    # --- the session for orders -----------------------------------------------------------------------------------------

    @asynccontextmanager
    async def ordering(self) -> AsyncGenerator[Session]:
        """The session for orders; a new one where the last was left in doubt.

        Raises:
            LinkLost: there is none, and the whole connection is now in doubt.
        """
        self._ordering += 1
        try:
            yield self._orders or await self._replacement()
        finally:
            self._ordering -= 1

    @property
    def signals(self) -> Session:
        """The session of the monitoring, for what must not wait behind a slow order: the sign that the supervisor is awake."""
        return self._monitor

    async def _replacement(self) -> Session:
        """A new session in place of a doubtful one; whoever comes second gets the same."""
        async with self._opening_orders:
            if self._orders is None:
                self._orders = await self._proven_session()
            return self._orders

    async def _proven_session(self) -> Session:
        """A new session that speaks to the same start of the same server, or the connection is in doubt."""
        try:
            session = await self._open_orders()
            try:
                await self._prove(session)
            except BaseException:
                session.abort()
                raise
        except (LinkLost, OSError, TimeoutError, UaError) as error:
            message = f"no new session for orders: {str(error) or 'no answer'}"
            self.doubt(message)
            raise LinkLost(message) from error
        return session

    async def _prove(self, session: Session) -> None:
        facts = await read_facts(session, self._asked)
        if self._ended or facts.boot != self.facts.boot:
            message = "the link went down" if self._ended else "the server restarted"
            raise LinkLost(message)

    def drop_orders(self, session: Session) -> None:
        """A request on this session ran into its limit: its answer may still come, so it is not used again."""
        if self._orders is session:
            self._orders = None
        session.abort()

    async def read(self, names: tuple[str, ...]) -> list[Reading]:
        """Read nodes by name over the session for orders, in one request as far as the server allows; a missing one is unread.

        What is latched from events stands in the image only, and is taken from there after the nodes were read.
        """
        found: list[Any] = []
        nodes = [name for name in names if name not in self._latched]
        async with self.ordering() as session:
            there = [name for name in nodes if name in self.found]
            wanted = [(self.found[name].node, ua.AttributeIds.Value) for name in there]
            for chunk in chunks(wanted, self.facts.limits["read"]):
                found += await session.read(chunk)
        now_s = asyncio.get_running_loop().time()
        fresh = {name: reading_of(item, now_s) for name, item in zip(there, found, strict=True)}
        return [
            self.image[self.positions[name]] if name in self._latched else fresh.get(name, UNREAD)
            for name in names
        ]


def _acknowledge(message: PublishResult) -> list[Acknowledgement]:
    if not message.NotificationMessage.NotificationData:
        return []
    return [
        ua.SubscriptionAcknowledgement(
            SubscriptionId=message.SubscriptionId,
            SequenceNumber=message.NotificationMessage.SequenceNumber,
        )
    ]


async def _keep_awake(opening: asyncio.Task[Session]) -> None:
    """A session that waits until the rest of a distant server is found must not run into its time-out meanwhile."""
    await asyncio.wait([opening])
    while not opening.cancelled() and opening.exception() is None:
        session = opening.result()
        await asyncio.sleep(session.timeout_ms / 1000 / SIGNS)
        await _heard(session)


async def _heard(session: Session) -> None:
    """Ask for something; who gave the order that is at work hears whether the connection is lost."""
    with suppress(OSError, TimeoutError, UaError):
        await session.read([(STATE, ua.AttributeIds.Value)])


async def _until_one_ends(*works: Coroutine[Any, Any, None]) -> None:
    """Run all until one ends, which is always by its exception; the others are cancelled and awaited.

    Each is cancelled until it has ended: ``asyncio.wait_for`` of Python 3.11 swallows a cancellation that comes together with what it
    waits for, so a lane whose message came in that moment went on, and the link waited for it for ever.
    """
    tasks = [asyncio.create_task(work) for work in works]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        ending = set(tasks)
        while ending:
            for task in ending:
                task.cancel()
            _, ending = await asyncio.wait(ending, timeout=CANCEL_AGAIN_S)
        await asyncio.gather(*tasks, return_exceptions=True)
