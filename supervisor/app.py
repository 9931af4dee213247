"""The composition root: one cell, its store, its machines, its interface and page, in one process.

Rules of this file:
- The only file that knows every adapter. It decides nothing.
- The page is up first; machines connect one by one, in their own time.
- A task that dies ends the process with its reason: whoever supervises the process starts it again, and the journal knows the rest.
- After a broken invariant only the runtime stops (S10); page and interface stay up and say so.
- Whoever stands by answers that it does, and looks at the lease; when the cell is free it goes the ordinary way from there.
- Told to end, it ends within ``END_S_MAX``: streams close, machines are let go, what was decided is in the journal.
"""

import asyncio
import gc
import ipaddress
import logging
import os
import signal
import socket
import time
from collections.abc import Callable, Coroutine, Generator, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any, Literal

import uvicorn
from fastapi import FastAPI
from pydantic import BaseModel, ConfigDict, Field
from starlette.types import ASGIApp

from supervisor.api.driver_view import Vitals
from supervisor.api.link_view import GrantedView, LinkView, ValueView
from supervisor.api.lookout import Lookout
from supervisor.api.outgoing import Messenger, Receiver
from supervisor.api.ports import MeasuredPage, MeasuredQuestion, Page, RecordQuestion, Sources
from supervisor.api.schema import instant
from supervisor.api.service import create_service
from supervisor.api.signature import KeyTooWeak, key_of
from supervisor.api.standby import create_standby
from supervisor.cell.canonical import cell_from_json, cell_to_json
from supervisor.cell.load import LoadedCell, load_cell
from supervisor.cell.profile import HandlerProfile, ReaderProfile, StationProfile
from supervisor.cell.value import value
from supervisor.core.decide import Core
from supervisor.core.events import SupervisorStarted
from supervisor.core.state import CellState
from supervisor.shell.clock import CellClock, ClockWatch, start_clock
from supervisor.shell.lag import LagMeter
from supervisor.shell.outbox import outbox_for
from supervisor.shell.permit import RENEWALS_PER_LEASE, UNLEASED, WITHHELD, LeasedPermit, Permit
from supervisor.shell.ports import Decider, JournalEntry, Published
from supervisor.shell.recovery import recover
from supervisor.shell.runtime import Runtime, Wiring
from supervisor.stations.adapter import WiredAdapter
from supervisor.stations.adapter import Wiring as LinkWiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.handler import HandlerAdapter
from supervisor.stations.link import LinkReport
from supervisor.stations.opcua import written
from supervisor.stations.permits import lasts_s
from supervisor.stations.reader import ReaderAdapter
from supervisor.stations.reading import Reading
from supervisor.stations.secrets import Secrets
from supervisor.stations.security import Keys, keys_in, make_ready, security_of
from supervisor.stations.station import StationAdapter
from supervisor.stations.trust import KeysWrong
from supervisor.store.chain import Known
from supervisor.store.database import place_of
from supervisor.store.declarations import Declarations
from supervisor.store.head_file import EVERY_S as HEAD_FILE_EVERY_S
from supervisor.store.head_note import kept_heads, note_of
from supervisor.store.lease import LENGTH_S, LENGTH_S_MAX, LENGTH_S_MIN
from supervisor.store.measured import MeasuredFilter, measured
from supervisor.store.opening import Standby, Store, open_store
from supervisor.store.records import RecordFilter, Records
from supervisor.store.signing import SigningKey, signing_key, verifying_key
from supervisor.web.pages import add_pages

END_S_MAX = 2.0
STREAMS_END_S_MAX = 1.0
VALUE_CHARACTERS_MAX = 80
SHADOW = " in the shadow"
INTERVAL_MS = 100.0
INTERVAL_MS_MIN = 10.0

_log = logging.getLogger(__name__)


