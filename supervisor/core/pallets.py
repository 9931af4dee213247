"""Rules of a pallet: seen, identified, planned, measured, decided, put out.

Rules of this file:
- For identity the tag counts, for presence the sensor; what we believe counts for neither.
- A pallet that cannot go on is held by itself; the rest of the cell goes on.
- The part's record is made once its verdict can be given, and again (higher revision) never changes an older one.
"""

from supervisor.cell.model import PartType
from supervisor.cell.value import replace
from supervisor.core import reservations, studies, trust
from supervisor.core.agreement import learn
from supervisor.core.commands import ReadTag
from supervisor.core.draft import Draft, held
from supervisor.core.events import PlacesObserved, Presence, TagRead
from supervisor.core.state import LINE, PalletState, PlaceState
from supervisor.core.tables import end_of_day_ms
from supervisor.tag import TagContent, TagError, decode
from supervisor.verdict.asking import RUNS_WITHOUT_GOOD_VALUE_MAX
from supervisor.verdict.merge import Part, merge, sorting_of
from supervisor.verdict.result import StationResult
from supervisor.verdict.selection import exhausted, still_open

TAG_TRIES_MAX = 3


# --- places -----------------------------------------------------------------------------------------------------------------------


def on_places_observed(draft: Draft, event: PlacesObserved) -> None:
    """Accept what a reader sees at its places, unless a newer image was accepted before (S6)."""
    before = draft.readers.get(event.reader)
    if before is None:
        return
    same_source = before.link == "up" and event.link == "up" and before.boot == event.boot
    if same_source and event.source_ms < before.source_ms:
        return
    draft.change_reader(event.reader, source_ms=event.source_ms, boot=event.boot, link=event.link)
    if event.link == "down":
        _forget_given(draft, event.reader)
    shown = dict(event.presence) if event.link == "up" else {}
    for place in draft.tables.cell.places:
        if place.reader == event.reader:
            if event.link == "up" and not same_source:
                _doubt_what_is_put(draft, place.place)
            _look_at_place(draft, place.place, shown.get(place.place, "unknown"))


def _doubt_what_is_put(draft: Draft, place: str) -> None:
    """The reader was away: what an order puts there may have been there meanwhile, and be gone again."""
    state = draft.places[place]
    if not state.pallet and handler_is_at(draft, place):
        draft.change_place(place, emptied=state.emptied + 1)


def _forget_given(draft: Draft, reader: str) -> None:
    for about in sorted(draft.outstanding):
        goal = draft.outstanding[about].goal
        if isinstance(goal, ReadTag) and goal.reader == reader:
            draft.mark_given(about, "no")


def _look_at_place(draft: Draft, place: str, seen: Presence) -> None:
    """Compare what a place reads with what we hold to stand there."""
    before = draft.places[place]
    if seen != before.presence:
        draft.change_place(
            place, presence=seen, emptied=before.emptied + _emptied_under_way(draft, before, seen)
        )
        draft.rethink = "yes"
        if before.presence == "unknown" and seen == "occupied" and before.pallet:
            have_proven(draft, before.pallet)
    if before.expecting:
        if seen != before.expecting:
            return
        draft.change_place(place, expecting="")
        draft.end_timer(f"place {place}")
    # Also then: what was expected may have been taken away before it showed, and this be another.
    judge_place(draft, place)


def _emptied_under_way(draft: Draft, before: PlaceState, seen: Presence) -> int:
    """Whether a place became empty while an order is about it; what was just put there, also if the place is unknown now.

    An empty place that is unknown now casts no doubt: a contact that settles shows so whenever something is put down.
    """
    emptied = before.presence == "occupied" and (seen == "empty" or not before.pallet)
    return int(emptied and handler_is_at(draft, before.place))


