"""The front door of the core: a fact in, the next state and its commands out.

Rules of this file:
- ``Core.decide`` is pure, total and deterministic: no clock, no random number, no I/O; equal input gives equal output in every
  process. A fact that does not fit changes nothing; it never raises.
- Dispatch only. The rules stand in ``stations``, ``runs``, ``pallets``, ``moves``, ``line``, ``waits`` and ``people``; after the rules of the event come
  the ``consequences``.
"""

from typing import assert_never

from supervisor.cell.model import Cell
from supervisor.cell.value import value
from supervisor.core import (
    calibration,
    corrections,
    gauge,
    interlocks,
    line,
    moves,
    pallets,
    runs,
    stations,
    trust,
    waits,
)
from supervisor.core.agreement import on_agreement_settled
from supervisor.core.answers import on_order_answered
from supervisor.core.commands import Command, SetTimer
from supervisor.core.consequences import follow, give
from supervisor.core.draft import Draft
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
from supervisor.core.invariants import broken
from supervisor.core.numbers import first_number, numbers_apart
from supervisor.core.people import on_hold_released
from supervisor.core.redeclare import blank_state, redeclare
from supervisor.core.state import CellState, Reservation
from supervisor.core.tables import CellTables
from supervisor.routing.situation import Carry, Stay

RECEIVERS_KEPT = 40
"""How many receivers are remembered, those that are not declared any more among them; the one that was told least goes first."""


@value
class Decision:
    """What follows from one fact: the state after it, the commands in order, and what routing chose on the way."""

    state: CellState
    commands: tuple[Command, ...]
    choices: tuple[Carry | Stay, ...]


class Core:
    """The deciding core of one declared cell. Immutable; keeps no state of the cell."""

    def __init__(self, cell: Cell) -> None:
        """Prepare the lookups over the declaration."""
        self.tables = CellTables(cell)

    def initial(self) -> CellState:
        """The state before the first fact: nothing is known of the outside."""
        return blank_state(self.tables)

    def decide(self, state: CellState, event: Event, at_ms: int) -> Decision:
        """The next state and the commands that follow from a fact at a time of the cell.

        ``at_ms`` must not be smaller than at the decision before.
        """
        draft = Draft(self.tables, state, at_ms)
        _apply(draft, event)
        follow(draft)
        give(draft)
        return Decision(
            state=draft.close(), commands=tuple(draft.commands), choices=tuple(draft.choices)
        )

    def broken(self, state: CellState) -> tuple[str, ...]:
        """The invariants that a state breaks, in words; empty for every state that ``decide`` can reach."""
        return broken(self.tables, state)

    def next_place(self, state: CellState, pallet: str, at_ms: int) -> Carry | Stay:
        """Where a pallet that the line carries would be sent, were a reservation asked for now. Changes nothing.

        Raises:
            KeyError: there is no such pallet in the cell.
        """
        return line.next_place(Draft(self.tables, state, at_ms), pallet)

    def not_to_be_entered(self, state: CellState, kept: Reservation, place: str, at_ms: int) -> str:
        """Why the line's transport must not be at a place of a reservation now, in words; "" if it may."""
        return line.not_to_be_entered(Draft(self.tables, state, at_ms), kept, place)

    def waiting_for(self, state: CellState, about: str) -> tuple[str, ...]:
        """What an outstanding goal still waits for, in words; empty when it is under way or unknown."""
        waiting = state.outstanding.get(about)
        if waiting is None or waiting.given == "yes":
            return ()
        return tuple(
            condition.text
            for condition in interlocks.unmet(Draft(self.tables, state, 0), waiting.goal)
        )