class Settings(BaseModel):
    """What one process is told. Secrets belong into ``database`` by environment, never into the cell's folder."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    cell: Path
    database: str
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65_535)] = 8_000
    speed: Annotated[float, Field(gt=0, le=1_000)] = 1.0
    signing_key: Path | None = None
    """The private key that heads of the journal are signed with."""
    head_file: Path | None = None
    """Where the last durable head is kept; without one beside a SQLite database, and nowhere for a database on a server."""
    heads: tuple[Path, ...] = ()
    """Files with heads kept elsewhere that the journal must not be short of."""
    head_key: Path | None = None
    """The public key that those heads must be signed with; without one, the counterpart of ``signing_key`` if there is one."""
    rival: Literal["refuse", "stand by"] = "refuse"
    """What to do while another supervisor drives the cell: end at once, or wait."""
    lease_s: Annotated[float, Field(ge=LENGTH_S_MIN, le=LENGTH_S_MAX)] = LENGTH_S
    fence_above: Annotated[int, Field(ge=0, lt=2**31)] = 0
    """The fence becomes larger than this, for machines that have seen larger ones from another database."""
    orders: Literal["sent", "withheld"] = "sent"
    """Withheld: observe and decide in the shadow of whoever drives the cell, and send no order; results are asked for all the same."""
    keys: Path = Path("pointsman-keys")
    """Our own application certificate and whom we trust; made when the first connection needs it."""

    def reach(self) -> Literal["this machine", "the network"]:
        """Who can reach the interface."""
        try:
            return "this machine" if ipaddress.ip_address(self.host).is_loopback else "the network"
        except ValueError:
            return "this machine" if self.host == "localhost" else "the network"


class WrongJournal(Exception):  # noqa: N818 - it says what happened
    """The journal belongs to a supervisor of the other kind: one in the shadow, one that drives."""


class AddressTaken(Exception):  # noqa: N818 - it says what happened
    """The interface cannot listen where it was told to."""


Role = Literal["driving", "in the shadow", "standing by"]


@value
class Serving:
    """What is known once the interface listens. ``fence`` is 0 while standing by."""

    url: str
    cell: str
    database: str
    fence: int
    role: Role


class _Ended(Exception):  # noqa: N818 - a signal within this file
    """The process was told to end."""


Rewire = Callable[[Wiring[CellState]], Wiring[CellState]]
"""Puts something between the step and its neighbours."""


def as_wired(wiring: Wiring[CellState]) -> Wiring[CellState]:
    """Nothing between the step and its neighbours."""
    return wiring


@value
class Custody:
    """What proves the journal: the key that its heads are signed with, and heads that were kept elsewhere."""

    seal: SigningKey | None
    heads: Sequence[Known]


async def serve(
    settings: Settings, announce: Callable[[Serving], None], rewire: Rewire = as_wired
) -> None:
    """Drive a cell until told to end by SIGTERM or SIGINT. ``announce`` is called once the interface listens.

    ``rewire`` is for tests that kill the process at a stated place of the step. No setting, option or environment reaches it.

    Raises:
        DeclarationError: the cell's declaration has mistakes.
        StoreError: the store cannot be used.
        AddressTaken: the interface cannot listen.
        WrongJournal: the journal was begun in the shadow, and this is to drive, or the other way round.
        KeysWrong: our own certificate or the trust list cannot be used.
        ExceptionGroup: a task died.
    """
    loaded = load_cell(settings.cell)
    make_ready(loaded.security.values(), keys_in(settings.keys, settings.cell))
    seal = signing_key(settings.signing_key) if settings.signing_key else None
    custody = Custody(seal=seal, heads=_heads(settings, seal))
    listening = _listen(settings)
    port = listening.getsockname()[1]

    def told(role: Role, fence: int) -> None:
        announce(
            Serving(
                url=f"http://{_in_url(settings.host)}:{port}/",
                cell=loaded.cell.cell,
                database=settings.database,
                fence=fence,
                role=role,
            )
        )

    with listening:
        store = await _taken(settings, custody, listening, lambda: told("standing by", 0))
        if store is None:
            return
        with store:
            _check_kind(settings, store)
            note_keeping(settings.database, store)
            role: Role = "driving" if settings.orders == "sent" else "in the shadow"
            store.declarations.keep(loaded.cell.digest, cell_to_json(loaded.cell))
            process = _Process(settings, loaded, store, seal, rewire)
            # What is loaded by now stays. Looking through it again and again would hold up a step for more than a tenth of a second.
            gc.collect()
            gc.freeze()
            await process.run(listening, lambda: told(role, store.fence))


async def _taken(
    settings: Settings,
    custody: Custody,
    listening: socket.socket,
    announce: Callable[[], None],
) -> Store | None:
    """The store of the cell, at once or after standing by; None if the process was told to end meanwhile."""
    if settings.rival == "refuse":
        return open_store(
            settings.database,
            head_file=settings.head_file,
            seal=custody.seal,
            heads=custody.heads,
            lease_s=settings.lease_s,
            fence_above=settings.fence_above,
        )
    standby = Standby(
        settings.database,
        head_file=settings.head_file,
        seal=custody.seal,
        heads=custody.heads,
        lease_s=settings.lease_s,
        fence_above=settings.fence_above,
    )
    try:
        store = standby.look()
        return store or await _stand_by(standby, settings, listening, announce)
    finally:
        standby.close()


async def _stand_by(
    standby: Standby, settings: Settings, listening: socket.socket, announce: Callable[[], None]
) -> Store | None:
    """Answer that we stand by, and look at the lease, until the cell is free or we are told to end."""

    def said() -> str:
        return f"{standby.driver or 'another supervisor'} drives the cell of {settings.cell}"

    app = create_standby(said, retry_s=settings.lease_s, reach=settings.reach())
    server, ending = _server(app), asyncio.Event()
    serving = asyncio.create_task(server.serve(sockets=[listening.dup()]))
    with _on_signals(ending):
        await server.listening.wait()
        announce()
        store = None
        while store is None and not ending.is_set():
            with suppress(TimeoutError):
                async with asyncio.timeout(standby.pause_s):
                    await ending.wait()
            store = await asyncio.to_thread(standby.look)
        server.should_exit = True
        await serving
        if store is not None and ending.is_set():
            store.close()
            return None
    return store


def _heads(settings: Settings, seal: SigningKey | None) -> list[Known]:
    witness = seal.public() if seal is not None else None
    if settings.head_key is not None:
        witness = verifying_key(settings.head_key)
    return [known for file in settings.heads for known in kept_heads(file, witness)]


class _Process:
    """The parts of one process, wired together."""

    def __init__(
        self,
        settings: Settings,
        loaded: LoadedCell,
        store: Store,
        seal: SigningKey | None,
        rewire: Rewire,
    ) -> None:
        """Read the journal and put everything together; nothing runs yet."""
        cell = loaded.cell
        core = Core(cell)
        recovered = recover(
            deciders_of(store.declarations, core),
            _AwakeWhileReading(store),
            store.snapshots(CellState),
        )
        self._store = store
        self._permit = LeasedPermit(store.lease, turn_s=turn_s(loaded, settings.speed))
        self._lag = LagMeter()
        self._lookout = Lookout()
        if recovered.broken and recovered.fold.started():
            self._lookout.publish(
                Published(state=recovered.fold.state, head=recovered.head, entries=(), choices=())
            )
        clock = start_clock(after_ms=recovered.head.at_ms, speed=settings.speed)
        self._clock_watch = ClockWatch(clock)
        self._seal = seal
        keys = keys_in(settings.keys, settings.cell)
        permit = WITHHELD if settings.orders == "withheld" else self._permit
        self._adapters = adapters_of(loaded, settings.speed, keys, permit)
        note_security(loaded)
        wiring = Wiring(
            journal=store.journal,
            snapshots=store.snapshots(CellState),
            clock=clock,
            outbox=outbox_for(cell, self._adapters),
            publisher=self._lookout,
            writer="thread",
            pulse=self._permit,
        )
        self._runtime = Runtime(recovered, rewire(wiring))
        self._started = SupervisorStarted(
            declaration=cell.digest, version=_version(settings), fence=store.fence
        )
        self._receivers = receivers_of(loaded, settings.cell)
        self._messengers: list[Messenger] = []
        self._app = self._interface(settings, core, clock, store)

    def _interface(self, settings: Settings, core: Core, clock: CellClock, store: Store) -> FastAPI:
        sources = Sources(
            core=core,
            lookout=self._lookout,
            orders=self._runtime,
            entries=store.journal,
            records=StoredRecords(store.records),
            clock=clock,
            links=self._links,
            head_note=lambda head: note_of(head, self._seal),
            version=self._started.version,
            speed=settings.speed,
            vitals=self._vitals,
            receivers=lambda: [each.told() for each in self._messengers],
        )
        if settings.orders == "sent":
            self._messengers = [Messenger(each, sources) for each in self._receivers]
        app = create_service(sources, reach=settings.reach())
        add_pages(app)
        return app

    def _links(self) -> Mapping[str, LinkView]:
        return {adapter.name: link_view(adapter.report()) for adapter in self._adapters}

    def _vitals(self) -> Vitals:
        refusals = [(adapter.name, adapter.refusal()) for adapter in self._adapters]
        return Vitals(
            permit=self._permit.status(),
            lag=self._lag.lag(),
            refusals=tuple(f"{name} refuses: {why}" for name, why in refusals if why),
            store=self._store.trouble(),
            clock=self._clock_watch.trouble,
        )

    async def run(self, listening: socket.socket, announce: Callable[[], None]) -> None:
        """Run everything until told to end."""
        server = _server(self._app)
        ending = asyncio.Event()
        with _on_signals(ending):
            try:
                async with asyncio.TaskGroup() as group:
                    serving = group.create_task(
                        _named("interface", server.serve(sockets=[listening]))
                    )
                    group.create_task(_named("step", self._step()))
                    group.create_task(_named("lease", self._permit.lost()))
                    group.create_task(_named("loop lag", self._lag.run()))
                    group.create_task(_named("upkeep", self._keep_up()))
                    group.create_task(self._end_when_told(ending, server, serving))
                    await server.listening.wait()
                    announce()
                    for adapter in self._adapters:
                        group.create_task(_named(adapter.name, self._drive(adapter)))
                    for messenger in self._messengers:
                        group.create_task(_named("messages", messenger.run()))
            except* _Ended:
                _log.info("ended")
            finally:
                await self._permit.close()

    async def _step(self) -> None:
        await self._runtime.run(self._started)
        _log.critical("stopped by a defect (S10): %s", self._runtime.status().why)
        while True:  # the cell stays ours: another supervisor would only meet the same defect. No machine is told to go on.
            self._permit.stalled()
            await asyncio.sleep(self._permit.turn_s)

    async def _keep_up(self) -> None:
        """What is journalled last before a quiet night gets known outside of the database, and a clock that was set is noticed."""
        while True:
            self._clock_watch.look(time.time_ns() // 1_000_000)
            await asyncio.sleep(HEAD_FILE_EVERY_S)
            await asyncio.to_thread(self._store.keep_up_head_file)

    async def _drive(self, adapter: WiredAdapter) -> None:
        await adapter.run(self._runtime.inbox.emitter(adapter.name))
        raise RuntimeError("an adapter ended by itself")

    async def _end_when_told(
        self, ending: asyncio.Event, server: "_Server", serving: asyncio.Task[None]
    ) -> None:
        await ending.wait()
        self._lookout.close()
        server.should_exit = True
        await asyncio.wait([serving], timeout=STREAMS_END_S_MAX)
        raise _Ended


def receivers_of(loaded: LoadedCell, folder: Path) -> list[Receiver]:
    """The declared receivers of messages, each with its key.

    Raises:
        KeysWrong: a key is not there, or cannot be used.
    """
    secrets = Secrets(os.environ, folder)
    found: list[Receiver] = []
    for each in loaded.receivers:
        try:
            key = key_of(secrets.text(each.secret))
        except KeyTooWeak as weak:
            message = f"the secret {each.secret} cannot sign messages to {each.id}: {weak}"
            raise KeysWrong(message) from weak
        found.append(Receiver(receiver=each.id, url=each.url, about=tuple(each.about), key=key))
    return found


def _version(settings: Settings) -> str:
    """What decides; a journal that begins in the shadow says so in its first entry."""
    return version("pointsman") + (SHADOW if settings.orders == "withheld" else "")


def _check_kind(settings: Settings, store: Store) -> None:
    """Keep journals of the shadow apart: its goals were never sent, and a supervisor that drives would send them.

    Raises:
        WrongJournal: the journal was begun in the other way.
    """
    first = next(iter(store.journal.read(1)), None)
    if first is None or not isinstance(first.event, SupervisorStarted):
        return
    begun = "withheld" if first.event.version.endswith(SHADOW) else "sent"
    if begun != settings.orders:
        kind = "in the shadow" if begun == "withheld" else "by a supervisor that drives"
        message = (
            f"the journal in {settings.database} was begun {kind}; use another one with --database"
        )
        raise WrongJournal(message)


class _Server(uvicorn.Server):
    """Leaves signals to this file, and says when it listens."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.listening = asyncio.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to listen."""
        await super().startup(sockets)
        self.listening.set()

    @contextmanager
    def capture_signals(self) -> Generator[None]:
        """Capture none."""
        yield