def judge_place(draft: Draft, place: str) -> None:
    """What a reading of a place means, when no move explains a difference: neither one under way nor one just finished."""
    state = draft.places[place]
    appeared = state.presence == "occupied" and not state.pallet
    vanished = state.presence == "empty" and state.pallet != ""
    if not (appeared or vanished) or state.expecting or handler_is_at(draft, place):
        return
    if appeared and reservations.is_target(draft, place):
        return  # the line sets its pallet down and has not said yet that its transport is clear
    if appeared:
        _pallet_appeared(draft, place)
    elif reservations.of(draft, state.pallet) is not None:
        reservations.pick_up(draft, state.pallet)
    else:
        taken_away(draft, state.pallet)


def handler_is_at(draft: Draft, place: str) -> bool:
    """Whether an outstanding order of the handler touches a place, so that its reading may change at any moment."""
    goal = draft.outstanding.get("handler")
    return goal is not None and getattr(goal.goal, "place", "") == place


def expect_place(draft: Draft, place: str, pallet: str) -> None:
    """A finished move changed what stands at a place; its sensor may show so a little later."""
    presence = "occupied" if pallet else "empty"
    state = draft.change_place(place, pallet=pallet, expecting=presence)
    if not pallet:
        draft.end_goal(f"tag at {place}")
    if state.presence == presence:
        draft.change_place(place, expecting="")
        draft.end_timer(f"place {place}")
        return
    why = f"{place} should read {presence}"
    draft.start_timer(f"place {place}", draft.tables.handler.settle_ms_max, why)


def on_place_timer(draft: Draft, place: str) -> None:
    """The place never showed what the move promised: from now on its reading counts."""
    draft.change_place(place, expecting="")
    judge_place(draft, place)


def _pallet_appeared(draft: Draft, place: str) -> None:
    """Somebody put a pallet down: it has no identity before its tag is read."""
    name = f"unread@{place}"
    if name in draft.pallets:
        return
    draft.add_pallet(
        PalletState(
            pallet=name,
            stage="seen",
            place=place,
            home="" if place in draft.tables.infeeds else place,
            tag_tries=0,
            serial="",
            part_type="",
            batch="",
            produced="",
            entered_ms=draft.at_ms,
            since_ms=draft.at_ms,
            results=(),
            tried=(),
            open=(),
            done=(),
            planned=(),
            visits=0,
            verdict="",
            sorting="",
            revision=0,
        )
    )
    draft.change_place(place, pallet=name)
    if draft.tables.places[place].kind == "outfeed":
        hold_pallet(draft, name, "outfeed-misused", f"{place} reads occupied")
    else:
        admit(draft, name)


def admit(draft: Draft, pallet: str) -> None:
    """Give a pallet in the rack the place where it stands for its home, and have its tag read. At an infeed place it has none."""
    if at_infeed(draft, draft.pallets[pallet]) or _make_room_for_absent(
        draft, draft.pallets[pallet].place, pallet
    ):
        ask_for_tag(draft, pallet)


def read_twins_again(draft: Draft, of: str = "") -> None:
    """Have the tags of carriers read again that claim what another one claimed, of all or of one pallet.

    A person took a pallet out and put it into the rack: where it was taken for its own twin, the tag tells by now. And where the first of
    two carriers left and came back, the second one claims the same as ever.
    """
    for hold in sorted(draft.holds):
        name = draft.holds[hold].subject
        if draft.holds[hold].code == "pallet-twice" and of in ("", *draft.pallets[name].twin_of):
            draft.end_hold(hold)
            draft.way(name, "tag to be read")
            ask_for_tag(draft, name)


def _make_room_for_absent(draft: Draft, place: str, name: str) -> bool:
    """Give the pallet whose home this was another home; without one the newcomer is held."""
    owner = draft.places[place].reserved
    if owner and owner != name:
        home = free_rack_place(draft)
        if not home:
            hold_pallet(
                draft, name, "rack-full", f"{place} is the home of {owner}, which is on its way"
            )
            return False
        draft.change_pallet(owner, home=home)
        draft.change_place(home, reserved=owner)
    draft.change_place(place, reserved=name)
    return True


