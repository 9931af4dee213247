"""The catalogue of holds: why something waits for a person, what is safe to do, and the answers offered.

Rules of this file:
- A hold in ``HOLDS`` never waits for anything but a person; waits with a limit are timers.
- ``advice`` says what to look at first and what each answer does. Codes only ever get added: records and manuals quote them.
"""

from typing import Literal

from supervisor.cell.value import value


@value
class HoldKind:
    """An entry of the catalogue.

    ``stops``: whether the thing that the hold is about is left alone until somebody answers. A hold that stops "nothing" asks about
    something that other rules obey by themselves. ``reasoned`` are the answers that count only with a reason.
    """

    code: str
    title: str
    advice: str
    answers: tuple[str, ...]
    stops: Literal["everything", "nothing"] = "everything"
    reasoned: tuple[str, ...] = ()


def _kinds(*kinds: HoldKind) -> dict[str, HoldKind]:
    return {kind.code: kind for kind in kinds}


HOLDS = _kinds(
    HoldKind(
        code="tag-unreadable",
        title="The tag of a pallet cannot be read",
        advice="Look at the tag and at the seat of the pallet. 'read again' tries three more times; "
        "'removed' after the pallet was taken out.",
        answers=("read again", "removed"),
    ),
    HoldKind(
        code="tag-malformed",
        title="The tag holds something that is no identity of ours",
        advice="Take the pallet out and write its tag anew, then put it back: 'removed'. 'read again' if the reading is in doubt.",
        answers=("read again", "removed"),
    ),
    HoldKind(
        code="pallet-twice",
        title="The pallet or the serial number is already in the cell",
        advice="Two carriers claim one identity, and neither goes on. Find out which is right. Take this one out: 'removed', or have its "
        "tag put right and 'read again'. Of the other one the hold 'identity-doubted' asks.",
        answers=("read again", "removed"),
    ),
    HoldKind(
        code="identity-doubted",
        title="Another carrier claims to be this pallet or this part",
        advice="It stays where it is and gets no verdict before somebody has compared both parts with their tags. 'right', with what that "
        "rests on, if this one is what its tag says: it goes on, with all that was measured. 'removed' after it was taken out, which "
        "lifting it does, too: its results are kept aside and count for no part, a record that it has is withdrawn. From a jaw it is brought "
        "home first; where no place of the rack is free, stop the handler, take it out, and answer what is asked about the jaws.",
        answers=("right", "removed"),
        reasoned=("right",),
    ),
    HoldKind(
        code="part-type-unknown",
        title="The part type on the tag is not declared in this cell",
        advice="Take the pallet out ('removed'), or load a cell declaration that knows the part type and answer 'read again'.",
        answers=("read again", "removed"),
    ),
    HoldKind(
        code="plan-undecidable",
        title="No station of this cell can decide a mandatory characteristic of this part",
        advice="The characteristics are named. Take the pallet out: 'removed'. 'read again' under a declaration that can decide them.",
        answers=("read again", "removed"),
    ),
    HoldKind(
        code="rack-full",
        title="The pallet stands on the home place of a pallet that is on its way",
        advice="No other rack place is free for the one that is away. Take this pallet out: 'removed'. 'read again' once a rack place "
        "is free; when the other one has left the cell, this one goes on by itself.",
        answers=("read again", "removed"),
    ),
    HoldKind(
        code="pallet-stranded",
        title="A pallet can be put down nowhere",
        advice="It is in a jaw or a nest, has no home place in the rack, and nothing takes it, so the handler carries nothing at all. Have a "
        "station that could measure it go on, or free a rack place or an outfeed place for it: then this ends by itself. Otherwise stop the "
        "handler, take the pallet out and answer 'removed': it has a record of what was measured, and comes in again as a new one.",
        answers=("removed",),
        stops="nothing",
    ),
    HoldKind(
        code="outfeed-misused",
        title="A pallet stands on an outfeed place and this cell did not put it there",
        advice="Nobody vouches for its part: what leaves by an outfeed has a verdict. Take it out, or put it into the rack: 'removed'.",
        answers=("removed",),
    ),
    HoldKind(
        code="door-stuck",
        title="The door of a station did not reach its position in time",
        advice="Look for something in the way of the door. 'try again' orders the door once more.",
        answers=("try again",),
    ),
    HoldKind(
        code="prepare-failed",
        title="A station did not prepare the program in time",
        advice="Check at the station that the named program exists in that revision. 'try again' orders it once more; "
        "'give up' asks for it no more on this part and leaves the characteristics to other programs.",
        answers=("try again", "give up"),
    ),
    HoldKind(
        code="start-unconfirmed",
        title="A start was ordered and the station shows no run",
        advice="The run may have begun unseen. Look at the station: 'give up' when nothing runs there "
        "(the characteristics are open again); 'wait' when it does run.",
        answers=("wait", "give up"),
    ),
    HoldKind(
        code="run-late",
        title="A run takes much longer than declared",
        advice="Look at the station. 'wait' gives it the same time again; 'abort' ends the run.",
        answers=("wait", "abort"),
    ),
    HoldKind(
        code="result-missing",
        title="A run has finished and no result came",
        advice="'wait' if the result may still come; 'give up' makes the characteristics open again.",
        answers=("wait", "give up"),
    ),
    HoldKind(
        code="foreign-run",
        title="A station measures something that this supervisor did not start",
        advice="Somebody else operates the station, or it still shows a run that this supervisor's database does not know any more: one from "
        "before a restored backup or a new database. Let it finish or end it there, see to its result, then answer 'clear': the run is "
        "acknowledged at the station.",
        answers=("clear",),
    ),
    HoldKind(
        code="nest-unknown",
        title="There is a pallet in a nest that this supervisor did not put there",
        advice="Take the pallet out and put it into the rack, then answer 'removed'.",
        answers=("removed",),
    ),
    HoldKind(
        code="nest-lost",
        title="The pallet that should be in a nest is not there, or may not be",
        advice="Look into the station. 'removed' if the pallet was taken out, also if another one stands there now; 'still there' if it is "
        "the pallet named and the sensor erred.",
        answers=("removed", "still there"),
    ),
    HoldKind(
        code="station-fault",
        title="A station reports a fault",
        advice="Mend the cause at the station, then answer 'clear' to have the fault reset.",
        answers=("clear",),
    ),
    HoldKind(
        code="handler-failed",
        title="The handler could not carry out an order",
        advice="Make the way free, see that each pallet is where this page shows it and that the arm is clear of every station, then "
        "answer 'go on'.",
        answers=("go on",),
    ),
    HoldKind(
        code="jaw-unknown",
        title="The jaws do not hold what they should",
        advice="Empty the jaws by hand: put each pallet into a free rack place. Then answer 'jaws empty'.",
        answers=("jaws empty",),
    ),
    HoldKind(
        code="move-late",
        title="A move of the handler takes much longer than it may",
        advice="Look at the handler. 'wait' gives it the same time again, and the order once more under its number, which it never "
        "carries out twice. 'give up' when it will not come to an end: then see to the handler as after a failed order.",
        answers=("wait", "give up"),
    ),
    HoldKind(
        code="calibration-overdue",
        title="The calibration of a station has ended",
        advice="Have the station calibrated, name the new certificate in the cell folder and restart the supervisor: then this ends by "
        "itself. Until then the station measures nothing and its pallets go elsewhere. 'measure on' for one more day, under your name "
        "and with a reason; records tell that the calibration had ended.",
        answers=("measure on",),
        stops="nothing",
        reasoned=("measure on",),
    ),
    HoldKind(
        code="reference-unknown",
        title="A pallet carries a reference part that is none of this cell",
        advice="Calibrated values belong to one part: its serial number is not the declared one. Take the pallet out: 'removed'. "
        "'read again' after the tag was put right, or under a declaration that names it.",
        answers=("read again", "removed"),
    ),
    HoldKind(
        code="reference-failed",
        title="A station did not find the calibrated values of its reference part",
        advice="The station decides nothing any more of what these values vouch for; parts in the cell go elsewhere or wait, and records "
        "since the last good check are marked as suspect. Look at the reference part (clean, well seated, at temperature) and at the "
        "station (stylus, lens, temperature). 'check again' has it measured once more; after a good check you are asked to let the "
        "station go on. 'release' without one only with a reason.",
        answers=("check again", "release"),
        stops="nothing",
        reasoned=("release",),
    ),
    HoldKind(
        code="reference-good",
        title="A station that had failed finds the calibrated values again",
        advice="See that the cause is known and mended. 'release' lets the station decide again; what was marked as suspect stays marked. "
        "'check again' has it measured once more.",
        answers=("release", "check again"),
        stops="nothing",
    ),
    HoldKind(
        code="reference-trend",
        title="A station moves against its reference part",
        advice="Its checks are still good and it measures on, but the average of their deviations has moved by half of what a check allows. "
        "Look for the cause (wear of stylus or part, dirt, temperature, a screw) before a check fails. 'check again' has the part measured "
        "once more. 'accept' has moves counted from the next runs on, under your name and with a reason.",
        answers=("check again", "accept"),
        stops="nothing",
        reasoned=("accept",),
    ),
    HoldKind(
        code="check-overdue",
        title="A check with a reference part is overdue",
        advice="The station waits for the check with what it vouches for and goes on by itself after a good one. Put the reference part into "
        "the rack if it is not in the cell, and see that its own certificate holds. 'check again' has the check tried anew. 'measure on' "
        "gives it its grace once more, under your name and with a reason.",
        answers=("check again", "measure on"),
        stops="nothing",
        reasoned=("measure on",),
    ),
)

JOURNAL_REFUSED = HoldKind(
    code="journal-refused",
    title="The journal takes nothing, so nothing is decided or sent",
    advice="Make room on the disk of the database, or bring the database back. What moves comes to its end, stations keep their "
    "results; the cell goes on by itself as soon as the journal takes entries again.",
    answers=(),
)
"""What no journal can hold, so the core knows nothing of it: a state of the supervisor, which the interface lists before the holds of the cell."""