def _apply(draft: Draft, event: Event) -> None:  # noqa: C901, PLR0912, PLR0915 - one branch per kind of fact, nothing else
    match event:
        case StationObserved():
            stations.on_station_observed(draft, event)
        case HandlerObserved():
            moves.on_handler_observed(draft, event)
        case PlacesObserved():
            pallets.on_places_observed(draft, event)
        case TagRead():
            pallets.on_tag_read(draft, event)
        case ResultArrived():
            runs.on_result_arrived(draft, event)
        case OrderAnswered():
            on_order_answered(draft, event)
        case TimerFired():
            waits.on_timer_fired(draft, event)
        case HoldReleased():
            on_hold_released(draft, event)
        case AgreementSettled():
            on_agreement_settled(draft, event)
        case CellOrdered():
            _on_cell_ordered(draft, event)
        case SupervisorStarted():
            _on_supervisor_started(draft, event)
        case HistoryLost():
            _on_history_lost(draft)
        case RecordAmended():
            _on_record_amended(draft, event)
        case RecordSigned():
            return  # the fact itself is the signature
        case ProcessCorrected():
            corrections.on_process_corrected(draft, event)
        case AdviceDeclined():
            corrections.on_advice_declined(draft, event)
        case GaugeStudyOrdered():
            gauge.on_gauge_study_ordered(draft, event)
        case GaugeStudyStopped():
            gauge.on_gauge_study_stopped(draft, event)
        case ReservationAsked():
            line.on_reservation_asked(draft, event)
        case ReservationClosed():
            line.on_reservation_closed(draft, event)
        case MessagesDelivered():
            _on_messages_delivered(draft, event)
        case _:
            assert_never(event)


# --- start and stop ------------------------------------------------------------------------------------------------------------------


def _on_supervisor_started(draft: Draft, event: SupervisorStarted) -> None:
    """Everything observed before is old now. What is outstanding goes out again as the links come up and allow it (S4)."""
    draft.fence = event.fence
    if draft.next_order == 0:
        # Numbers of a journal that begins anew must not meet numbers that stations remember from an older journal.
        draft.next_order = first_number(draft.at_ms)
    redeclare(draft, event.declaration)
    for name in sorted(draft.stations):
        draft.change_station(
            name,
            source_ms=-1,
            link="down",
            mode="unknown",
            door="unknown",
            nest="unknown",
            work="unknown",
        )
    draft.dirty = {}
    draft.change_handler(
        source_ms=-1, link="down", mode="unknown", phase="unknown", inside="unknown"
    )
    for name in sorted(draft.readers):
        draft.change_reader(name, source_ms=-1, link="down")
    for name in sorted(draft.places):
        draft.change_place(name, presence="unknown")
    for about in sorted(draft.outstanding):
        draft.mark_given(about, "no")
    for timer in sorted(draft.timers):
        due = draft.timers[timer]
        draft.give(SetTimer(timer=timer, due_ms=due.due_ms, why=due.why))
        if timer in draft.outstanding:
            waits.begin_again(draft, timer, draft.outstanding[timer].goal)
    calibration.begin(draft)
    draft.rethink = "yes"


def _on_history_lost(draft: Draft) -> None:
    """The world has moved on since the last entry, nobody knows how far: nothing that was held of it is held any more.

    What is in the cell is found again by looking: tags are read, and a nest or jaw that holds something asks a person. Nothing is
    sent, because nobody is there to send it, and nothing is begun until a person lets the cell run.
    """
    blank = blank_state(draft.tables)
    draft.want = "pause"
    draft.next_order = numbers_apart(draft.next_order, draft.at_ms)
    draft.stations, draft.places, draft.readers = blank.stations, blank.places, blank.readers
    draft.handler, draft.pallets, draft.holds = blank.handler, blank.pallets, blank.holds
    draft.outstanding, draft.timers, draft.stay = blank.outstanding, blank.timers, blank.stay
    draft.reservations = blank.reservations
    corrections.begin_anew(draft)
    trust.begin_anew(draft)


def _on_cell_ordered(draft: Draft, event: CellOrdered) -> None:
    if event.want == draft.want:
        return
    draft.want = event.want
    draft.rethink = "yes"
    for name in sorted(draft.stations):
        draft.dirty[name] = None


def _on_record_amended(draft: Draft, event: RecordAmended) -> None:
    """Keep the next revision. While the part is in the cell, revisions are the cell's own: a person's is not taken then."""
    record = event.record
    about = (record.serial, record.part_type, record.entered_ms)
    inside = ((each.serial, each.part_type, each.entered_ms) for each in draft.pallets.values())
    if about not in inside:
        draft.store(record)


def _on_messages_delivered(draft: Draft, event: MessagesDelivered) -> None:
    """Remember how far a receiver was told; nothing takes that back."""
    told = dict(draft.delivered)
    if event.seq > told.get(event.receiver, -1):
        told[event.receiver] = event.seq
    newest = sorted(told.items(), key=lambda each: (-each[1], each[0]))[:RECEIVERS_KEPT]
    draft.delivered = tuple(sorted(newest))