def _server(app: ASGIApp) -> _Server:
    return _Server(
        uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            lifespan="off",
            timeout_graceful_shutdown=1,
        )
    )


class _AwakeWhileReading:
    """A journal whose reader stays awake: the lease is renewed between entries, for as long as they are read and folded."""

    def __init__(self, store: Store) -> None:
        self._journal = store.journal
        self._lease = store.lease
        self.append = store.journal.append
        self.head = store.journal.head

    def read(self, from_seq: int) -> Iterator[JournalEntry]:
        """The entries from a number on."""
        due_s = 0.0
        for entry in self._journal.read(from_seq):
            if time.monotonic() >= due_s:
                self._lease.renew()
                due_s = time.monotonic() + self._lease.length_s / RENEWALS_PER_LEASE
            yield entry


@contextmanager
def _on_signals(ending: asyncio.Event) -> Generator[None]:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, ending.set)
    try:
        yield
    finally:
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.remove_signal_handler(number)


async def _named(name: str, work: Coroutine[Any, Any, None]) -> None:
    """Run a task so that its death says whose it was.

    A group takes a task that ends as cancelled for one that it has cancelled itself, and goes on without it and without a word.
    """
    try:
        await work
    except asyncio.CancelledError:
        task = asyncio.current_task()
        if task is None or task.cancelling():
            raise
        message = f"the task '{name}' was cancelled by nobody"
        raise RuntimeError(message) from None
    except Exception as death:
        death.add_note(f"in the task '{name}'")
        raise


