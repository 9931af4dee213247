"""A station: its image as observations, its results, and goals as orders.

Rules of this file:
- An image is reported once for each message that changed something in it; a message that changed nothing is not reported.
- A finished run is reported after its result: the core then has the values when it sees the station finished.
- A result that the station gave while nobody listened is asked for by its run, before the run is reported as gone.
- A run is started at most once: the station is asked before, and a start that was not answered is "unknown", never repeated.
"""

import asyncio
import logging
from collections.abc import Coroutine
from contextlib import suppress
from typing import Any, NamedTuple

from supervisor.cell.profile import StationProfile
from supervisor.core.commands import AbortRun, AcknowledgeResult, Goal, StartRun
from supervisor.core.events import Door, Mode, Presence, ResultArrived, StationObserved, Work
from supervisor.stations.adapter import LIMIT_S_MIN, WiredAdapter, Wiring
from supervisor.stations.asking import (
    check_belongs,
    names_its_run,
    stored_of,
    way_taken,
    ways_of,
)
from supervisor.stations.connection import Connection
from supervisor.stations.decode import (
    Decoder,
    facet_decoder,
    looker,
    name_decoder,
    number_decoder,
)
from supervisor.stations.fetch import asked_for, is_asked_for, tell_stored
from supervisor.stations.goals import fields_of, order_name, run_number
from supervisor.stations.opcua import UaError
from supervisor.stations.open_run import OpenRun
from supervisor.stations.orders import ACCEPTED, Answer, carry_out, shown_in, shown_key
from supervisor.stations.pick import MISSING, UNREADABLE
from supervisor.stations.reading import Image, Reading
from supervisor.stations.reconcile import image_asked_afresh, settle_the_image
from supervisor.stations.results import (
    Report,
    ResultReader,
    proof_nodes,
    proves_itself,
)
from supervisor.stations.steady import Pulse, Settled, settled
from supervisor.stations.trouble import LinkLost, ResultUnreadable
from supervisor.stations.wanted import orders_there, station_facets, wanted_by_station

GATE_UNREADABLE = "its release to measure cannot be read"
QUICK_TRIES = 3
TRY_AGAIN_S = 0.05
TRY_LATER_S = 1.0
STARTED: tuple[Work, ...] = ("running", "part free", "finished", "aborted")
NOTHING_TO_TAKE: tuple[Work, ...] = ("idle", "prepared", "running", "part free", "aborted")

log = logging.getLogger(__name__)


class Seen(NamedTuple):
    """The facets and echoes of one image."""

    mode: Mode
    door: Door
    nest: Presence
    work: Work
    run_id: str
    serial: str
    program: str
    counter: int
    gate: str


UNKNOWN = Seen("unknown", "unknown", "unknown", "unknown", "", "", "", -1, "")


class Interpreter:
    """The decoders of one connection."""

    def __init__(self, profile: StationProfile, connection: Connection, speed: float) -> None:
        facets, echoes, places = profile.facets, profile.echoes, connection.places()
        self._mode: Decoder[Mode] = facet_decoder(facets.mode, places, "unknown")
        self._door: Decoder[Door] = facet_decoder(facets.door, places, "unknown")
        self._nest: Decoder[Presence] = facet_decoder(facets.nest, places, "unknown")
        self._work: Decoder[Work] = facet_decoder(facets.work, places, "unknown")
        self._run_id = name_decoder(echoes.run, places)
        self._serial = name_decoder(echoes.serial, places)
        self._program = name_decoder(echoes.program, places)
        self._counter = number_decoder(echoes.counter, places, unreadable=-1)
        self._gate = (
            name_decoder(None, places)
            if facets.gate is None
            else facet_decoder(facets.gate, places, GATE_UNREADABLE)
        )
        self._pulse = Pulse(profile.heartbeat, places)
        self._mode_settled: Settled[Mode] = settled(facets.mode, "unknown", speed)
        self._door_settled: Settled[Door] = settled(facets.door, "unknown", speed)
        self._nest_settled: Settled[Presence] = settled(facets.nest, "unknown", speed)
        self._work_settled: Settled[Work] = settled(facets.work, "unknown", speed)
        self._gate_settled: Settled[str] = settled(facets.gate, GATE_UNREADABLE, speed)

        node = getattr(profile.results, "node", None)
        structure = None if node is None else connection.found[node].structure
        call = way_taken(profile, connection) if ways_of(profile) else None
        self._shown_for_call = {
            shown_key(name, pick): looker(name, pick, places)
            for name, pick in shown_in(call.arguments if call else ())
        }
        self.proves_itself = proves_itself(profile.results, profile.shown())
        self.results = ResultReader(profile.results, structure)

    def shown(self, image: Image, now_s: float) -> Seen:
        """What holds: of what the image shows, the facets that have settled; nothing while the heartbeat stands still."""
        if not self._pulse.beats(image, now_s):
            return UNKNOWN
        seen = self.look(image)
        return seen._replace(
            mode=self._mode_settled.word(seen.mode, now_s),
            door=self._door_settled.word(seen.door, now_s),
            nest=self._nest_settled.word(seen.nest, now_s),
            work=self._work_settled.word(seen.work, now_s),
            gate=self._gate_settled.word(seen.gate, now_s),
        )

    def look(self, image: Image) -> Seen:
        """The image itself in the words of the core, whatever was before."""
        return Seen(
            self._mode(image),
            self._door(image),
            self._nest(image),
            self._work(image),
            self._run_id(image),
            self._serial(image),
            self._program(image),
            self._counter(image),
            self._gate(image),
        )

    def shown_for_call(self, image: Image) -> dict[str, Any]:
        """What the call for a result takes from the image.

        Raises:
            ResultUnreadable: something of it is not there.
        """
        shown = {key: look(image) for key, look in self._shown_for_call.items()}
        for key, content in shown.items():
            if content is MISSING or content is UNREADABLE:
                message = f"{key.split(' ')[0]} shows nothing to ask for a result with"
                raise ResultUnreadable(message)
        return shown


