"""Rules of the answers that people give to holds.

Rules of this file: one function per answer, found in ``ANSWERS``. An answer that a hold does not offer changes nothing, nor does one
without a reason where it needs one: the question stands.
"""

from collections.abc import Callable

from supervisor.core import (
    calibration,
    moves,
    pallets,
    reference_parts,
    reference_trend,
    runs,
    stations,
)
from supervisor.core.commands import AbortRun, MoveHandler
from supervisor.core.draft import Draft
from supervisor.core.events import HoldReleased
from supervisor.core.holds import HOLDS
from supervisor.core.state import Hold


def on_hold_released(draft: Draft, event: HoldReleased) -> None:
    """Carry out a person's answer to a hold."""
    hold = draft.holds.get(event.hold)
    if hold is None or event.answer not in hold.answers:
        return
    if event.answer in HOLDS[hold.code].reasoned and not event.why.strip():
        return
    draft.end_hold(event.hold)
    ANSWERS[hold.code, event.answer](draft, hold)


def _read_again(draft: Draft, hold: Hold) -> None:
    """Read the tag of a held pallet anew, under no identity until it is read. In hand nobody can: the question stands again."""
    pallet = draft.pallets[hold.subject]
    if pallet.place not in draft.places:
        seen = f"{pallet.pallet} is at {pallet.place}, where no reader is: take it out"
        draft.hold(hold.code, hold.about, hold.subject, seen)
        return
    draft.way(pallet.pallet, "tag to be read")
    draft.change_pallet(pallet.pallet, tag_tries=0)
    pallets.admit(draft, pallet.pallet)


def _pallet_removed(draft: Draft, hold: Hold) -> None:
    """A held pallet was taken out of the cell; out of a jaw its sensor has to show so, or people are asked about the jaws."""
    place = draft.pallets[hold.subject].place
    if place in draft.stations:
        _out_of_the_nest(draft, place)
        return
    pallets.taken_away(draft, hold.subject)
    _shows_later(draft, place)
    if place in draft.tables.jaws:
        moves.look_at_jaws(draft)


def _shows_later(draft: Draft, place: str) -> None:
    """The sensor will show a removal a little later; until then what stands there is no new pallet."""
    if place in draft.places and draft.places[place].presence == "occupied":
        pallets.expect_place(draft, place, "")


def _carrier_is_right(draft: Draft, hold: Hold) -> None:
    pallets.vouch(draft, hold.subject)


def _carrier_removed(draft: Draft, hold: Hold) -> None:
    """A doubted pallet was taken out; the other one that claims to be it is read again.

    From a jaw nobody takes it: it is brought home first, and the question stands again.
    """
    place = draft.pallets[hold.subject].place
    if place in draft.tables.jaws:
        draft.hold(hold.code, hold.about, hold.subject, hold.seen)
        return
    if place in draft.stations:
        # The nest may have shown it before the answer came.
        reference_parts.end_holds(draft, place, "nest-lost")
        _out_of_the_nest(draft, place, pallets.disown)
        return
    pallets.disown(draft, hold.subject)
    _shows_later(draft, place)
    pallets.read_twins_again(draft)


def _door_again(draft: Draft, hold: Hold) -> None:
    state = draft.stations[hold.subject]
    if state.bay in ("opening", "closing"):
        stations.want_door(draft, hold.subject, "open" if state.bay == "opening" else "closed")


def _prepare_again(draft: Draft, hold: Hold) -> None:
    """What the pallet needs next is chosen and ordered anew."""
    runs.withdraw_run(draft, hold.subject)


def _prepare_given_up(draft: Draft, hold: Hold) -> None:
    runs.rule_out_program(draft, hold.subject)


def _wait_for_run(draft: Draft, hold: Hold) -> None:
    limit_ms = draft.tables.stations[hold.subject].start_ms_max
    run = draft.stations[hold.subject].run
    if run is not None:
        limit_ms += draft.tables.programs[run.program].result_ms
        draft.start_timer(
            f"run of {hold.subject}", limit_ms, f"a person waits for run {run.run_id}"
        )


def _give_up_run(draft: Draft, hold: Hold) -> None:
    runs.give_up_run(draft, hold.subject)


def _abort_run(draft: Draft, hold: Hold) -> None:
    run = draft.stations[hold.subject].run
    if run is not None:
        draft.want_goal(AbortRun(order=draft.number(), station=hold.subject, run_id=run.run_id))
        _wait_for_run(draft, hold)


def _clear_foreign(draft: Draft, hold: Hold) -> None:
    state = draft.stations[hold.subject]
    if state.work in ("part free", "finished", "aborted"):
        stations.acknowledge(draft, hold.subject, state.run_id)


def _clear_fault(draft: Draft, hold: Hold) -> None:
    stations.clear_fault(draft, hold.subject)


def _nest_emptied(draft: Draft, hold: Hold) -> None:
    _out_of_the_nest(draft, hold.subject)


