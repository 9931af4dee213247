"""A run as text that people read: one line per fact, below it what was decided.

Rules of this file:
- Observations are levels, but people read changes: of an image only what differs from the machine's image before is shown.
- Why routing waits is left out: its words are its own.
- Times are seconds since the start. Order numbers are shown with #; ``?`` begins a hold, ``!`` the end of one.
"""

from dataclasses import fields
from typing import TYPE_CHECKING, Any, cast

from simulators.bench.world import World
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    CancelTimer,
    ClearFault,
    Command,
    MarkSuspect,
    MoveHandler,
    PrepareProgram,
    ReadTag,
    SetDoor,
    SetTimer,
    StartRun,
    StoreRecord,
)
from supervisor.core.decide import Decision
from supervisor.core.events import (
    AdviceDeclined,
    AgreementSettled,
    CellOrdered,
    Event,
    GaugeStudyOrdered,
    GaugeStudyStopped,
    HandlerObserved,
    HistoryLost,
    HoldReleased,
    MessagesDelivered,
    OrderAnswered,
    PlacesObserved,
    ProcessCorrected,
    RecordAmended,
    RecordSigned,
    ReservationAsked,
    ReservationClosed,
    ResultArrived,
    StationObserved,
    SupervisorStarted,
    TagRead,
    TimerFired,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from supervisor.core.state import Hold

Image = StationObserved | HandlerObserved | PlacesObserved
UNSHOWN = ("station", "reader", "source_ms", "presence")


class Transcript:
    """The text of a world's run, from its beginning."""

    def __init__(self, world: World) -> None:
        """Write down what has happened so far, and watch from now on."""
        self.lines: list[str] = []
        self._world = world
        self._start_ms = world.journal.entries[0].at_ms
        self._seen: dict[str, dict[str, Any]] = {}
        self._holds: dict[str, Hold] = {}
        before: Callable[[Event, Decision], None] = world.watch
        state = world.core.initial()
        for entry in world.journal.entries:
            decision = world.core.decide(state, entry.event, entry.at_ms)
            state = decision.state
            self._write(entry.event, decision, entry.at_ms)

        def watch(event: Event, decision: Decision) -> None:
            before(event, decision)
            self._write(event, decision, world.now_ms)

        world.watch = watch

    def text(self) -> str:
        """The whole transcript."""
        return "\n".join((*self.lines, ""))

    def remark(self, what: str) -> None:
        """Something that happened outside, for the reader."""
        self.lines += ["", f"# {what}", ""]

    def _write(self, event: Event, decision: Decision, at_ms: int) -> None:
        self.lines.append(f"{(at_ms - self._start_ms) / 1000:9.3f}  {self._fact(event)}")
        for command in decision.commands:
            self.lines.append(f"{'':11}-> {_command(command, at_ms)}")
        holds = decision.state.holds
        for name, hold in holds.items():
            if name not in self._holds:
                answers = ", ".join(hold.answers)
                self.lines.append(
                    f"{'':11}?  {hold.code} of {hold.subject}: {hold.seen} ({answers})"
                )
        for name, hold in self._holds.items():
            if name not in holds:
                self.lines.append(f"{'':11}!  {hold.code} of {hold.subject} is over")
        self._holds = dict(holds)

    def _fact(self, event: Event) -> str:
        match event:
            case StationObserved():
                return f"{event.station} shows {self._news(event.station, event)}"
            case HandlerObserved():
                return f"handler shows {self._news('handler', event)}"
            case PlacesObserved():
                return f"{event.reader} shows {self._news(event.reader, event)}"
            case TagRead() | OrderAnswered() | ResultArrived():
                return _answered(event)
            case _:
                return _told(event)

    def _news(self, machine: str, image: Image) -> str:
        facets = {f.name: getattr(image, f.name) for f in fields(image) if f.name not in UNSHOWN}
        if isinstance(image, PlacesObserved):
            facets |= dict(image.presence)
        before = self._seen.get(machine, {})
        self._seen[machine] = facets
        news = [
            f"{name}={_plain(content)}"
            for name, content in facets.items()
            if before.get(name, _usual(content)) != content
        ]
        return " ".join(news) or "the same"


def _usual(content: object) -> object:
    """What need not be said of a first image."""
    return content if content in ("", "empty", 0, -1) else None


def _plain(content: object) -> str:
    if isinstance(content, tuple):
        return ",".join(map(_plain, cast("tuple[object, ...]", content)))
    return str(content) or "-"


def _answered(event: TagRead | OrderAnswered | ResultArrived) -> str:
    match event:
        case TagRead():
            return f"tag #{event.order} at {event.place}: {event.status} {event.why}".rstrip()
        case OrderAnswered():
            return f"order #{event.order} answered: {event.outcome} {event.why}".rstrip()
        case ResultArrived():
            values = ", ".join(f"{v.number}: {v.value} {v.unit} {v.quality}" for v in event.values)
            named = f"{event.result_id} of {event.run_id} for {event.serial}"
            return f"{event.station} gives result {named}: {values}"


Told = (
    SupervisorStarted
    | HistoryLost
    | TimerFired
    | HoldReleased
    | CellOrdered
    | AgreementSettled
    | RecordAmended
    | RecordSigned
    | ProcessCorrected
    | AdviceDeclined
    | GaugeStudyOrdered
    | GaugeStudyStopped
    | ReservationAsked
    | ReservationClosed
    | MessagesDelivered
)


def _told(event: Told) -> str:
    match event:
        case SupervisorStarted():
            return f"supervisor {event.version} {event.fence} started under {event.declaration}"
        case HistoryLost():
            return f"{event.by} goes on without lost history: {event.why}"
        case TimerFired():
            return f"waited for {event.timer}"
        case HoldReleased():
            return f"{event.by} answers {event.hold}: {event.answer}"
        case AgreementSettled():
            return f"{event.by} checked {event.one} and {event.other}: {event.note}"
        case MessagesDelivered():
            return f"{event.receiver} was told of everything up to entry {event.seq}"
        case CellOrdered():
            return f"{event.by} wants the cell to {event.want}"
        case _:
            return _written(event)


def _kept(event: ReservationAsked | ReservationClosed) -> str:
    if isinstance(event, ReservationAsked):
        return f"{event.by} carries {event.pallet}, a place kept for {event.for_ms / 1000:g} s"
    return f"{event.by} says of the place kept for {event.pallet}: {event.how}"


Written = (
    RecordAmended
    | RecordSigned
    | ProcessCorrected
    | AdviceDeclined
    | GaugeStudyOrdered
    | GaugeStudyStopped
    | ReservationAsked
    | ReservationClosed
)


def _written(event: Written) -> str:
    match event:
        case RecordAmended():
            record = event.record
            return f"{event.by} amends {record.serial} to revision {record.revision}: {event.why}"
        case RecordSigned():
            return f"{event.by} signs {event.serial}, revision {event.revision}: {event.meaning}"
        case ProcessCorrected():
            about = f"{event.offset} of {event.part_type}"
            return f"{event.by} corrects {about} by {event.amount}: {event.why}".rstrip(": ")
        case AdviceDeclined():
            return f"{event.by} declines {event.advice}: {event.why}".rstrip(": ")
        case GaugeStudyOrdered() | GaugeStudyStopped():
            return _study(event)
        case ReservationAsked() | ReservationClosed():
            return _kept(event)


def _study(event: GaugeStudyOrdered | GaugeStudyStopped) -> str:
    if isinstance(event, GaugeStudyStopped):
        return f"{event.by} stops {event.study}: {event.why}".rstrip(": ")
    often = f"{event.loadings} times, {event.repeats} runs each"
    return f"{event.by} orders a gauge study of {event.program} at {event.station}: {', '.join(event.pallets)}, loaded {often}"


def _command(command: Command, at_ms: int) -> str:
    match command:
        case SetTimer():
            why = "" if command.timer == "routing" else f": {command.why}"
            return f"wait for {command.timer} up to {(command.due_ms - at_ms) / 1000:g} s{why}"
        case CancelTimer():
            return f"wait no longer for {command.timer}"
        case MarkSuspect():
            return f"suspect: {command.suspicion.why}"
        case StoreRecord():
            record = command.record
            return f"record {record.serial} revision {record.revision}: {record.verdict}"
        case MoveHandler():
            jaws = [f"{command.picked} into jaw {command.pick_jaw}"] if command.picked else []
            jaws += [f"{command.put} out of jaw {command.put_jaw}"] if command.put else []
            return f"#{command.order} handler {command.action} at {command.place} {', '.join(jaws)}".rstrip()
        case ReadTag():
            return f"#{command.order} read the tag at {command.place}"
        case _:
            return f"#{command.order} {command.station}: {_goal(command)}"


def _goal(
    goal: SetDoor | PrepareProgram | StartRun | AbortRun | AcknowledgeResult | ClearFault,
) -> str:
    match goal:
        case SetDoor():
            return f"door {goal.door}"
        case PrepareProgram():
            return f"program {goal.name} prepared"
        case StartRun():
            return f"run {goal.run_id} of {goal.name} on {goal.serial} started"
        case AbortRun():
            return f"run {goal.run_id} aborted"
        case AcknowledgeResult():
            return f"result of {goal.run_id} acknowledged"
        case ClearFault():
            return "fault cleared"
