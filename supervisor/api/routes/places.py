"""Places outside the stations."""

from fastapi import APIRouter

from supervisor.api.inside import CellNow, known
from supervisor.api.place_view import PlaceView, place_view, places_view

router = APIRouter(prefix="/places", tags=["places"])


@router.get("")
async def list_places(now: CellNow) -> list[PlaceView]:
    """All places by id."""
    return places_view(now)


@router.get("/{place}")
async def read_place(place: str, now: CellNow) -> PlaceView:
    """One place."""
    known(place, now.core.tables.places, "place")
    return place_view(now, place)