def free_home(draft: Draft, pallet: str) -> None:
    """A pallet needs its home no more; one that was put there meanwhile and had to wait may go on."""
    home = draft.pallets[pallet].home
    if not home:
        return
    draft.change_place(home, reserved="")
    waiting = draft.places[home].pallet
    hold = next(
        (h for h in draft.holds.values() if h.subject == waiting and h.code == "rack-full"), None
    )
    if hold is not None:
        draft.end_hold(hold.hold)
        draft.change_place(home, reserved=waiting)
        draft.way(waiting, "tag to be read")
        ask_for_tag(draft, waiting)


def claim_home(draft: Draft, pallet: str) -> None:
    """A pallet that was to leave the cell stays: it needs a home again, its old one if that is still free; "" if none is."""
    old = draft.places.get(draft.pallets[pallet].home)
    if old is not None and old.reserved == pallet:
        return
    home = old.place if old is not None and _is_free(old) else free_rack_place(draft)
    draft.change_pallet(pallet, home=home)
    if home:
        draft.change_place(home, reserved=pallet)


def give_back_home(draft: Draft, pallet: str) -> None:
    """A pallet that was to be fetched from an infeed place is not: others may come in instead."""
    state = draft.pallets.get(pallet)
    if state is not None and state.home and at_infeed(draft, state):
        free_home(draft, pallet)
        draft.change_pallet(pallet, home="")


def claim_homes(draft: Draft) -> None:
    """Every pallet inside the cell that has no home gets one as soon as there is one: at an infeed place it needs none yet."""
    for name in sorted(draft.pallets):
        pallet = draft.pallets[name]
        if not pallet.home and may_travel(draft, pallet) and not at_infeed(draft, pallet):
            claim_home(draft, name)


def at_infeed(draft: Draft, pallet: PalletState) -> bool:
    """Whether a pallet stands where none comes back to."""
    return pallet.place in draft.tables.infeeds


def free_rack_place(draft: Draft) -> str:
    """The first rack place that is empty and nobody's, or ""."""
    for place in sorted(draft.places):
        state = draft.places[place]
        if draft.tables.places[place].kind == "rack" and _is_free(state):
            return place
    return ""


def _is_free(state: PlaceState) -> bool:
    return state.presence == "empty" and not state.pallet and not state.reserved


def taken_away(draft: Draft, pallet: str) -> None:
    """A pallet is no longer where it stood and the handler did not move it: it has left the cell by hand."""
    draft.way(pallet, "taken away")
    forget(draft, pallet)


def forget(draft: Draft, pallet: str) -> None:
    """A pallet has no place in the present declaration: it is no longer in the cell."""
    if is_doubted(draft, pallet):
        _disown_results(draft, pallet)
    else:
        _record_as_it_is(draft, pallet)
    _drop(draft, pallet)


def disown(draft: Draft, pallet: str) -> None:
    """A carrier was taken out for which nobody vouches: another one claims to be the same."""
    draft.way(pallet, "taken away")
    _disown_results(draft, pallet)
    _drop(draft, pallet)


def _record_as_it_is(draft: Draft, pallet: str) -> None:
    """A part that leaves before its verdict has a record of what was measured."""
    state = draft.pallets[pallet]
    studied = studies.study_of(draft, pallet) and not state.results
    if (
        state.serial
        and not state.verdict
        and state.part_type in draft.tables.plans
        and state.part_type not in draft.tables.references
        and not studied  # it was here to judge a station; nothing was asked about the part
    ):
        _store_record(draft, pallet)


def _disown_results(draft: Draft, pallet: str) -> None:
    """What was measured on a carrier that nobody vouches for is no part's; a record that rests on it is withdrawn by its successor."""
    state = draft.pallets[pallet]
    why = (
        f"another carrier claimed to be {pallet}, and nobody vouched for the one that was measured"
    )
    for result in state.results:
        draft.keep_aside(result, why)
    draft.change_pallet(pallet, results=())
    if state.revision and state.part_type in draft.tables.plans:
        _store_record(draft, pallet)


