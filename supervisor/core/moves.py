"""Rules of the handler: what it carries where, one stop at a time.

Rules of this file:
- A decision of routing (``Carry``) is carried out stop by stop; each stop is one order with a number that is never used twice.
- Between stops at most one pallet is in hand; a swap is one stop.
- What an order did is read from its outcome and the jaw sensors together. Where they contradict each other, a person is asked.
"""

from supervisor.cell.value import replace
from supervisor.core import (
    gauge,
    interlocks,
    pallets,
    reference_parts,
    runs,
    stations,
    trust,
    views,
)
from supervisor.core.commands import MoveHandler
from supervisor.core.draft import Draft, held
from supervisor.core.events import HandlerObserved, Presence
from supervisor.core.state import HandlerState
from supervisor.routing.situation import Carry, Stay

ORDER_MAX = 2**32 - 1 - 100_000
"""Where a number that a handler shows is no longer believed: orders are 32 bits on the wire, and ours go on above it."""


def on_handler_observed(draft: Draft, event: HandlerObserved) -> None:
    """Accept the handler's image, unless a newer one was accepted before (S6); then see what became of its order."""
    before = draft.handler
    same_source = before.link == "up" and event.link == "up" and before.boot == event.boot
    if same_source and event.source_ms < before.source_ms:
        return
    after = draft.change_handler(
        source_ms=event.source_ms,
        boot=event.boot,
        link=event.link,
        mode=event.mode,
        order=event.order,
        phase=event.phase,
        inside=event.inside,
        at=event.at or before.at,
        jaws_seen=_as_declared(draft, event.jaws),
        why=event.why,
    )
    if _only_travelled(before, after):
        return
    if draft.next_order <= event.order < ORDER_MAX:
        # An older journal has used higher numbers than ours; the handler refuses every number that it has passed.
        draft.next_order = event.order + 1
    draft.rethink = "yes"
    _mark_concerned(draft, before, after)
    if event.link == "down":
        _forget_given(draft)
    else:
        _look_at_order(draft)
        look_at_jaws(draft)


def _mark_concerned(draft: Draft, before: HandlerState, after: HandlerState) -> None:
    """Look again at the stations that a changed image may mean anything to: while the arm is known to be elsewhere, none."""
    if before.link == after.link == "up" and "unknown" not in (before.inside, after.inside):
        left_or_entered = (
            {before.inside, after.inside} if before.inside != after.inside else set[str]()
        )
        concerned = sorted(left_or_entered & draft.stations.keys())
    else:
        concerned = sorted(draft.stations)
    draft.dirty |= dict.fromkeys(concerned)


def _only_travelled(before: HandlerState, after: HandlerState) -> bool:
    """Whether nothing but the position differs, or the order got under way: nothing follows from that."""
    under_way = after.phase in ("accepted", "busy") and before.phase in ("accepted", "busy")
    return (
        (under_way or after.phase == before.phase)
        and after.order == before.order
        and after.link == before.link
        and after.mode == before.mode
        and after.inside == before.inside
        and after.jaws_seen == before.jaws_seen
        and after.boot == before.boot
    )


def _as_declared(draft: Draft, jaws: tuple[Presence, ...]) -> tuple[Presence, ...]:
    """What is seen of the declared jaws; an image of another handler tells nothing."""
    declared = draft.tables.jaws
    return jaws if len(jaws) == len(declared) else tuple("unknown" for _ in declared)


def _forget_given(draft: Draft) -> None:
    if "handler" in draft.outstanding:
        draft.mark_given("handler", "no")


def _look_at_order(draft: Draft) -> None:
    """See whether the outstanding order is over."""
    waiting = draft.outstanding.get("handler")
    seen = draft.handler
    if waiting is None or seen.order != waiting.goal.order:
        return
    assert isinstance(waiting.goal, MoveHandler)
    if _order_about_a_stranger(draft) is not None:
        return
    if seen.phase == "done" and seen.inside == "":
        _finish(draft, waiting.goal)
        if waiting.given == "no" and waiting.goal.put:
            pallets.have_proven(draft, waiting.goal.put)  # nobody saw it arrive
    elif seen.phase == "failed":
        fail(draft, waiting.goal, seen.why or "the handler reports that the order failed")


