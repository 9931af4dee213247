"""Rack and outfeed places as people see them."""

from typing import Literal

from supervisor.api.schema import Schema, shown_by
from supervisor.api.waits import Now, Wait, waits_of_place
from supervisor.cell.model import PlaceKind, Sorting
from supervisor.core.events import Link, Presence


class PlaceView(Schema):
    """A place outside the stations: declared facts, what its reader sees, and what the supervisor holds to stand there."""

    model_config = shown_by(
        {
            "place": "rack-01",
            "kind": "rack",
            "sorting": "",
            "at_mm": 200,
            "reader": "rack",
            "link": "up",
            "presence": "occupied",
            "pallet": "grai:9521234.12345.12",
            "reserved": "grai:9521234.12345.12",
            "waits": [],
        }
    )

    place: str
    kind: PlaceKind
    sorting: Sorting | Literal[""]
    """What an outfeed place accepts; "" for any other."""
    at_mm: int
    """Where it is along the handler's rail, in mm."""
    reader: str
    link: Link
    """Whether its reader is connected."""
    presence: Presence
    """What its reader sees."""
    pallet: str
    """The pallet that should stand there ("" = none)."""
    reserved: str
    """The pallet whose home or destination it is ("" = nobody's)."""
    waits: list[Wait]


def place_view(now: Now, place: str) -> PlaceView:
    """One place."""
    declared = now.core.tables.places[place]
    state = now.state.places[place]
    return PlaceView(
        place=place,
        kind=declared.kind,
        sorting=declared.sorting,
        at_mm=declared.at_mm,
        reader=declared.reader,
        link=now.state.readers[declared.reader].link,
        presence=state.presence,
        pallet=state.pallet,
        reserved=state.reserved,
        waits=waits_of_place(now, place),
    )


def places_view(now: Now) -> list[PlaceView]:
    """All places by id."""
    return [place_view(now, place) for place in now.core.tables.places]