def _drop(draft: Draft, pallet: str) -> None:
    state = draft.pallets[pallet]
    draft.end_holds_of(pallet)
    draft.end_goal(f"tag at {state.place}")
    if pallet in draft.handler.jaws:
        draft.change_handler(
            jaws=tuple("" if jaw == pallet else jaw for jaw in draft.handler.jaws), carry=None
        )
    draft.drop_pallet(pallet)
    for station in sorted(draft.stations):
        run = draft.stations[station].run
        if run is not None and run.pallet == pallet:
            # Its result may come when a pallet of this name is here again, perhaps with another part.
            draft.change_station(station, run=replace(run, pallet=f"{pallet} (left)"))


def hold_pallet(draft: Draft, pallet: str, code: str, seen: str) -> None:
    """Take a pallet out of routing until a person answers."""
    draft.way(pallet, "held")
    draft.hold(code, "pallet", pallet, seen)


# --- the tag ----------------------------------------------------------------------------------------------------------------------


def ask_for_tag(draft: Draft, pallet: str) -> None:
    """Have the tag of a pallet read where it stands."""
    place = draft.pallets[pallet].place
    reader = draft.tables.places[place].reader
    draft.want_goal(ReadTag(order=draft.number(), reader=reader, place=place))
    draft.start_timer(
        f"tag at {place}",
        draft.tables.readers[reader].answer_ms_max,
        f"{reader} should have read the tag at {place}",
    )


def on_tag_read(draft: Draft, event: TagRead) -> None:
    """Take the answer to the outstanding tag order of a place; any other answer changes nothing (S5)."""
    about = f"tag at {event.place}"
    waiting = draft.outstanding.get(about)
    if waiting is None or waiting.goal.order != event.order:
        return
    draft.end_goal(about)
    pallet = draft.places[event.place].pallet
    if not pallet:
        return
    if event.status == "read" and draft.pallets[pallet].stage == "seen":
        _identify(draft, pallet, event)
    elif event.status == "read":
        _prove(draft, pallet, event)
    else:
        tag_failed(
            draft, pallet, f"{event.status} at {event.place}{': ' if event.why else ''}{event.why}"
        )


def have_proven(draft: Draft, pallet: str) -> None:
    """What stands at a place was out of sight for a while: whether it is the pallet that should, only its tag can tell."""
    state = draft.pallets[pallet]
    if state.place not in draft.places or f"tag at {state.place}" in draft.outstanding:
        return
    if state.stage in ("planned", "decided", "sorted"):
        draft.change_pallet(pallet, tag_tries=0)
        ask_for_tag(draft, pallet)


def _prove(draft: Draft, pallet: str, event: TagRead) -> None:
    """Whether a known pallet is the one that its tag names; a reading that says nothing is tried again."""
    try:
        content = decode(bytes.fromhex(event.payload))
    except (TagError, ValueError) as refusal:
        tag_failed(draft, pallet, str(refusal))
        return
    if _is_the_same(draft, pallet, content):
        if not handler_is_at(draft, event.place):
            # Otherwise the answer may be older than what a hand did before the arm came.
            draft.change_place(event.place, emptied=0)
        draft.look_again("pallet", pallet)
    else:
        _is_another(draft, pallet)


def _is_the_same(draft: Draft, pallet: str, content: TagContent) -> bool:
    """A serial number is one of its part type: the same number of another type is another part. The type may be known only now."""
    known = draft.pallets[pallet]
    same_type = known.part_type in ("", _type_of(draft, content))
    return same_type and (content.pallet, content.serial) == (pallet, known.serial)


def _is_another(draft: Draft, pallet: str) -> None:
    """Somebody exchanged a pallet while nobody saw it: the known one has left the cell, and a stranger stands in its place."""
    place = draft.pallets[pallet].place
    taken_away(draft, pallet)
    judge_place(draft, place)