def _finish(draft: Draft, goal: MoveHandler) -> None:
    """An order is done: what was picked is in the jaw, what was put is at the place, as the jaws show too."""
    draft.end_goal("handler")
    draft.hand("order done")
    if goal.action == "approach":
        return
    if not _jaws_agree(draft, goal):
        draft.hold(
            "jaw-unknown",
            "handler",
            draft.tables.handler.handler,
            f"after order {goal.order} the jaws read otherwise",
        )
    _apply(draft, goal)
    _leave(draft, goal.place)
    _doubt_after_a_hand(draft, goal)
    if goal.place in draft.places and goal.picked:
        draft.change_place(goal.place, emptied=0)
    _count_exchange(draft, goal)
    if goal.put:
        draft.change_handler(carry=None)


def _doubt_after_a_hand(draft: Draft, goal: MoveHandler) -> None:
    """A nest or place that became empty more often than the move empties it was reached into: nobody knows which pallet is where.

    A nest has no tag reader, nor has a jaw, so only a person can tell; at a place the tag can. On a conveyor the next pallet moves up by itself when one is taken away.
    """
    at = draft.stations.get(goal.place) or draft.places[goal.place]
    by_the_move = 1 if goal.picked else 0
    nest = goal.place in draft.stations
    if at.emptied <= by_the_move:
        return
    if not nest and not goal.picked:
        pallets.have_proven(draft, goal.put)
        return
    where = f"the nest of {goal.place}" if nest else goal.place
    seen = f"{where} was emptied by hand during order {goal.order}"
    if goal.put:
        text = f"{seen}; what stands in it may be another pallet than {goal.put}"
        draft.hold("nest-lost", "station", goal.place, text)
    if goal.picked:
        text = f"{seen}; what the jaw holds may be another pallet than {goal.picked}"
        draft.hold("jaw-unknown", "handler", draft.tables.handler.handler, text)


def _jaws_agree(draft: Draft, goal: MoveHandler) -> bool:
    seen = draft.handler.jaws_seen
    picked = goal.pick_jaw == 0 or seen[goal.pick_jaw - 1] == "occupied"
    put = goal.put_jaw == 0 or seen[goal.put_jaw - 1] == "empty"
    return picked and put


def _apply(draft: Draft, goal: MoveHandler) -> None:
    if goal.picked:
        _into_jaw(draft, goal)
    if goal.put:
        _onto_place(draft, goal)


def _into_jaw(draft: Draft, goal: MoveHandler) -> None:
    jaws = list(draft.handler.jaws)
    jaws[goal.pick_jaw - 1] = goal.picked
    draft.change_handler(jaws=tuple(jaws))
    if goal.place in draft.stations:
        runs.withdraw_run(draft, goal.place)
        stations.expect_nest(draft, goal.place, "")
    else:
        pallets.expect_place(draft, goal.place, "")
    draft.change_pallet(goal.picked, place=draft.tables.jaws[goal.pick_jaw - 1], planned=())


def _onto_place(draft: Draft, goal: MoveHandler) -> None:
    jaws = list(draft.handler.jaws)
    jaws[goal.put_jaw - 1] = ""
    draft.change_handler(jaws=tuple(jaws))
    pallet = draft.change_pallet(goal.put, place=goal.place)
    if goal.place in draft.stations:
        expect = stations.expect_exchange if goal.picked else stations.expect_nest
        expect(draft, goal.place, goal.put)
        if pallet.stage == "planned":
            draft.way(goal.put, "visit begun")
        carry = draft.handler.carry
        planned = (carry.program, *carry.then) if carry is not None and carry.program else ()
        draft.change_pallet(goal.put, visits=pallet.visits + 1, planned=planned)
        return
    pallets.expect_place(draft, goal.place, goal.put)
    if draft.tables.places[goal.place].kind == "outfeed":
        draft.way(goal.put, "put out")
    elif pallet.stage == "visiting":
        draft.way(goal.put, "home again")
    elif pallet.stage == "seen":
        # It was taken up before its tag could be read again.
        pallets.ask_for_tag(draft, goal.put)


def _leave(draft: Draft, place: str) -> None:
    if place in draft.stations and draft.stations[place].bay == "entered":
        draft.bay(place, "arm clear")


def _count_exchange(draft: Draft, goal: MoveHandler) -> None:
    """Count exchanges for the cycle figures: a put into a nest is one, a swap is one that was done as a swap."""
    if goal.put and goal.place in draft.stations:
        figures = draft.stations[goal.place].figures
        swaps = figures.swaps + (1 if goal.action == "swap" else 0)
        draft.change_station(
            goal.place, figures=replace(figures, exchanges=figures.exchanges + 1, swaps=swaps)
        )