class ResultMark(NamedTuple):
    """What tells the result that a station shows from any other."""

    boot: str
    run_id: str
    serial: str
    counter: int

    @property
    def is_nameless(self) -> bool:
        """Whether the next result would have the same mark: once the station shows this one no more, whatever it shows is another."""
        return not self.run_id and self.counter < 0


class StationAdapter(WiredAdapter):
    """One station on the wire."""

    def __init__(
        self,
        station: str,
        url: str,
        profile: StationProfile,
        wiring: Wiring | None = None,
    ) -> None:
        wanted = wanted_by_station(profile)
        super().__init__(station, url, wanted, wiring or Wiring(), profile.permit)
        self._profile = profile
        self._orders = orders_there(profile)
        self._interpreter: Interpreter | None = None
        self._reported = UNKNOWN
        self._boot = ""
        self._newest_ms = 0
        self._counter = -1
        self._taken: ResultMark | None = None
        self._due: ResultMark | None = None
        self._held = False
        self._result_due = asyncio.Event()
        self._open_run = OpenRun()
        self._missed: ResultMark | None = None
        self._kept_under = ("", "")

    def _works(self) -> tuple[Coroutine[Any, Any, None], ...]:
        ticking = self._ticking(station_facets(self._profile), self._profile.heartbeat)
        return (*super()._works(), self._fetch_results(), *ticking)

    # --- the image --------------------------------------------------------------------------------------------------------

    def link_ready(self, connection: Connection) -> None:
        """See ``WiredAdapter``."""
        self._interpreter = Interpreter(self._profile, connection, self._speed)
        self._orders = orders_there(self._profile, connection.missing)

    async def link_read(self, connection: Connection) -> None:
        """See ``Seat``."""
        await settle_the_image(connection, self._profile.events, self._speed)

    def link_up(self, connection: Connection) -> None:
        """Report the whole image, whatever was reported before."""
        if connection.facts.boot != self._boot:
            self._boot, self._counter = connection.facts.boot, -1
        self._reported = UNKNOWN
        self._open_run.reconnected()
        super().link_up(connection)

    def link_changed(self) -> None:
        """Report the image if it changed, after its result if it shows one that was not taken."""
        connection, interpreter = self._connection, self._interpreter
        if connection is None or interpreter is None or self._held:
            return
        seen = interpreter.shown(connection.image, asyncio.get_running_loop().time())
        if seen == self._reported:
            return
        self._open_run.look(seen.run_id, seen.serial, seen.work)
        if seen.work in NOTHING_TO_TAKE and self._taken is not None and self._taken.is_nameless:
            self._taken = None
        mark = self._new_result(seen) or self._missed_result(seen)
        if (
            mark is None
            or mark == self._due
            or self._take_from_image(mark, connection, interpreter)
        ):
            self._report(seen, connection)
            return
        self._due, self._held = mark, True
        self._result_due.set()

    def _report(self, seen: Seen, connection: Connection) -> None:
        self._reported = seen
        self._newest_ms = connection.newest_ms
        self._counter = seen.counter
        self._emit_observation("up", seen)

    def _report_down(self) -> None:
        self._reported = UNKNOWN
        self._due, self._held = None, False
        self._emit_observation("down", UNKNOWN)

    def _emit_observation(self, link: Any, seen: Seen) -> None:
        self._emit(
            StationObserved(
                station=self._name,
                source_ms=self._newest_ms,
                boot=self._boot,
                link=link,
                mode=seen.mode,
                door=seen.door,
                nest=seen.nest,
                work=seen.work,
                run_id=seen.run_id,
                serial=seen.serial,
                program=seen.program,
                counter=seen.counter,
                gate=seen.gate,
            )
        )

    # --- results ----------------------------------------------------------------------------------------------------------

    def _new_result(self, seen: Seen) -> ResultMark | None:
        """The mark of a result that the station shows and that was not taken yet."""
        moved = self._counter >= 0 and seen.counter > self._counter
        if seen.work != "finished" and not moved:
            return None
        mark = ResultMark(self._boot, seen.run_id, seen.serial, seen.counter)
        return None if mark == self._taken else mark

    def _missed_result(self, seen: Seen) -> ResultMark | None:
        """The mark of a result that came while nobody listened, where it can be asked for by its run."""
        missed = self._open_run.missed(seen.work) if names_its_run(self._profile) else None
        self._missed = missed and ResultMark(self._boot, *missed, -1)
        return self._missed

    def _take_from_image(
        self, mark: ResultMark, connection: Connection, interpreter: Interpreter
    ) -> bool:
        """Take a result that came with the same message and proves by itself that it is the one; saves a round trip."""
        if not interpreter.proves_itself or not mark.run_id:
            return False
        results, image, positions = interpreter.results, connection.image, connection.positions
        try:
            report = results.report({name: image[positions[name]] for name in results.nodes})
        except ResultUnreadable:
            return False
        if report.run_id != mark.run_id:
            return False
        self._emit_result(mark, report)
        return True

    async def _fetch_results(self) -> None:
        """Read each result that is due, then report the image that it belongs to."""
        while True:
            await self._result_due.wait()
            self._result_due.clear()
            mark = self._due
            if mark is not None:
                await self._fetch(mark)

    async def _fetch(self, mark: ResultMark) -> None:
        """Read a result until it can be read or the station goes on; after some tries the image is reported without it."""
        tries = 0
        while (connection := self._connection) is not None and self._still_due(connection, mark):
            try:
                self._emit_result(mark, await self._read_result(connection, mark))
                break
            except (ResultUnreadable, LinkLost, OSError, UaError) as trouble:
                tries += 1
                if tries == QUICK_TRIES and self._due is mark:
                    log.warning("%s: its result cannot be read: %s", self._name, trouble)
                    self._give_up(mark)
                    self._hold_no_longer()
            await self._pause(TRY_AGAIN_S if tries < QUICK_TRIES else TRY_LATER_S)
        if self._due is mark:
            self._due = None
            self._hold_no_longer()

    async def _pause(self, pause_s: float) -> None:
        """Wait, but not when another result is due, or the same one on a new connection, which holds its image back again."""
        with suppress(TimeoutError):
            async with asyncio.timeout(pause_s):
                await self._result_due.wait()

    def _still_due(self, connection: Connection, mark: ResultMark) -> bool:
        """Whether the station still shows the result with this mark."""
        interpreter = self._interpreter
        if interpreter is None or self._due is not mark:
            return False
        if mark == self._missed:
            return True
        return self._new_result(interpreter.look(connection.image)) == mark

    def _give_up(self, mark: ResultMark) -> None:
        """A result that was missed is asked for a few times and no more: the core knows what to do with a run that is gone."""
        if mark == self._missed:
            self._missed = self._due = None
            self._open_run.close()

    def _hold_no_longer(self) -> None:
        """Report what the image has become meanwhile."""
        self._held = False
        self.link_changed()

    async def _read_result(self, connection: Connection, mark: ResultMark) -> Report:
        """Read a result in one request, between two readings of what it belongs to.

        Raises:
            ResultUnreadable: it is not what the profile says, or another run got in between.
        """
        assert self._interpreter is not None
        results, proof = self._interpreter.results, proof_nodes(self._profile)
        if is_asked_for(self._profile):
            return await self._ask_for_result(connection, mark, results, proof)
        readings = await connection.read((*proof, *results.nodes, *proof))
        before, between, after = _parts(readings, len(proof), len(results.nodes))
        if [reading.value for reading in before] != [reading.value for reading in after]:
            message = "another run got in between"
            raise ResultUnreadable(message)
        return results.report(dict(zip(results.nodes, between, strict=True)))

    async def _ask_for_result(
        self,
        connection: Connection,
        mark: ResultMark,
        results: ResultReader,
        proof: tuple[str, ...],
    ) -> Report:
        """Ask for a result by a method, or read it out of a file, between two readings of what it belongs to.

        Raises:
            ResultUnreadable: there is none, it is not what the profile says, or another run got in between.
        """
        assert self._interpreter is not None
        before = await connection.read(proof)
        fields = {
            "run_id": mark.run_id,
            "run_no": run_number(mark.run_id),
            "serial": mark.serial,
            **self._interpreter.shown_for_call(connection.image),
        }
        content = await asked_for(connection, self._profile, fields, self._speed)
        after = await connection.read(proof)
        if [reading.value for reading in before] != [reading.value for reading in after]:
            message = "another run got in between"
            raise ResultUnreadable(message)
        seen_s = asyncio.get_running_loop().time()
        found = Reading(content, "good", connection.newest_ms, seen_s)
        report = results.report({results.nodes[0]: found})
        check_belongs(report.run_id, mark.run_id)
        return report

    def _emit_result(self, mark: ResultMark, report: Report) -> None:
        counter = report.counter if report.counter >= 0 else mark.counter
        run_id = report.run_id or mark.run_id
        name = f"{counter}" if counter >= 0 else run_id or _dated(report) or report.serial
        self._taken, self._missed = mark, None
        self._open_run.close()
        self._kept_under = (run_id, report.id)
        self._emit(
            ResultArrived(
                station=self._name,
                source_ms=report.source_ms,
                boot=self._boot,
                result_id=f"{self._name}/{self._boot}/{name}",
                run_id=run_id,
                serial=report.serial or mark.serial,
                counter=counter,
                scope="final",
                values=report.values,
                part_c=report.part_c,
                compensated=report.compensated,
                created_ms=report.created_ms,
                run_said_by=report.run_said_by,
            )
        )

    # --- goals ------------------------------------------------------------------------------------------------------------

    async def _carry_out(self, connection: Connection, goal: Goal) -> Answer:
        order = self._orders.get(order_name(goal))
        if isinstance(goal, StartRun) and await self._runs_already(connection, goal):
            return ACCEPTED
        self._end_latches(connection, order_name(goal))
        await self._before(connection, goal)
        if order is None:
            return Answer(outcome="done")
        answer = await carry_out(
            connection, order, fields_of(goal, fence=self._permit.fence), self._limit_s(order)
        )
        if answer.outcome in ("refused", "failed") and isinstance(goal, StartRun):
            self._open_run.close()
        if answer == ACCEPTED and order.done == "accepted":
            return Answer(outcome="done")
        return answer

    async def _before(self, connection: Connection, goal: Goal) -> None:
        """What belongs to an order and has no answer of its own."""
        match goal:
            case StartRun():
                self._open_run.ordered(goal.run_id, goal.serial)
            case AbortRun():
                self._open_run.close()
            case AcknowledgeResult():
                await self._tell_stored(connection, goal)
            case _:
                return

    async def _tell_stored(self, connection: Connection, goal: AcknowledgeResult) -> None:
        """Tell the station that the result of a run is stored, where it wants to know."""
        stored, (run_id, result_id) = stored_of(self._profile.results), self._kept_under
        if stored is None or stored.node not in connection.found or not result_id:
            return
        if run_id not in (goal.run_id, str(run_number(goal.run_id))):
            return
        fields = {"run_id": goal.run_id, "run_no": run_number(goal.run_id), "result_id": result_id}
        within_s = max(stored.limit_s / self._speed, LIMIT_S_MIN)
        objection = await tell_stored(connection, stored, fields, within_s)
        if objection:
            log.warning("%s: told that %s is stored: %s", self._name, result_id, objection)

    def _end_latches(self, connection: Connection, order: str) -> None:
        """Before the order is sent: whatever it brings about comes after that and is latched anew."""
        ended = connection.latches.ended_by_order(order, asyncio.get_running_loop().time())
        if ended:
            connection.place(ended)
            self.link_changed()

    async def _runs_already(self, connection: Connection, goal: StartRun) -> bool:
        """Ask the station itself whether it has started this run before."""
        assert self._interpreter is not None
        fresh = await image_asked_afresh(connection, self._profile.events, self._speed)
        seen = self._interpreter.look(fresh)
        return seen.run_id in (goal.run_id, str(goal.run_no)) and seen.work in STARTED


def _dated(report: Report) -> str:
    """What tells a result of a station that neither counts nor names its results from the one before."""
    return f"at {report.created_ms}" if report.created_ms >= 0 else ""


def _parts(
    readings: list[Reading], outer: int, inner: int
) -> tuple[list[Reading], list[Reading], list[Reading]]:
    return readings[:outer], readings[outer : outer + inner], readings[outer + inner :]
