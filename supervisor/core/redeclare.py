"""The state before anything is known, and a known state under a changed declaration.

Rules of this file:
- A change of the declaration takes effect when a supervisor starts, nowhere else. Parts inside go on under the plans in force then; a
  verdict that was given stands.
- What is no longer declared is forgotten together with the goals, waits and holds about it; a pallet that would stand nowhere or
  whose part type is gone has left the cell, with its record as far as it came.
"""

from supervisor.core import (
    agreement,
    calibration,
    corrections,
    line,
    moves,
    pallets,
    runs,
    trust,
)
from supervisor.core.commands import MoveHandler, ReadTag
from supervisor.core.draft import Draft
from supervisor.core.state import (
    LINE,
    CellState,
    Figures,
    HandlerState,
    PlaceState,
    ReaderState,
    StationState,
)
from supervisor.core.tables import CellTables


def blank_state(tables: CellTables) -> CellState:
    """The state before the first fact: nothing is known of the outside."""
    return CellState(
        declaration=tables.cell.digest,
        want="run",
        fence=0,
        next_order=0,
        stations={name: _blank_station(name) for name in tables.stations},
        places={name: _blank_place(name) for name in tables.places},
        readers={reader.reader: _blank_reader(reader.reader) for reader in tables.cell.readers},
        handler=_blank_handler(tables),
        pallets={},
        holds={},
        outstanding={},
        timers={},
        unassigned=(),
        stay="",
        agreement={},
        tool_offsets={},
        trust={},
    )


def _blank_station(name: str) -> StationState:
    return StationState(
        station=name,
        source_ms=-1,
        boot="",
        link="down",
        mode="unknown",
        door="unknown",
        nest="unknown",
        work="unknown",
        run_id="",
        serial="",
        program="",
        counter=-1,
        gate="",
        bay="shut",
        run=None,
        ended=(),
        pallet="",
        expecting="",
        last_nest="unknown",
        emptied=0,
        prepared="",
        figures=Figures(busy_ms=0, runs=0, exchanges=0, swaps=0),
    )


def _blank_place(name: str) -> PlaceState:
    return PlaceState(place=name, presence="unknown", pallet="", expecting="", reserved="")


def _blank_reader(name: str) -> ReaderState:
    return ReaderState(reader=name, source_ms=-1, boot="", link="down")


def _blank_handler(tables: CellTables) -> HandlerState:
    return HandlerState(
        source_ms=-1,
        boot="",
        link="down",
        mode="unknown",
        order=0,
        phase="unknown",
        inside="unknown",
        at="",
        jaws_seen=tuple("unknown" for _ in tables.jaws),
        why="",
        stage="idle",
        jaws=tuple("" for _ in tables.jaws),
        carry=None,
    )


# --- another declaration ----------------------------------------------------------------------------------------------------------


def redeclare(draft: Draft, declaration: str) -> None:
    """Fit the state to the declaration in force, whose tables the draft has. Nothing changes while it is the same."""
    if declaration == draft.declaration:
        return
    draft.declaration = declaration
    gone = _what_is_gone(draft)
    moves.drop_carry(draft)
    _forget_pallets(draft)
    _end_order(draft, gone)
    _fit_handler(draft)
    _fit_places(draft, gone)
    line.forget_undeclared(draft)
    _end_runs(draft)
    agreement.forget_undeclared(draft)
    _look_at_parts(draft)
    corrections.forget_undeclared(draft)
    calibration.forget_undeclared(draft)
    trust.forget_undeclared(draft)


def _what_is_gone(draft: Draft) -> frozenset[str]:
    tables = draft.tables
    stations = draft.stations.keys() - tables.stations.keys()
    return frozenset(stations | (draft.places.keys() - tables.places.keys()))


def _forget_pallets(draft: Draft) -> None:
    tables = draft.tables
    known = {*tables.stations, *tables.places, *tables.jaws, LINE}
    for name in sorted(draft.pallets):
        pallet = draft.pallets[name]
        nameless = pallet.part_type and pallet.part_type not in tables.part_types
        if nameless or pallet.place not in known:
            pallets.forget(draft, name)