def _listen(settings: Settings) -> socket.socket:
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    listening = socket.socket(family)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((settings.host, settings.port))
    except OSError as refused:
        listening.close()
        raise AddressTaken(
            f"cannot listen at {settings.host} port {settings.port}: {refused.strerror or refused}"
        ) from refused
    return listening


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def deciders_of(declarations: Declarations, current: Core) -> Callable[[str], Decider[CellState]]:
    """The core for each declaration that a journal names."""

    @cache
    def decider(digest: str) -> Decider[CellState]:
        if digest == current.tables.cell.digest:
            return current
        return Core(cell_from_json(declarations.text(digest)))

    return decider


# --- machines ------------------------------------------------------------------------------------------------------------------


def note_security(loaded: LoadedCell) -> None:
    """Say in the log how each machine is connected; what is weak or not looked at by choice is a warning at every start."""
    for machine, entry in loaded.security.items():
        level = logging.WARNING if entry.weakness else logging.INFO
        choice = ", by choice of the cell file" if entry.weakness else ""
        _log.log(level, "%s: connection %s%s", machine, entry.words, choice)
        if loaded.service_level[machine] == "ignored":
            _log.warning("%s: service level ignored, by choice of the cell file", machine)


def note_keeping(database: str, store: Store) -> None:
    """Say that nothing outside of the database knows where its journal ends, if so: a tail that is cut off leaves no trace in it."""
    if not store.keeps_head_elsewhere():
        _log.warning(
            "the head of %s is kept in no second file: name one on this machine with --head-file",
            place_of(database),
        )


