"""Every fact that can reach the core.

Rules of this file:
- One class per fact, named in the past tense. A fact carries no judgement: it says what was seen or said.
- A fact has no time of its own except ``source_ms``, the source's own clock, which is compared only with earlier facts of that source.
  The step stamps each fact with a sequence number and the cell's time before the core sees it.
- Observations are levels: each one is the whole present image of its source (S7), never an edge.
- All fields are JSON-ready (text, integers, finite floats, tuples), because every fact is journalled.
"""

from decimal import Decimal
from typing import Literal

from supervisor.cell.value import value
from supervisor.process.correction import Expected
from supervisor.process.gauge_study import Reference
from supervisor.verdict.change import Change
from supervisor.verdict.record import Record
from supervisor.verdict.result import Compensated, MeasuredValue

Link = Literal["up", "down"]
Mode = Literal["automatic", "manual", "fault", "unknown"]
Door = Literal["open", "moving", "closed", "none", "unknown"]
Presence = Literal["empty", "occupied", "unknown"]
Work = Literal["idle", "prepared", "running", "part free", "finished", "aborted", "unknown"]
Phase = Literal["idle", "accepted", "busy", "done", "failed", "unknown"]
Outcome = Literal["done", "refused", "failed", "unknown"]
Meaning = Literal["review", "approval", "responsibility", "authorship"]
"""What a signature means: the words of 21 CFR 11.50(a)(3)."""
TagStatus = Literal["read", "no tag", "several tags", "failed"]


@value
class SupervisorStarted:
    """A supervisor process took the cell. Always the first fact of a process; everything outstanding is asked for anew.

    ``declaration`` is the digest of the cell declaration in force; ``fence`` grows with every process that takes the cell.
    """

    declaration: str
    version: str
    fence: int


@value
class HistoryLost:
    """The journal goes on although entries that it had, or may have had, are gone: it comes from a backup, or its damage was accepted.

    Written while no supervisor drives the cell. ``by`` and ``why`` are whoever decided so and the reason in their words; ``seen`` is
    what was found. Entries ``lost_from`` to ``lost_to`` of the other history are given up (``lost_to`` 0: how far it went is not
    known). ``orphans`` are records whose entry is gone: they are kept here and nowhere else.
    """

    by: str
    why: str
    seen: str
    lost_from: int
    lost_to: int
    orphans: tuple[Record, ...]


@value
class StationObserved:
    """The whole image of a station: five facets and what its ``work`` is about.

    A facet whose value was bad, uncertain or old is "unknown". ``run_id`` and ``serial`` are what the station echoes for its
    present work ("" where it cannot); ``program`` is the name of the program it has prepared ("" where it cannot tell);
    ``counter`` counts its results (-1 where it cannot); ``boot`` changes whenever the station's server restarted;
    ``gate`` is "" or why the station says that it must not measure now (calibration, sensor qualification).
    """

    station: str
    source_ms: int
    boot: str
    link: Link
    mode: Mode
    door: Door
    nest: Presence
    work: Work
    run_id: str
    serial: str
    program: str
    counter: int
    gate: str


@value
class HandlerObserved:
    """The whole image of the handler.

    ``order`` is the last order number it accepted (0: none since its start) and ``phase`` what became of it; ``inside`` is the
    station that the arm is not clear of ("" = clear of all, "unknown" = it cannot tell); ``jaws`` has one entry per jaw;
    ``at`` is the place it stands at or before ("" = between places).
    """

    source_ms: int
    boot: str
    link: Link
    mode: Mode
    order: int
    phase: Phase
    inside: str
    at: str
    jaws: tuple[Presence, ...]
    why: str


@value
class PlacesObserved:
    """The whole image of a tag reader: whether its link is up, and the presence at each of its places."""

    reader: str
    source_ms: int
    boot: str
    link: Link
    presence: tuple[tuple[str, Presence], ...]


@value
class TagRead:
    """The answer to a tag order. ``payload`` is the tag's memory as hexadecimal text ("" unless ``status`` is "read")."""

    order: int
    reader: str
    place: str
    status: TagStatus
    payload: str
    why: str


@value
class OrderAnswered:
    """What an adapter learned of an order besides the levels: a method's answer, a refusal, a time-out.

    "unknown" means that the order may or may not have been carried out.
    """

    order: int
    outcome: Outcome
    why: str