def _end_order(draft: Draft, gone: frozenset[str]) -> None:
    """An order about something that is gone is not awaited any more; whether the arm is clear, the handler will show."""
    waiting = draft.outstanding.get("handler")
    if waiting is None:
        return
    goal = waiting.goal
    assert isinstance(goal, MoveHandler)
    jaws = len(draft.tables.jaws)
    moved = {goal.picked, goal.put} - {""}
    if (
        goal.place in gone
        or moved - draft.pallets.keys()
        or max(goal.pick_jaw, goal.put_jaw) > jaws
    ):
        draft.end_goal("handler")
        draft.hand("order withdrawn")
        if goal.place in draft.stations and draft.stations[goal.place].bay == "entered":
            draft.bay(goal.place, "arm clear")


def _fit_handler(draft: Draft) -> None:
    jaws = draft.tables.jaws
    kept = (*draft.handler.jaws, *("" for _ in jaws))[: len(jaws)]
    seen = tuple("unknown" for _ in jaws)
    draft.change_handler(jaws=kept, jaws_seen=seen, plan=(), way=())
    for name in sorted(draft.holds):
        if draft.holds[name].about == "handler":
            draft.rename_hold(name, draft.tables.handler.handler)


def _fit_places(draft: Draft, gone: frozenset[str]) -> None:
    """Stations, places and readers as declared, without goals, waits and holds about what is gone."""
    tables = draft.tables
    for about in sorted(draft.outstanding):
        goal = draft.outstanding[about].goal
        if {getattr(goal, "station", ""), getattr(goal, "place", "")} & gone:
            draft.end_goal(about)
    for timer in sorted(draft.timers):
        if timer.rpartition(" ")[2] in gone:
            draft.end_timer(timer)
    for hold in sorted(draft.holds):
        if draft.holds[hold].subject in gone:
            draft.end_hold(hold)
    draft.stations = {
        name: draft.stations.get(name) or _blank_station(name) for name in tables.stations
    }
    draft.places = {name: draft.places.get(name) or _blank_place(name) for name in tables.places}
    draft.readers = {
        r.reader: draft.readers.get(r.reader) or _blank_reader(r.reader)
        for r in tables.cell.readers
    }
    draft.owned |= {"stations", "places", "readers"}
    _ask_for_tags_anew(draft)


def _ask_for_tags_anew(draft: Draft) -> None:
    """Another reader may watch a place now."""
    for about in sorted(draft.outstanding):
        goal = draft.outstanding[about].goal
        if isinstance(goal, ReadTag) and goal.reader != draft.tables.places[goal.place].reader:
            draft.end_goal(about)
            pallets.ask_for_tag(draft, draft.places[goal.place].pallet)


def _end_runs(draft: Draft) -> None:
    """A run of a program that is gone, or of a part that is gone, is given up; its result would be nobody's."""
    for name in sorted(draft.stations):
        run = draft.stations[name].run
        gone = run is not None and (
            run.program not in draft.tables.programs or run.pallet not in draft.pallets
        )
        if gone:
            runs.give_up_run(draft, name)


def _look_at_parts(draft: Draft) -> None:
    """What is still open under the plans in force; and a home for each pallet whose own is gone."""
    for name in sorted(draft.pallets):
        home = draft.pallets[name].home
        if home in draft.tables.infeeds:
            draft.change_place(home, reserved="")
        if home not in draft.places or home in draft.tables.infeeds:
            draft.change_pallet(name, home="")
            _settle(draft, name)
        pallets.look_at_part(draft, name)


def _settle(draft: Draft, pallet: str) -> None:
    """A pallet that stands in the rack lives there, where it came in at an infeed place as well: else it took another's place besides."""
    place = draft.pallets[pallet].place
    declared = draft.tables.places.get(place)
    if declared is not None and declared.kind == "rack" and not draft.places[place].reserved:
        draft.change_pallet(pallet, home=place)
        draft.change_place(place, reserved=pallet)