def on_tag_timer(draft: Draft, place: str) -> None:
    """The reader did not answer."""
    about = f"tag at {place}"
    pallet = draft.places[place].pallet
    if about in draft.outstanding and pallet:
        draft.end_goal(about)
        tag_failed(draft, pallet, f"no answer from the reader at {place}")


def tag_failed(draft: Draft, pallet: str, seen: str) -> None:
    """Try again, up to the limit; then ask a person. Never "probably the same"."""
    state = draft.pallets[pallet]
    tries = state.tag_tries + 1
    draft.change_pallet(pallet, tag_tries=tries)
    if tries < TAG_TRIES_MAX:
        ask_for_tag(draft, pallet)
    elif state.stage != "sorted":
        hold_pallet(draft, pallet, "tag-unreadable", f"{seen} ({tries} tries)")
    elif draft.places[state.place].emptied:
        # What has been put out is taken away, read or not; and this place was emptied since.
        _is_another(draft, pallet)


def _identify(draft: Draft, pallet: str, event: TagRead) -> None:
    try:
        content = decode(bytes.fromhex(event.payload))
    except (TagError, ValueError) as refusal:
        hold_pallet(draft, pallet, "tag-malformed", str(refusal))
        return
    if draft.pallets[pallet].serial and not _is_the_same(draft, pallet, content):
        _is_another(draft, pallet)
        return
    twins = _twins(draft, pallet, content)
    for other, claim in twins:
        _doubt(draft, other, f"{claim} is also on the tag at {event.place}")
    if twins:
        draft.change_pallet(pallet, twin_of=tuple(other.pallet for other, _ in twins))
        seen = "; ".join(f"{claim} is also at {other.place}" for other, claim in twins)
        hold_pallet(draft, pallet, "pallet-twice", seen)
        return
    _name_pallet(draft, pallet, content)


def _twins(draft: Draft, pallet: str, content: TagContent) -> list[tuple[PalletState, str]]:
    """The other carriers of what must be unique in the cell, with what each claims as well: its pallet's may be one, its part's another."""
    twins: list[tuple[PalletState, str]] = []
    for name in sorted(draft.pallets):
        other = draft.pallets[name]
        if name == pallet:
            continue
        if name == content.pallet:
            twins.append((other, f"pallet {name}"))
        elif (
            other.serial == content.serial
            and other.part_type
            and other.part_type == _type_of(draft, content)
        ):
            twins.append((other, f"serial number {content.serial} of {name}"))
    return twins


def _doubt(draft: Draft, pallet: PalletState, seen: str) -> None:
    """No tag tells which of two carriers is right: the one that came first has no verdict either before somebody has looked.

    One that is missed where it should be is asked about there: it may be this very pallet, brought by hand. Who vouched for one did so
    whoever else claims the same.
    """
    if pallet.vouched == "no" and not _is_missed(draft, pallet.place):
        draft.hold("identity-doubted", "pallet", pallet.pallet, seen)


def _is_missed(draft: Draft, place: str) -> bool:
    """Whether what should be somewhere is on the line, or its nest or jaw reads empty and no move of the handler explains that.

    What waits on an outfeed place is taken away all the time: not to read occupied is to be missed there.
    """
    if place == LINE:
        return True
    if place in draft.stations:
        state = draft.stations[place]
        return state.nest == "empty" and not state.expecting and state.bay != "entered"
    if place in draft.tables.jaws:
        seen = draft.handler.jaws_seen[draft.tables.jaws.index(place)]
        return seen == "empty" and "handler" not in draft.outstanding
    if draft.tables.places[place].kind == "outfeed":
        return draft.places[place].presence != "occupied"
    return False  # whoever is missed in the rack has left the cell


def vouch(draft: Draft, pallet: str) -> None:
    """Somebody has compared the part with its tag: it is what it says, and goes on."""
    draft.change_pallet(pallet, vouched="yes")
    look_at_part(draft, pallet)
    draft.look_again("station", draft.pallets[pallet].place)