def adapters_of(
    loaded: LoadedCell, speed: float, keys: Keys, permit: Permit = UNLEASED
) -> Sequence[WiredAdapter]:
    """An adapter for each station, the handler and each reader of a cell; they send while the permit holds."""
    cell = loaded.cell
    interval_ms = max(INTERVAL_MS_MIN, INTERVAL_MS / speed) if speed > 1 else INTERVAL_MS
    wirings = {
        machine: LinkWiring(
            options=LinkOptions(
                interval_ms=interval_ms,
                silence_ms_max=loaded.silence_ms[machine],
                service_level=loaded.service_level[machine],
            ),
            speed=speed,
            security=security_of(entry, keys),
            permit=permit,
        )
        for machine, entry in loaded.security.items()
    }
    adapters: list[WiredAdapter] = []
    for station in cell.stations:
        profile = loaded.profiles[station.profile]
        assert isinstance(profile, StationProfile)
        wiring = wirings[station.station]
        adapters.append(StationAdapter(station.station, station.url, profile, wiring))
    handler, profile = cell.handler, loaded.profiles[cell.handler.profile]
    assert isinstance(profile, HandlerProfile)
    wiring = wirings[handler.handler]
    adapters.append(
        HandlerAdapter(handler.handler, handler.url, profile, jaws=handler.jaws, wiring=wiring)
    )
    for reader in cell.readers:
        profile = loaded.profiles[reader.profile]
        assert isinstance(profile, ReaderProfile)
        places = [place.place for place in cell.places if place.reader == reader.reader]
        wiring = wirings[reader.reader]
        adapters.append(
            ReaderAdapter(reader.reader, reader.url, profile, places=places, wiring=wiring)
        )
    return adapters