def fail(draft: Draft, goal: MoveHandler, seen: str) -> None:
    """An order failed: the jaw sensors tell how far it came; a person sets the handler free."""
    sensors = draft.handler.jaws_seen
    picking = sensors[goal.pick_jaw - 1] if goal.pick_jaw else ""
    putting = sensors[goal.put_jaw - 1] if goal.put_jaw else ""
    if goal.action == "swap" and (picking, putting) not in SWAPPED_SO_FAR:
        seen = f"{seen}; {goal.picked} or {goal.put} may be in the nest"
        _lose_track(draft, goal)
    else:
        known = goal.picked in draft.pallets
        picked = goal.picked if known and picking == "occupied" else ""
        known = goal.put in draft.pallets
        put = goal.put if known and putting == "empty" and _may_be_there(draft, goal) else ""
        _apply(draft, replace(goal, picked=picked, put=put))
        for each in {put: None, goal.picked: None}:
            if each in draft.pallets:
                pallets.have_proven(draft, each)  # an empty jaw does not tell where its pallet is
    _end_move(draft, goal, "order failed")
    draft.hold(
        "handler-failed",
        "handler",
        draft.tables.handler.handler,
        f"order {goal.order} ({goal.action} at {goal.place}): {seen}",
    )


def _may_be_there(draft: Draft, goal: MoveHandler) -> bool:
    """Whether an empty jaw may mean that its pallet is where the order should put it.

    Elsewhere than in a nest its tag will tell. In a nest nothing does: the pallet may have fallen on the way, and a hand may have put
    another one there.
    """
    return goal.place not in draft.stations


SWAPPED_SO_FAR = (("empty", "occupied"), ("occupied", "occupied"), ("occupied", "empty"))
"""What the picking and the putting jaw read before a swap, between its two moves, and after it."""


def _lose_track(draft: Draft, goal: MoveHandler) -> None:
    """Both pallets of a swap are known no longer: their tags tell, once people have taken out what is in the nest and in the jaws."""
    runs.withdraw_run(draft, goal.place)
    for pallet in (goal.picked, goal.put):
        if pallet in draft.pallets:
            pallets.taken_away(draft, pallet)


def refuse(draft: Draft, goal: MoveHandler, seen: str) -> None:
    """The handler refused an order: nothing moved."""
    _end_move(draft, goal, "order withdrawn")
    _leave(draft, goal.place)
    draft.hold(
        "handler-failed",
        "handler",
        draft.tables.handler.handler,
        f"refused {goal.action} at {goal.place}: {seen}",
    )


def _end_move(draft: Draft, goal: MoveHandler, trigger: str) -> None:
    """An order ended badly: nothing of the decision holds any more, and what is still in a jaw needs its home again."""
    draft.end_goal("handler")
    draft.hand(trigger)
    drop_carry(draft)
    if goal.put in draft.handler.jaws and goal.put:
        pallets.claim_home(draft, goal.put)
    if goal.place in draft.places:
        pallets.judge_place(draft, goal.place)


def look_at_jaws(draft: Draft) -> None:
    """With no order under way the jaws must read what we hold to be in them, unless people were asked to take that out."""
    if draft.handler.stage != "idle" or "handler" in draft.outstanding:
        return
    for jaw, pallet, seen in zip(
        draft.tables.jaws, draft.handler.jaws, draft.handler.jaws_seen, strict=True
    ):
        lost = seen == "empty" and pallet and not pallets.to_be_taken_out(draft, pallet)
        if lost or (seen == "occupied" and not pallet):
            text = f"{jaw} reads {seen}; it should hold {pallet or 'nothing'}"
            draft.hold("jaw-unknown", "handler", draft.tables.handler.handler, text)


def on_move_timer(draft: Draft) -> None:
    """An order took longer than it may. One that is held back until a tag has been read is not late: that has a limit of its own."""
    waiting = draft.outstanding.get("handler")
    if waiting is None:
        return
    assert isinstance(waiting.goal, MoveHandler)
    if waiting.given == "no" and f"tag at {waiting.goal.place}" in draft.outstanding:
        limit_ms = draft.tables.handler.move_ms_max
        draft.start_timer("handler", limit_ms, f"{waiting.goal.place} is read first")
    else:
        text = (
            f"order {waiting.goal.order} is '{draft.handler.phase}' for longer than a move may take"
        )
        draft.hold("move-late", "handler", draft.tables.handler.handler, text)


def restless(draft: Draft) -> str:
    """Why a handler that stopped for a person cannot be set free yet, in words; "" when it rests outside every station."""
    handler = draft.handler
    if handler.link != "up":
        return "the handler is not connected"
    if handler.phase not in ("idle", "done", "failed"):
        return f"the handler is '{handler.phase}' with order {handler.order}"
    if handler.inside == "unknown":
        return "the handler cannot tell whether the arm is clear of the stations"
    return f"the arm is not clear of {handler.inside}" if handler.inside else ""