def is_doubted(draft: Draft, pallet: str) -> bool:
    """Whether another carrier claims to be this pallet, and nobody has said yet which one is right."""
    return any(
        hold.code == "identity-doubted" and hold.subject == pallet for hold in draft.holds.values()
    )


def to_be_taken_out(draft: Draft, pallet: str) -> str:
    """The hold that asks people to take a pallet out that can be put down nowhere, or ""; they may do so before they say it."""
    return next(
        (
            h.hold
            for h in draft.holds.values()
            if (h.code, h.subject) == ("pallet-stranded", pallet)
        ),
        "",
    )


def _type_of(draft: Draft, content: TagContent) -> str:
    part_type = draft.tables.part_types_by_gtin.get(content.gtin)
    return part_type.part_type if part_type else ""


def _name_pallet(draft: Draft, unread: str, content: TagContent) -> None:
    """The pallet gets its identity, declared part type or not, so that another one that claims the same is noticed."""
    state = draft.drop_pallet(unread)
    name = content.pallet
    draft.add_pallet(
        replace(
            state,
            pallet=name,
            serial=content.serial,
            part_type=_type_of(draft, content),
            twin_of=(),
            batch=content.batch,
            produced=content.produced,
            # Two carriers of one identity that came together stay apart; a pallet that was known is on its old visit.
            entered_ms=state.entered_ms if state.serial else draft.at_ms,
        )
    )
    infeed = at_infeed(draft, state)
    draft.change_place(state.place, pallet=name, reserved="" if infeed else name)
    draft.way(name, "tag read")
    if not state.serial:
        read_twins_again(draft, name)
    part_type = draft.tables.part_types_by_gtin.get(content.gtin)
    if part_type is None:
        hold_pallet(draft, name, "part-type-unknown", f"the tag names GTIN {content.gtin}")
    else:
        _find_plan(draft, name, part_type)


def _find_plan(draft: Draft, name: str, part_type: PartType) -> None:
    """The pallet goes on by the plan of its part type, if this cell can carry that out."""
    state, reference = draft.pallets[name], part_type.reference
    if reference is not None and state.serial != reference.serial:
        seen = f"the tag names serial number {state.serial}; {reference.serial} is calibrated"
        hold_pallet(draft, name, "reference-unknown", seen)
        return
    lacking = draft.tables.plans[part_type.part_type].undecidable
    if lacking:
        hold_pallet(
            draft,
            name,
            "plan-undecidable",
            f"no program decides {', '.join(lacking)} of {part_type.part_type}",
        )
        return
    draft.way(name, "plan found")
    if state.verdict:
        draft.way(name, "verdict given")
    else:
        look_at_part(draft, name)


# --- the part ---------------------------------------------------------------------------------------------------------------------


def add_result(draft: Draft, pallet: str, result: StationResult) -> None:
    """A run of a pallet gave its result, wherever the pallet stands by now."""
    draft.change_pallet(pallet, results=(*draft.pallets[pallet].results, result))
    look_at_part(draft, pallet)
    decided = draft.tables.decides.get(result.program, frozenset())
    if not decided.isdisjoint(draft.pallets[pallet].open):
        # What was to be decided is open again, and nobody was announced for it: it may be run where the part stands.
        draft.change_pallet(pallet, planned=())


def count_try(draft: Draft, pallet: str, program: str) -> None:
    """A run of a program ended without a result."""
    tried = dict(draft.pallets[pallet].tried)
    tried[program] = tried.get(program, 0) + 1
    draft.change_pallet(pallet, tried=tuple(sorted(tried.items())))


def rule_out(draft: Draft, pallet: str, program: str) -> None:
    """A program is not to be asked for again on this part."""
    tried = {**dict(draft.pallets[pallet].tried), program: RUNS_WITHOUT_GOOD_VALUE_MAX}
    draft.change_pallet(pallet, tried=tuple(sorted(tried.items())))
    look_at_part(draft, pallet)


