"""Stations."""

from fastapi import APIRouter

from supervisor.api.inside import CellNow, Inside, beginning_of, known, link_of
from supervisor.api.station_view import StationView, station_view

router = APIRouter(prefix="/stations", tags=["stations"])


@router.get("")
async def list_stations(inside: Inside, now: CellNow) -> list[StationView]:
    """All stations by id."""
    beginning = beginning_of(inside)
    return [
        station_view(now, station, beginning, link_of(inside, station))
        for station in now.core.tables.stations
    ]


@router.get("/{station}")
async def read_station(station: str, inside: Inside, now: CellNow) -> StationView:
    """One station."""
    known(station, now.core.tables.stations, "station")
    return station_view(now, station, beginning_of(inside), link_of(inside, station))