def release(draft: Draft) -> None:
    """A person has set the handler free, which rests: it starts afresh from where the pallets are."""
    for station in sorted(draft.stations):
        if draft.stations[station].bay == "entered":
            draft.bay(station, "arm clear")
    if draft.handler.stage == "halted":
        draft.hand("released")
    look_at_jaws(draft)
    draft.rethink = "yes"


def jaws_not_empty(draft: Draft) -> str:
    """Which jaws do not read empty, in words; "" when all do."""
    seen = zip(draft.tables.jaws, draft.handler.jaws_seen, strict=True)
    return ", ".join(f"{jaw} reads {presence}" for jaw, presence in seen if presence != "empty")


# --- what next --------------------------------------------------------------------------------------------------------------------


def look_at_handler(draft: Draft) -> None:
    """Carry the present decision one stop further, or have routing make the next one."""
    _look_for_a_stranger(draft)
    if draft.handler.stage != "idle" or "handler" in draft.outstanding or not usable(draft):
        return
    if draft.handler.carry is not None and not _still_sensible(draft, draft.handler.carry):
        drop_carry(draft)
    if draft.handler.carry is None:
        if draft.rethink == "no":
            return
        _choose(draft)
    if draft.handler.carry is not None:
        _next_stop(draft, draft.handler.carry)


def usable(draft: Draft) -> bool:
    """Whether the handler takes orders now."""
    handler = draft.handler
    return (
        handler.link == "up"
        and handler.mode == "automatic"
        and handler.inside == ""
        and held(draft, draft.tables.handler.handler) is None
    )


def _still_sensible(draft: Draft, carry: Carry) -> bool:
    """Whether the decision being carried out still fits the cell as it is now."""
    pallet = draft.pallets.get(carry.pallet)
    if pallet is None:
        return False
    in_hand = pallet.place in draft.tables.jaws
    goes_home = in_hand and carry.target == pallet.home
    if not goes_home and not pallets.may_travel(draft, pallet):
        return False
    if not in_hand and (
        draft.want == "pause" or pallet.place != carry.origin or _shut_in(draft, carry.origin)
    ):
        return False
    if _closed_to_us(draft, carry.target) or _barred(draft, carry, pallet.part_type):
        return False
    if held(draft, carry.displaced) is not None:
        return False
    if carry.target in draft.stations:
        return draft.stations[carry.target].pallet in ("", carry.displaced)
    outfeed = draft.tables.places[carry.target]
    if outfeed.kind == "outfeed" and pallet.sorting != outfeed.sorting:
        return False  # its verdict was doubted on the way
    return draft.places[carry.target].pallet == "" and draft.places[carry.target].reserved in (
        "",
        carry.pallet,
    )


def _shut_in(draft: Draft, place: str) -> bool:
    return place in draft.stations and stations.locked(draft, place)


def _closed_to_us(draft: Draft, place: str) -> bool:
    return place in draft.stations and stations.unusable(draft, place) != ""


def _barred(draft: Draft, carry: Carry, part_type: str) -> bool:
    """Whether the station that a pallet is meant for may decide nothing more of what the visit was for."""
    if not carry.program:
        return False
    suspended = {number for at, number in trust.barred(draft, part_type) if at == carry.target}
    wanted = draft.tables.decides.get(carry.program, frozenset()) & set(
        draft.pallets[carry.pallet].open
    )
    return bool(suspended) and not wanted - suspended


def drop_carry(draft: Draft) -> None:
    """Give up a decision: what was reserved for it is free again."""
    carry = draft.handler.carry
    if carry is None:
        return
    declared = draft.tables.places.get(carry.target)
    outfeed = declared is not None and declared.kind == "outfeed"
    if outfeed and draft.places[carry.target].reserved == carry.pallet:
        draft.change_place(carry.target, reserved="")
    draft.change_handler(carry=None)
    pallets.give_back_home(draft, carry.pallet)
    draft.rethink = "yes"


def _choose(draft: Draft) -> None:
    """Ask routing what to carry next. After a swap that failed half-way two are in hand: one after the other is put down."""
    in_hand = [pallet for pallet in draft.handler.jaws if pallet]
    if draft.want == "pause" and not in_hand:
        return
    pallets.claim_homes(draft)
    draft.rethink = "no"
    draft.end_timer("routing")
    first, *others = in_hand or [""]
    choice = _ask_routing(draft, first)
    for hand in others:
        if isinstance(choice, Stay):
            choice = _ask_routing(draft, hand)
    if isinstance(choice, Stay) and not in_hand:
        unloading = gauge.unloading(draft, choice) or reference_parts.homeward(draft, choice)
        choice = unloading or choice
        draft.choices[-1] = choice
    _take_up(draft, choice)