def look_at_part(draft: Draft, pallet: str) -> None:
    """Work out what is still open; give the verdict when nothing is and no run of the part is under way."""
    state = draft.pallets[pallet]
    if state.stage not in ("planned", "visiting"):
        return
    if studies.study_of(draft, pallet):
        return  # its visits are planned by the study, as long as that goes on
    if state.part_type in draft.tables.references:
        _plan_checks(draft, pallet)
        return
    table = draft.tables.plans[state.part_type]
    left = still_open(table, state.results, state.tried)
    draft.change_pallet(
        pallet, open=tuple(each.number for each in left), done=exhausted(table, left)
    )
    # What is open now may be run where the part stands, or makes it worth carrying: the run may have been elsewhere.
    draft.look_again("station", state.place)
    if not left and not run_under_way(draft, pallet) and not is_doubted(draft, pallet):
        _store_record(draft, pallet)
        draft.way(pallet, "verdict given")


def _plan_checks(draft: Draft, pallet: str) -> None:
    """What is open for a reference part is what the checks measure that are due; nothing once its certificate has ended."""
    state, tables = draft.pallets[pallet], draft.tables
    over = draft.at_ms >= end_of_day_ms(tables.references[state.part_type].due)
    due = () if over else trust.to_check(draft, pallet)
    covered = {number for program in due for number in tables.coverage[program]}
    draft.change_pallet(
        pallet,
        open=tuple(
            c.number for c in tables.part_types[state.part_type].plan if c.number in covered
        ),
        done=tuple(
            p.program for p in tables.plans[state.part_type].programs if p.program not in due
        ),
    )
    draft.look_again("station", state.place)


def reopen(draft: Draft, pallet: str) -> None:
    """A verdict is doubted while the part is in the cell: its record stays, and it is measured and judged anew."""
    draft.change_pallet(pallet, verdict="", sorting="")
    state = draft.pallets[pallet]
    if state.stage != "decided":
        return
    draft.way(pallet, "verdict doubted")
    if state.place in draft.stations:
        draft.way(pallet, "visit begun")
    claim_home(draft, pallet)


def run_under_way(draft: Draft, pallet: str) -> bool:
    """Whether a station still works on this pallet's part."""
    return any(s.run is not None and s.run.pallet == pallet for s in draft.stations.values())


def _store_record(draft: Draft, pallet: str) -> None:
    state = draft.pallets[pallet]
    part = Part(
        serial=state.serial,
        batch=state.batch,
        produced=state.produced,
        pallet=pallet,
        entered_ms=state.entered_ms,
        decided_ms=draft.at_ms,
        revision=state.revision + 1,
        declaration=draft.declaration,
    )
    record = merge(part, draft.tables.plans[state.part_type], state.results, state.tried)
    draft.store(record)
    learn(draft, record)
    draft.change_pallet(
        pallet, verdict=record.verdict, sorting=sorting_of(record), revision=record.revision
    )


# --- for the handler and the stations ------------------------------------------------------------------------------------------


def stop_due_at(draft: Draft, station: str) -> bool:
    """Whether the next stop of the move being carried out is at this station."""
    carry = draft.handler.carry
    pallet = draft.pallets.get(carry.pallet) if carry else None
    if carry is None or pallet is None:
        return False
    next_place = carry.target if pallet.place in draft.tables.jaws else carry.origin
    return next_place == station


def may_travel(draft: Draft, pallet: PalletState) -> bool:
    """Whether routing may consider a pallet at all: its stage and its holds allow it, and it is seen and proven where it stands."""
    if pallet.stage not in ("planned", "visiting", "decided"):
        return False
    place = draft.places.get(pallet.place)
    return (place is None or _is_sure(draft, place)) and held(draft, pallet.pallet) is None


def _is_sure(draft: Draft, place: PlaceState) -> bool:
    seen = place.presence == "occupied" or place.expecting == "occupied"
    return seen and f"tag at {place.place}" not in draft.outstanding