@value
class ResultArrived:
    """A result of a station with what it offers as proof of belonging ("" or -1 where it offers none).

    ``result_id`` tells two results of one station apart, also after a restart of either side. ``part_c`` is the part's temperature in
    degrees Celsius where the station gives it. ``created_ms`` is when the station says that the result came to be, on the clock of
    ``source_ms``. ``run_said_by`` is "result" where ``run_id`` stands in the one value that has the measured values, too, so that no older
    values can come under it; "" where it does not, or is not known.
    """

    station: str
    source_ms: int
    boot: str
    result_id: str
    run_id: str
    serial: str
    counter: int
    scope: Literal["final", "partial"]
    values: tuple[MeasuredValue, ...]
    part_c: float | None = None
    compensated: Compensated = "unknown"
    created_ms: int = -1
    run_said_by: Literal["", "result"] = ""


@value
class TimerFired:
    """A timer of the core is due."""

    timer: str


@value
class HoldReleased:
    """A person answered a hold with one of the answers that it offers. ``place`` where the answer needs one ("" otherwise).

    ``why`` is the reason in the person's words; an answer that needs one changes nothing without it.
    """

    hold: str
    answer: str
    by: str
    place: str
    why: str = ""


@value
class CellOrdered:
    """A person or the line asked the whole cell to run or to pause (finish what moves, start nothing)."""

    want: Literal["run", "pause"]
    by: str


@value
class RecordAmended:
    """A person amended a closed record. ``record`` is the whole next revision; the one before it stays as it is.

    ``changes`` are what differs, in words; ``by`` and ``why`` are who did it and for what reason.
    """

    by: str
    why: str
    changes: tuple[Change, ...]
    record: Record


@value
class RecordSigned:
    """A person signed a record. ``by`` is the printed name as it was given: nobody has proven it.

    The signature is bound to one revision by ``record_sha256``, the hash of the record as it is kept.
    """

    serial: str
    part_type: str
    entered_ms: int
    revision: int
    record_sha256: str
    by: str
    meaning: Meaning


@value
class AgreementSettled:
    """A person checked two stations that were compared on one characteristic. ``note`` says what was found and done.

    ``one`` and ``other`` are in the order of their ids.
    """

    part_type: str
    number: str
    one: str
    other: str
    by: str
    note: str


@value
class ProcessCorrected:
    """A correction was entered at a machine: advice that was accepted, or what people did by themselves (``advice`` "").

    ``number`` counts the corrections of this offset: one that does not follow the last known one was decided on something older and
    changes nothing. ``amount`` is in the unit of the offset; ``expected`` is what it should do to each characteristic.
    """

    part_type: str
    offset: str
    number: int
    amount: Decimal
    advice: str
    by: str
    why: str
    expected: tuple[Expected, ...]


@value
class AdviceDeclined:
    """A person, or the control of the machine, declined advice."""

    part_type: str
    offset: str
    advice: str
    by: str
    why: str


@value
class GaugeStudyOrdered:
    """A person asked for a gauge study: the pallets are loaded into a station again and again and measured with one program.

    ``loadings`` is how often each pallet is brought to the station, ``repeats`` how often the program runs in each loading.
    ``references`` are calibrated values; only a study of one part has them.
    """

    pallets: tuple[str, ...]
    station: str
    program: str
    loadings: int
    repeats: int
    references: tuple[Reference, ...]
    by: str


@value
class GaugeStudyStopped:
    """A person ended a gauge study before it was whole."""

    study: str
    by: str
    why: str


@value
class ReservationAsked:
    """The line wants to carry a pallet itself and asks where to, and that the place be kept for it for so long.

    Where a place is kept for it already, that goes on for so long. ``by`` is whoever asks; what another one keeps is not changed.
    """

    pallet: str
    for_ms: int
    by: str


@value
class ReservationClosed:
    """The line needs a reservation no longer; said by another one than its holder it changes nothing.

    "placed": the pallet stands at the reserved place and the line's transport is clear of it. "given up": it will not be brought there.
    ``place`` is the reserved place that is meant ("" = whichever it is); said of another one it changes nothing.
    """

    pallet: str
    how: Literal["placed", "given up"]
    by: str
    place: str = ""


@value
class MessagesDelivered:
    """A receiver of messages has taken everything that it wants to know up to journal entry ``seq``; it is told of later ones only."""

    receiver: str
    seq: int


Event = (
    SupervisorStarted
    | HistoryLost
    | StationObserved
    | HandlerObserved
    | PlacesObserved
    | TagRead
    | OrderAnswered
    | ResultArrived
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