def _ask_routing(draft: Draft, hand: str) -> Carry | Stay:
    choice = draft.tables.router.choose(views.situation(draft, hand))
    if (choice.plan, choice.way) != (draft.handler.plan, draft.handler.way):
        draft.change_handler(plan=choice.plan, way=choice.way)
    # Plan and way are kept once, and are no part of what was decided.
    choice = replace(choice, plan=(), way=())
    draft.choices.append(choice)
    return choice


def _take_up(draft: Draft, choice: Carry | Stay) -> None:
    """Make routing's choice ours."""
    if isinstance(choice, Stay):
        draft.stay = choice.why
        if choice.until_ms is not None:
            draft.start_timer("routing", max(1, choice.until_ms - draft.at_ms), choice.why)
        return
    draft.stay = ""
    draft.change_handler(carry=choice)
    if not draft.pallets[choice.pallet].home:
        pallets.claim_home(draft, choice.pallet)
    if choice.target in draft.places:
        draft.change_place(choice.target, reserved=choice.pallet)
    for station in (choice.origin, choice.target):
        if station in draft.stations:
            draft.dirty[station] = None


def _look_for_a_stranger(draft: Draft) -> None:
    """A pallet that an order is about turned out to be another, or a person said that it left: a person sees how far the handler came."""
    goal = _order_about_a_stranger(draft)
    if goal is not None:
        gone = [each for each in (goal.picked, goal.put) if each and each not in draft.pallets]
        fail(draft, goal, f"it is not {' or '.join(gone)} that the handler moves")


def _order_about_a_stranger(draft: Draft) -> MoveHandler | None:
    waiting = draft.outstanding.get("handler")
    if waiting is None:
        return None
    goal = waiting.goal
    assert isinstance(goal, MoveHandler)
    gone = any(each and each not in draft.pallets for each in (goal.picked, goal.put))
    return goal if gone else None


def _next_stop(draft: Draft, carry: Carry) -> None:
    """Order the next stop if its interlocks allow; otherwise bring about what is missing and go there meanwhile."""
    goal = _stop(draft, carry)
    if interlocks.allowed(draft, goal):
        _order(draft, goal)
        return
    if goal.place in draft.stations:
        stations.plan_stop(draft, goal.place)
        if draft.handler.at != goal.place:
            approach = MoveHandler(
                order=0,
                action="approach",
                place=goal.place,
                pick_jaw=0,
                put_jaw=0,
                picked="",
                put="",
            )
            if interlocks.allowed(draft, approach):
                _order(draft, approach)


def _stop(draft: Draft, carry: Carry) -> MoveHandler:
    """The next stop of a decision, not numbered yet."""
    jaws = draft.handler.jaws
    if carry.pallet not in jaws:
        return MoveHandler(
            order=0,
            action="pick",
            place=carry.origin,
            pick_jaw=jaws.index("") + 1,
            put_jaw=0,
            picked=carry.pallet,
            put="",
        )
    put_jaw = jaws.index(carry.pallet) + 1
    occupant = draft.stations[carry.target].pallet if carry.target in draft.stations else ""
    if occupant:
        return MoveHandler(
            order=0,
            action="swap",
            place=carry.target,
            pick_jaw=jaws.index("") + 1,
            put_jaw=put_jaw,
            picked=occupant,
            put=carry.pallet,
        )
    return MoveHandler(
        order=0,
        action="put",
        place=carry.target,
        pick_jaw=0,
        put_jaw=put_jaw,
        picked="",
        put=carry.pallet,
    )


def _order(draft: Draft, unnumbered: MoveHandler) -> None:
    goal = replace(unnumbered, order=draft.number())
    if (
        goal.put
        and goal.place in draft.places
        and draft.tables.places[goal.place].kind == "outfeed"
    ):
        pallets.free_home(draft, goal.put)
    draft.hand(f"{goal.action} ordered")
    if goal.place in draft.places:
        draft.change_place(goal.place, emptied=0)
    if goal.action != "approach" and goal.place in draft.stations:
        draft.bay(goal.place, "entry given")
        draft.change_station(goal.place, emptied=0)
    draft.want_goal(goal)
    draft.start_timer(
        "handler",
        draft.tables.handler.move_ms_max,
        f"{goal.action} at {goal.place}, order {goal.order}",
    )