def turn_s(loaded: LoadedCell, speed: float) -> float:
    """How often the step has to turn so that every machine's permit is renewed in time."""
    renewed = [getattr(profile, "permit", None) for profile in loaded.profiles.values()]
    lasting = [lasts_s(permit, speed) for permit in renewed if permit is not None]
    return min(lasting, default=LENGTH_S_MAX) / RENEWALS_PER_LEASE


def link_view(report: LinkReport) -> LinkView:
    """A link's report in the words of the interface."""
    revised = report.revised
    return LinkView(
        url=report.url,
        security=report.security,
        link=report.link,
        why=report.why,
        boot=report.boot,
        asked_interval_s=report.asked_interval_ms / 1000,
        granted=None
        if revised is None
        else GrantedView(
            publishing_interval_s=revised.interval_ms / 1000,
            keep_alive_s=revised.keep_alive_ms / 1000,
            lifetime_s=revised.lifetime_ms / 1000,
            sampling_interval_s=revised.sampling_ms / 1000,
            session_s=revised.session_ms / 1000,
            nodes=revised.items,
        ),
        quiet_s=round(report.quiet_s, 3),
        without=[f"{node}: {why}" for node, why in report.without],
        values=[_value_view(name, reading) for name, reading in report.readings],
    )


def _value_view(node: str, reading: Reading) -> ValueView:
    return ValueView(
        node=node,
        value=written(reading.value)[:VALUE_CHARACTERS_MAX],
        quality=reading.quality,
        source_at=instant(reading.source_ms) if reading.source_ms else None,
        age_s=round(reading.age_s(time.monotonic()), 3),
    )


# --- records -------------------------------------------------------------------------------------------------------------------


class StoredRecords:
    """The kept records, as the interface asks for them."""

    def __init__(self, records: Records) -> None:
        self._records = records
        self.revisions = records.revisions
        self.papers = records.papers
        self.suspicions = records.suspicions

    def page(self, question: RecordQuestion, *, limit: int, after: str) -> Page:
        """One page of records."""
        wanted = RecordFilter(
            part_type=question.part_type,
            batch=question.batch,
            serial=question.serial,
            verdict=question.verdict,
            station=question.station,
            from_ms=question.from_ms,
            to_ms=question.to_ms,
            revisions=question.revisions,
            suspect=question.suspect,
        )
        return self._records.page(wanted, limit=limit, after=after)

    def measured(self, question: MeasuredQuestion, *, limit: int, after: str) -> MeasuredPage:
        """One page of measured values."""
        wanted = MeasuredFilter(
            station=question.station, from_ms=question.from_ms, to_ms=question.to_ms
        )
        return measured(self._records.reader, wanted, limit=limit, after=after)