def _out_of_the_nest(
    draft: Draft, station: str, leave: Callable[[Draft, str], None] = pallets.taken_away
) -> None:
    """What stood in a nest was taken out: its run is over. What is evaluated there of a part that has gone on is that part's."""
    pallet, run = draft.stations[station].pallet, draft.stations[station].run
    if pallet:
        leave(draft, pallet)
    if run is not None and run.pallet == pallet:
        runs.give_up_run(draft, station)
    if draft.stations[station].nest != "empty":
        stations.expect_nest(draft, station, "")
    pallets.read_twins_again(draft)


def _still_in_nest(draft: Draft, hold: Hold) -> None:
    stations.expect_nest(draft, hold.subject, draft.stations[hold.subject].pallet)


def _handler_goes_on(draft: Draft, hold: Hold) -> None:
    """While the handler is not at rest outside every station the question stands again."""
    restless = moves.restless(draft)
    if restless:
        draft.hold(hold.code, hold.about, hold.subject, restless)
    else:
        moves.release(draft)


def _jaws_emptied(draft: Draft, hold: Hold) -> None:
    """People took what was in the jaws; each such pallet comes back through the rack, under its tag."""
    full = moves.jaws_not_empty(draft)
    if full:
        draft.hold(hold.code, hold.about, hold.subject, full)
        return
    moves.drop_carry(draft)
    for pallet in draft.handler.jaws:
        if pallet:
            pallets.taken_away(draft, pallet)
    pallets.read_twins_again(draft)


def _wait_for_move(draft: Draft, _hold: Hold) -> None:
    """The order goes out once more under its number, in case that it never arrived."""
    if "handler" in draft.outstanding:
        draft.mark_given("handler", "no")
        draft.start_timer(
            "handler", draft.tables.handler.move_ms_max, "a person waits for the move"
        )


def _give_move_up(draft: Draft, _hold: Hold) -> None:
    waiting = draft.outstanding.get("handler")
    if waiting is not None:
        assert isinstance(waiting.goal, MoveHandler)
        moves.fail(draft, waiting.goal, "a person gave it up")


def _measure_on(draft: Draft, hold: Hold) -> None:
    calibration.measure_on(draft, hold.subject)


def _check_again(draft: Draft, hold: Hold) -> None:
    reference_parts.check_again(draft, hold.subject, hold.code, hold.seen)


def _release_station(draft: Draft, hold: Hold) -> None:
    reference_parts.release(draft, hold.subject)


def _measure_on_unchecked(draft: Draft, hold: Hold) -> None:
    reference_parts.measure_on(draft, hold.subject)


def _check_what_moves(draft: Draft, hold: Hold) -> None:
    reference_parts.check_what_moves(draft, hold.subject)


def _accept_level(draft: Draft, hold: Hold) -> None:
    reference_trend.accept(draft, hold.subject)


ANSWERS: dict[tuple[str, str], Callable[[Draft, Hold], None]] = {
    ("tag-unreadable", "read again"): _read_again,
    ("tag-unreadable", "removed"): _pallet_removed,
    ("tag-malformed", "read again"): _read_again,
    ("tag-malformed", "removed"): _pallet_removed,
    ("pallet-twice", "read again"): _read_again,
    ("pallet-twice", "removed"): _pallet_removed,
    ("identity-doubted", "right"): _carrier_is_right,
    ("identity-doubted", "removed"): _carrier_removed,
    ("part-type-unknown", "read again"): _read_again,
    ("part-type-unknown", "removed"): _pallet_removed,
    ("plan-undecidable", "read again"): _read_again,
    ("plan-undecidable", "removed"): _pallet_removed,
    ("rack-full", "read again"): _read_again,
    ("rack-full", "removed"): _pallet_removed,
    ("pallet-stranded", "removed"): _pallet_removed,
    ("outfeed-misused", "removed"): _pallet_removed,
    ("door-stuck", "try again"): _door_again,
    ("prepare-failed", "try again"): _prepare_again,
    ("prepare-failed", "give up"): _prepare_given_up,
    ("start-unconfirmed", "wait"): _wait_for_run,
    ("start-unconfirmed", "give up"): _give_up_run,
    ("run-late", "wait"): _wait_for_run,
    ("run-late", "abort"): _abort_run,
    ("result-missing", "wait"): _wait_for_run,
    ("result-missing", "give up"): _give_up_run,
    ("foreign-run", "clear"): _clear_foreign,
    ("nest-unknown", "removed"): _nest_emptied,
    ("nest-lost", "removed"): _nest_emptied,
    ("nest-lost", "still there"): _still_in_nest,
    ("station-fault", "clear"): _clear_fault,
    ("handler-failed", "go on"): _handler_goes_on,
    ("jaw-unknown", "jaws empty"): _jaws_emptied,
    ("move-late", "wait"): _wait_for_move,
    ("move-late", "give up"): _give_move_up,
    ("calibration-overdue", "measure on"): _measure_on,
    ("reference-unknown", "read again"): _read_again,
    ("reference-unknown", "removed"): _pallet_removed,
    ("reference-failed", "check again"): _check_again,
    ("reference-failed", "release"): _release_station,
    ("reference-good", "release"): _release_station,
    ("reference-good", "check again"): _check_again,
    ("reference-trend", "check again"): _check_what_moves,
    ("reference-trend", "accept"): _accept_level,
    ("check-overdue", "check again"): _check_again,
    ("check-overdue", "measure on"): _measure_on_unchecked,
}
