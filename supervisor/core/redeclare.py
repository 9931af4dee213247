"""The state before anything is known, and a known state under a changed declaration.

Rules of this file:
- A change of the declaration takes effect when a supervisor starts, nowhere else.
- What is no longer declared is forgotten together with the goals, waits and holds about it; a pallet that would stand nowhere or
  whose part type is gone has left the cell, with its record as far as it came.
"""

from supervisor.core import pallets
from supervisor.core.draft import Draft
from supervisor.core.state import (
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


def redeclare(draft: Draft) -> None:
    """Fit the state to the declaration in force. Changes nothing while the declared ids stay the same."""
    tables = draft.tables
    readers = {reader.reader for reader in tables.cell.readers}
    same = (
        draft.stations.keys() == tables.stations.keys()
        and draft.places.keys() == tables.places.keys()
        and draft.readers.keys() == readers
        and len(draft.handler.jaws) == len(tables.jaws)
        and all(not p.part_type or p.part_type in tables.part_types for p in draft.pallets.values())
    )
    if same:
        return
    known = {*tables.stations, *tables.places, *tables.jaws}
    for name in sorted(draft.pallets):
        pallet = draft.pallets[name]
        if pallet.place not in known or (
            pallet.part_type and pallet.part_type not in tables.part_types
        ):
            pallets.forget(draft, name)
    _drop_what_is_gone(draft)


def _drop_what_is_gone(draft: Draft) -> None:
    tables = draft.tables
    gone = (draft.stations.keys() - tables.stations.keys()) | (
        draft.places.keys() - tables.places.keys()
    )
    draft.stations = {
        name: draft.stations.get(name) or _blank_station(name) for name in tables.stations
    }
    draft.places = {name: draft.places.get(name) or _blank_place(name) for name in tables.places}
    draft.readers = {
        r.reader: draft.readers.get(r.reader) or _blank_reader(r.reader)
        for r in tables.cell.readers
    }
    draft.owned |= {"stations", "places", "readers"}
    if len(draft.handler.jaws) != len(tables.jaws):
        draft.handler = _blank_handler(tables)
    else:
        draft.change_handler(carry=None)
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
